"""The ledger: nothing is lost, damage is told, and ten thousand attempts are listed at once."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from vidspin.errors import CheckFailed, UsageError
from vidspin.ledger import (
    Choice,
    Entry,
    Ledger,
    entries_csv,
    entries_json,
    entry_columns,
    entry_of,
    schema,
)
from vidspin.ledger.book import instant_key
from vidspin.ledger.schema import APPLICATION_ID, MIGRATIONS, VERSION, _migrate, checksum
from vidspin.records import Fact
from vidspin.workshop.attempt import Attempt, End
from vidspin.workshop.grouping import grouped

ADDED = "2024-06-01T00:00:00Z"


def entry(number: int, **changes: object) -> Entry:
    made = Entry(
        identity=f"{number:064x}", name=f"wren {number}", folder=f"/results/{number}.spin",
        recorded=f"2024-05-{1 + number % 28:02d}T10:00:00Z", recorded_from="file", added=ADDED,
        resolved=True, candidates=(), release_rpm=1500.0 + number % 97, u95_release_rpm=0.4,
        topple_rpm=310.0, u95_topple_rpm=2.0, spin_time_s=900.0 + number % 211,
        u95_spin_time_s=0.05, at_least_s=None, revolutions=15000.0, u95_revolutions=0.5,
        facts={"top": "wren", "tip": ("ruby", "steel")[number % 2], "temperature": 20.5},
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


def test_attempts_come_back_as_they_went_in(tmp_path: Path) -> None:
    made = [entry(1), entry(2, resolved=False, release_rpm=None, candidates=((1700.0, 0.6),))]
    with Ledger(tmp_path / "l.sqlite", create=True) as ledger:
        assert ledger.add(made) == (2, 0)
        assert ledger.entries() == made
        assert ledger.add([replace(made[0], name="again")]) == (0, 1)
    with Ledger(tmp_path / "l.sqlite") as ledger:
        assert [e.name for e in ledger.entries()] == ["again", "wren 2"]


def test_attempts_are_chosen_by_fact_date_best_and_worst(tmp_path: Path) -> None:
    unfinished = entry(5, spin_time_s=None, at_least_s=2000.0, facts={"tip": "jade", "live": True})
    with Ledger(tmp_path / "l.sqlite", create=True) as ledger:
        ledger.add([*(entry(n) for n in range(1, 5)), unfinished])

        def names(**choice: object) -> list[str]:
            return [e.name for e in ledger.entries(Choice(**choice))]  # type: ignore[arg-type]

        assert names(where={"tip": "ruby"}) == ["wren 2", "wren 4"]
        assert names(where={"tip": "ruby", "temperature": 20.5}) == ["wren 2", "wren 4"]
        assert names(where={"live": True}) == ["wren 5"]
        assert names(where={"tip": "ru"}) == []
        assert names(since="2024-05-04") == ["wren 3", "wren 4", "wren 5"]
        assert names(until="2024-05-03") == ["wren 1", "wren 2"]
        assert names(sort="best", most=2) == ["wren 5", "wren 4"]
        assert names(sort="worst", most=1) == ["wren 1"]
        assert names(sort="fastest", most=1) == ["wren 5"]
        assert names(sort="slowest", most=1) == ["wren 1"]
        with pytest.raises(UsageError, match="no order"):
            names(sort="name; DROP TABLE attempts")
        with pytest.raises(UsageError, match="no day"):
            names(since="yesterday")


def test_facts_are_chosen_as_people_read_them(tmp_path: Path) -> None:
    """From result folders a text 21.5, yes and either form of an accent were found already."""
    told: list[dict[str, Fact]] = [
        {"room": 21.5, "rough": True, "tip": "K\u00e4fer"},
        {"room": "21.5", "rough": "yes", "tip": "Ka\u0308fer"},
        {"room": 21.0, "rough": False, "tip": "K\u00e4fer"},
    ]
    with Ledger(tmp_path / "l.sqlite", create=True) as ledger:
        ledger.add(entry(n, facts=facts) for n, facts in enumerate(told))
        for wanted, most, count in (
            ({"room": 21.5}, None, 2), ({"rough": "yes"}, None, 2), ({"rough": False}, None, 1),
            ({"tip": "K\u00e4fer"}, None, 3), ({"tip": "Ka\u0308fer"}, 2, 2),
            ({"tip": "K\u00e4fer", "room": 21.0}, 1, 1), ({"top": ""}, None, 3),
        ):  # fmt: skip
            assert len(ledger.entries(Choice(where=wanted, most=most))) == count  # type: ignore[arg-type]
        assert ledger.used("tip") == ["K\u00e4fer"]
        attempts = [e.attempt() for e in ledger.entries()]
    assert len(grouped(attempts, "tip")) == 1


def test_an_attempt_s_entry_holds_its_ends_and_identity(tmp_path: Path) -> None:
    attempt = Attempt(
        "wren", {"tip": "ruby"}, release=End(2.0, 0.03, 1500.0, 0.4), spin_time_s=900.0,
        recorded="2024-05-01T12:00:00+02:00", recorded_from="told", sha256=("ab", "cd"),
    )  # fmt: skip
    made = entry_of(attempt, tmp_path, added=ADDED)
    assert (made.identity, made.release_rpm, made.topple_rpm) == ("ab+cd", 1500.0, None)
    assert made.recorded == "2024-05-01T10:00:00Z"
    back = made.attempt()
    assert back.release is not None and back.topple is None
    assert (back.name, back.release.rpm, back.release.u95_rpm) == ("wren", 1500.0, 0.4)


def test_days_and_instants_have_one_form() -> None:
    assert instant_key("2024-05-01") == "2024-05-01"
    assert instant_key("2024-05-01T08:00:00.250Z") == "2024-05-01T08:00:00Z"
    assert instant_key("2024-05-01 08:00") == "2024-05-01T08:00:00Z"
    assert instant_key("last week") == ""


def test_wear_adds_up_since_the_last_regrind(tmp_path: Path) -> None:
    with Ledger(tmp_path / "l.sqlite", create=True) as ledger:
        ledger.add(entry(n) for n in range(1, 5))  # on the 2nd to 5th of May, by turns
        ledger.add([entry(6, revolutions=None, resolved=False, spin_time_s=None, at_least_s=360.0)])
        ledger.regrind("tip", "ruby", at="2024-05-04", added=ADDED)
        ledger.regrind("base", "glass", at="2024-05-04", added=ADDED)
        worn = {(w.part, w.name): w for w in ledger.wear()}
        ruby, steel = worn["tip", "ruby"], worn["tip", "steel"]
        assert (ruby.attempts, ruby.uncounted, ruby.since) == (2, 1, "2024-05-04")
        assert ruby.revolutions == 15000.0
        assert ruby.hours == pytest.approx((904 + 360) / 3600)
        assert (steel.attempts, steel.revolutions, steel.since) == (2, 30000.0, "")
        assert worn["base", "glass"].attempts == 0
        with pytest.raises(UsageError, match="no part"):
            ledger.regrind("stem", "x", at="2024-05-04", added=ADDED)
        with pytest.raises(UsageError, match="no day"):
            ledger.regrind("tip", "x", at="soon", added=ADDED)


@pytest.mark.parametrize("day", ["3.5.2024", "1 May 2024", "2024-05", "20:15:00"])
def test_a_date_that_is_none_is_refused(day: str) -> None:
    attempt = Attempt("wren", {"date": day}, recorded=day, recorded_from="told", sha256=("ab",))
    with pytest.raises(UsageError, match=f"/x.spin: its date '{day}' is no day; add it by itself"):
        entry_of(attempt, Path("/x.spin"), added=ADDED)
    # what a file says of itself is nobody's fault: such an attempt has no date
    assert entry_of(replace(attempt, recorded_from="file"), Path("/x"), added=ADDED).recorded == ""


def test_attempts_without_a_date_are_counted_apart_not_dropped(tmp_path: Path) -> None:
    old = [entry(8, recorded=""), entry(10, recorded="", facts={"tip": "jade"})]
    with Ledger(tmp_path / "l.sqlite", create=True) as ledger:
        ledger.add([*(entry(n) for n in range(1, 5)), *old])  # on the 2nd to 5th of May
        ledger.regrind("tip", "ruby", at="2024-05-04", added=ADDED)
        worn = {w.name: w for w in ledger.wear()}
        assert (worn["ruby"].attempts, worn["ruby"].undated) == (1, 1)
        assert (worn["jade"].attempts, worn["jade"].undated) == (1, 0)  # never reground: it counts
        for choice in (Choice(since="2024-05-04"), Choice(until="2024-05-03")):
            assert len(ledger.entries(choice)) == 2
            assert not [e for e in ledger.entries(choice) if not e.recorded]
            assert [e.name for e in ledger.undated(choice)] == ["wren 10", "wren 8"]
        few = Choice(until="2024-05-03", where={"tip": "ruby"})
        assert [e.name for e in ledger.undated(few)] == ["wren 8"]
        assert ledger.undated(Choice()) == []


def test_the_day_of_measuring_is_no_date(tmp_path: Path) -> None:
    late = "2026-11-30T10:00:00Z"
    old = entry(8, recorded=late, recorded_from="measured")  # filmed nobody knows when
    before = entry(10, recorded="2024-05-02T10:00:00Z", recorded_from="measured")
    with Ledger(tmp_path / "l.sqlite", create=True) as ledger:
        ledger.add([old, before, *(entry(n) for n in range(1, 3))])  # on the 2nd and 3rd of May
        assert [e.name for e in ledger.entries()] == ["wren 10", "wren 8", "wren 1", "wren 2"]
        for choice in (Choice(since="2024-05-01"), Choice(until="2027-01-01")):
            assert [e.name for e in ledger.entries(choice)] == ["wren 1", "wren 2"]
            assert [e.name for e in ledger.undated(choice)] == ["wren 10", "wren 8"]
        ledger.regrind("tip", "ruby", at="2024-05-03", added=ADDED)
        (ruby,) = (w for w in ledger.wear() if w.name == "ruby")
        # what was measured before the regrind was surely filmed before it
        assert (ruby.attempts, ruby.undated) == (1, 1)


def test_wear_counts_attempts_whose_spin_time_is_not_known(tmp_path: Path) -> None:
    part = entry(2, spin_time_s=None, at_least_s=360.0)
    none = entry(4, spin_time_s=None, revolutions=None)
    with Ledger(tmp_path / "l.sqlite", create=True) as ledger:
        ledger.add([entry(6), part, none])
        (ruby,) = ledger.wear()
    assert (ruby.attempts, ruby.untimed, ruby.uncounted) == (3, 2, 1)
    assert ruby.hours == pytest.approx((906 + 360) / 3600)


def steps_of_listing(path: Path, attempts: int) -> int:
    """Count the steps of SQLite's machine, in thousands, for three listings and the wear."""
    with Ledger(path, create=True) as ledger:
        ledger.add(entry(n) for n in range(attempts))
    steps = 0

    def count() -> None:
        nonlocal steps
        steps += 1

    with Ledger(path) as ledger:
        ledger._connection.set_progress_handler(count, 1000)
        for choice in (
            Choice(),
            Choice(sort="best"),
            Choice(where={"tip": "ruby"}, sort="slowest"),
        ):
            assert len(ledger.entries(choice)) == attempts // (2 if choice.where else 1)
        assert sum(w.attempts for w in ledger.wear() if w.part == "tip") == attempts
    return steps


def test_listing_ten_thousand_attempts_takes_no_more_steps_for_each_than_a_thousand(
    tmp_path: Path,
) -> None:
    # seconds are for tests/bench/workshop.py ledger; steps are the same on every machine
    few, many = (steps_of_listing(tmp_path / f"{n}.sqlite", n) for n in (1000, 10_000))
    assert few > 0
    assert many < 1.5 * 10 * few


WRITER = """
import sys
from pathlib import Path
sys.path.insert(0, {tests!r})
from test_ledger import entry
from vidspin.ledger import Ledger
for n in range(int(sys.argv[2]), int(sys.argv[2]) + 60):
    with Ledger(Path(sys.argv[1]), create=True) as ledger:
        ledger.add([entry(n)])
"""


def test_two_writers_at_once_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    code = WRITER.format(tests=str(Path(__file__).parent))
    writers = [
        subprocess.Popen([sys.executable, "-c", code, str(path), str(first)]) for first in (0, 1000)
    ]
    assert [writer.wait(timeout=900) for writer in writers] == [0, 0]
    with Ledger(path) as ledger:
        assert len(ledger.entries()) == 120


def test_a_ledger_that_is_made_while_it_is_looked_at_is_not_another_program_s(
    tmp_path: Path,
) -> None:
    path = tmp_path / "l.sqlite"

    class Slow:
        """A connection between two of whose questions another program makes the ledger."""

        def __init__(self) -> None:
            self.real = sqlite3.connect(path, isolation_level=None)

        def __getattr__(self, name: str) -> object:
            return getattr(self.real, name)

        def execute(self, statement: str) -> SimpleNamespace:
            row = self.real.execute(statement).fetchone()
            if statement == "PRAGMA application_id":
                other = sqlite3.connect(path, timeout=0.0, isolation_level=None)
                with suppress(sqlite3.OperationalError):  # it must wait: the view is one
                    schema._migrate(other)
                other.close()
            return SimpleNamespace(fetchone=lambda: row)

    schema._check(Slow(), path)  # type: ignore[arg-type]
    with Ledger(path, create=True) as ledger:
        assert ledger.entries() == []


def test_a_write_that_fails_half_way_leaves_nothing(tmp_path: Path) -> None:
    def half() -> object:
        yield entry(1)
        raise KeyboardInterrupt

    with Ledger(tmp_path / "l.sqlite", create=True) as ledger:
        with pytest.raises(KeyboardInterrupt):
            ledger.add(half())  # type: ignore[arg-type]
        assert ledger.entries() == []


@pytest.mark.parametrize("place", [0.0, 0.3, 0.6, 0.9])
def test_a_damaged_file_is_told_with_advice(tmp_path: Path, place: float) -> None:
    path = tmp_path / "l.sqlite"
    with Ledger(path, create=True) as ledger:
        ledger.add(entry(n) for n in range(300))
    content = bytearray(path.read_bytes())
    start = int(place * len(content)) // 4096 * 4096
    content[start : start + 512] = b"\xa5" * 512
    path.write_bytes(content)
    with pytest.raises(CheckFailed, match=r"damaged.*copy.*ledger add"), Ledger(path) as ledger:
        ledger.entries()


def test_a_changed_figure_is_told(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    with Ledger(path, create=True) as ledger:
        ledger.add([entry(1)])
    content = path.read_bytes()
    assert content.count(b'"temperature": 20.5') == 1
    path.write_bytes(content.replace(b'"temperature": 20.5', b'"temperature": 28.5'))
    with pytest.raises(CheckFailed, match="content of a row"), Ledger(path) as ledger:
        ledger.entries()


def test_a_file_cut_short_is_told(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    with Ledger(path, create=True) as ledger:
        ledger.add(entry(n) for n in range(300))
    path.write_bytes(path.read_bytes()[: 3 * 4096 + 100])
    with pytest.raises(CheckFailed, match="damaged"), Ledger(path) as ledger:
        ledger.entries()


def test_other_databases_and_newer_ledgers_are_left_alone(tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite"
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE notes (x)")
    connection.close()
    before = other.read_bytes()
    with pytest.raises(UsageError, match="another program"):
        Ledger(other, create=True)
    assert other.read_bytes() == before
    newer = tmp_path / "newer.sqlite"
    Ledger(newer, create=True).__exit__(None, None, None)
    connection = sqlite3.connect(newer)
    connection.execute(f"PRAGMA user_version = {VERSION + 1}")
    connection.close()
    with pytest.raises(UsageError, match="newer vidspin"):
        Ledger(newer)
    with pytest.raises(UsageError, match="no such ledger"):
        Ledger(tmp_path / "none.sqlite")
    assert not (tmp_path / "none.sqlite").exists()
    with pytest.raises(UsageError, match="cannot be"):
        Ledger(tmp_path, create=True)


def test_an_old_ledger_is_brought_up_to_date(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite"
    connection = sqlite3.connect(path)
    for statement in MIGRATIONS[0]:
        connection.execute(statement)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute("PRAGMA user_version = 1")
    columns = "identity, name, folder, recorded, recorded_from, added, resolved, candidates"
    row = ["a", "wren", "/x", "", "file", "", 1, "[]", *[None] * 9, '{"tip": "r"}']
    connection.execute(
        f"INSERT INTO attempts ({columns}, facts, checksum) VALUES (?,?,?,?,?,?,?,?,?,?)",
        [*row[:8], row[-1], checksum(row)],
    )
    connection.commit()
    connection.close()
    with Ledger(path) as ledger:
        assert [e.name for e in ledger.entries()] == ["wren"]
        ledger.regrind("tip", "r", at="2024-05-01", added=ADDED)
        assert [w.since for w in ledger.wear()] == ["2024-05-01"]


def test_exports_hold_every_attempt_and_no_formula() -> None:
    made = [entry(1), entry(2, name="=cmd()", facts={"notes": "@x", "gap": -0.5})]
    rows = entries_csv(made).splitlines()
    assert len(rows) == 3 and "fact.tip" in rows[0]
    assert "'=cmd()" in rows[2] and "'@x" in rows[2] and ",-0.5," in rows[2]
    assert [e["name"] for e in json.loads(entries_json(made))] == ["wren 1", "=cmd()"]
    columns = entry_columns(made)
    assert columns["fact.gap"] == [None, -0.5]
    assert {len(column) for column in columns.values()} == {2}


def test_facts_told_to_the_ledger_stay_until_others_are_told(tmp_path: Path) -> None:
    plain = entry(1, recorded="2024-05-02", facts={"tip": "steel", "top": "wren"})
    told = {"tip": "ruby", "date": "2024-05-01"}
    with Ledger(tmp_path / "l.sqlite", create=True) as ledger:
        ledger.add([plain], told)
        for again in (plain, replace(plain, name="measured again"), plain):
            assert ledger.add([again]) == (0, 1)
            (kept,) = ledger.entries()
            assert kept.facts == {"top": "wren", **told}
            assert (kept.recorded, kept.recorded_from) == ("2024-05-01", "told")
        assert ledger.add([replace(plain, facts={"top": "lark"})], {"tip": "jade"}) == (0, 1)
        assert ledger.entries()[0].facts == {**told, "top": "lark", "tip": "jade"}
        both = entry(3, identity=f"{plain.identity}+{9:064x}", facts={})
        ledger.add([both])
        assert ledger.entries()[0].facts == {**told, "tip": "jade"}


def test_a_recording_that_falls_apart_into_its_chapters_leaves_them_what_was_told(
    tmp_path: Path,
) -> None:
    parts = [entry(n, identity=f"{n:064x}", facts={}) for n in (1, 2, 3)]
    whole = entry(4, identity="+".join(one.identity for one in parts), facts={})
    with Ledger(tmp_path / "l.sqlite", create=True) as ledger:
        ledger.add([whole], {"tip": "ruby"})
        assert ledger.add(parts) == (0, 3)
        assert [one.facts for one in ledger.entries()] == [{"tip": "ruby"}] * 3
        ledger.add([whole])
        assert ledger.add([whole, *parts]) == (0, 4)  # the whole comes and goes in one call
        assert [one.facts for one in ledger.entries()] == [{"tip": "ruby"}] * 3


def test_chapters_that_were_joined_and_split_again_keep_what_was_told_of_each(
    tmp_path: Path,
) -> None:
    one, two = (entry(n, identity=f"{n:064x}", facts={}) for n in (1, 2))
    whole = entry(4, identity=f"{one.identity}+{two.identity}", facts={})

    def facts(ledger: Ledger) -> dict[str, dict[str, Fact]]:
        return {e.name: e.facts for e in ledger.entries()}

    with Ledger(tmp_path / "l.sqlite", create=True) as ledger:
        ledger.add([one], {"tip": "ruby"})
        ledger.add([two], {"tip": "jade", "base": "glass"})
        ledger.add([whole])
        assert facts(ledger) == {"wren 4": {"tip": "jade", "base": "glass"}}  # what was told last
        ledger.add([one])
        assert facts(ledger) == {"wren 1": {"tip": "ruby"}}
        ledger.add([two])  # by itself: nothing of the whole is in the ledger any more
        assert facts(ledger)["wren 2"] == {"tip": "jade", "base": "glass"}
        ledger.add([whole], {"tip": "steel"})
        ledger.add([whole])
        for part in (one, two):
            ledger.add([part])
        assert facts(ledger) == {
            "wren 1": {"tip": "steel"}, "wren 2": {"tip": "steel", "base": "glass"},
        }  # fmt: skip
        ledger.add([two], {"tip": "opal"})
        ledger.add([whole])
        ledger.add([one])
        assert facts(ledger) == {"wren 1": {"tip": "steel"}}


@pytest.mark.parametrize(("version", "readable"), [(1, False), (2, True)])
def test_an_archive_that_cannot_be_written_is_read_where_it_holds_all(
    version: int, readable: bool, tmp_path: Path
) -> None:
    path = tmp_path / "l.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        for step in MIGRATIONS[:version]:
            for statement in step:
                connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {version}")
        connection.commit()
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        if readable:
            _migrate(connection)
            assert connection.execute("SELECT * FROM attempts").fetchall() == []
        else:
            with pytest.raises(sqlite3.OperationalError, match="readonly"):
                _migrate(connection)


def test_facts_that_an_earlier_version_was_told_stay(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    with Ledger(path, create=True) as ledger:
        ledger.add([entry(1, facts={"tip": "ruby", "top": "wren"})])
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TABLE told")
        connection.execute("PRAGMA user_version = 2")
        connection.commit()
    with Ledger(path) as ledger:
        ledger.add([entry(1, facts={"top": "lark"})])
        assert ledger.entries()[0].facts == {"tip": "ruby", "top": "lark"}


def test_a_recording_that_shares_a_file_with_one_that_is_there_takes_its_place(tmp_path) -> None:
    alone, other = entry(1), entry(2)
    both = entry(3, identity=f"{alone.identity}+{9:064x}", name="both chapters")
    with Ledger(tmp_path / "l.sqlite", create=True) as ledger:
        assert ledger.add([alone, other]) == (2, 0)
        assert ledger.add([both]) == (0, 1)
        assert {e.name for e in ledger.entries()} == {"both chapters", "wren 2"}
        assert sum(w.attempts for w in ledger.wear() if w.part == "tip") == 2
        assert ledger.add([alone]) == (0, 1)  # measured alone again: the other way round
        assert {e.name for e in ledger.entries()} == {"wren 1", "wren 2"}
        assert ledger.entries()[0].attempt().sha256 == (alone.identity,)
