"""Damaged documents that are read back: no crash, hang, traceback, heap of memory, second line.

    python tests/fuzz_documents.py [--count 100] [--seed 0] [--only 'spin.json;dossier']
        [--minutes M] [--keep DIR]

Each document (results, dossiers, tables, settings, profiles, ledgers, keys, logs) is damaged so
many times: bytes as in `fuzz.py`, values removed, renamed, bent and made absurd, other codings,
archives that unpack to gigabytes, folders, pipes and links in the place of files.  A command that
reads the document is then run in a process of its own.  It must end with a documented exit code,
at most one printable line on standard error, and JSON on standard output where that was asked
for.  Prints how the runs ended; the exit code is 1 when one ended as none may.
"""

from __future__ import annotations

import argparse
import json
import os
import runpy
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

import damage
import fuzz_child
import numpy as np

CODES = (0, 2, 3, 4, 5, 6, 7)
REFUSED = (2, 3, 4)  # nothing but one line on standard error
LONGEST_LINE = 1200
CHECKER = "check_dossier.py"
LOADED = (  # once, not in each child
    "matplotlib.backends.backend_agg", "matplotlib.backends.backend_svg", "matplotlib.figure",
    "cryptography.hazmat.primitives.asymmetric.ed25519", "jsonschema", "pypdf", "scipy.optimize",
    "vidspin.again", "vidspin.camera", "vidspin.cli.anew", "vidspin.cli.app", "vidspin.cli.claim",
    "vidspin.cli.compare", "vidspin.cli.dossier", "vidspin.cli.forecast", "vidspin.cli.ledger",
    "vidspin.cli.measure", "vidspin.cli.overnight", "vidspin.cli.rundown", "vidspin.cli.starts",
    "vidspin.cli.verify", "vidspin.dossier.verify", "vidspin.figures.stills", "vidspin.ledger",
    "vidspin.report", "vidspin.store", "vidspin.workshop",
)  # fmt: skip

Damage = Callable[[bytes, np.random.Generator], tuple[str, bytes]]
FACTS = b"""title = "Evening of the goldfinch"
[operator]
name = "O"
[top]
mass_g = 41.5
[[witness]]
name = "W"
role = "witness-a"
stopwatch = "0:00:09.1"
"""
TIP = b'tip = "ruby"\nmass_g = 41.5\ndate = 2026-05-01\n[base]\nmaterial = "glass"\n'
OPTIONS = b"""between = [0, 4000]
every = 2
centre = [320, 180]
radii = [40, 40]
tilt = 3.5
marks = 1
release = "0:00:01"
reason = "seen"
fact = {tip = "ruby"}
["clip.mp4"]
topple = 12.5
"""
PROFILE = b"""schema = "vidspin/camera/1"
name = "owl 240"
[mode]
width = 128
height = 96
frame_rate = "30"
[readout_s]
value = 0.012
u = 0.0002
how = "learnt"
[exposure_s]
value = 0.002
u = 0.0001
fixed = true
[clock_ppm]
value = 3.0
u = 5.0
"""
LAW = b"seconds,rev/min\n0,700\n0.1,690\n0.2,650\n"


# ---------------------------------------------------------------------------- damage


def by_bytes(data: bytes, random: np.random.Generator) -> tuple[str, bytes]:
    """Damage bytes as in a container."""
    return damage.damaged(data, tuple(int(k) for k in random.integers(1 << 30, size=2)))


BYTES: tuple[Damage, ...] = (by_bytes,)
TEXT: tuple[Damage, ...] = (by_bytes, damage.recoded)
JSON: tuple[Damage, ...] = (*(damage.bent_json,) * 6, by_bytes, damage.recoded)
TOML: tuple[Damage, ...] = (*(damage.bent_toml,) * 4, by_bytes, damage.recoded)
TABLE: tuple[Damage, ...] = (*(damage.bent_table,) * 3, by_bytes, damage.recoded)
ARRAYS: tuple[Damage, ...] = (*(damage.bent_arrays,) * 3, by_bytes, damage.bomb)


def otherwise(path: Path, random: np.random.Generator, *, pipes: bool) -> str:
    """Put something that is no file in the place of a file."""
    path.unlink()
    # a pipe that an option names is waited for, as by any program
    way = int(random.integers(5 if pipes else 4))
    if way == 0:
        return "missing"
    if way == 1:
        path.mkdir()
        return "a folder"
    if way == 2:
        path.symlink_to(path.name)
        return "a link to itself"
    if way == 3:
        path.symlink_to("/dev/zero")
        return "a link to a device"
    os.mkfifo(path)
    return "a pipe"


# ---------------------------------------------------------------------------- subjects


@dataclass(frozen=True, slots=True)
class Subject:
    """A document, and the commands that read it."""

    path: str  # below the room; of several, one is chosen
    damages: tuple[Damage, ...]
    commands: tuple[str, ...]
    relist: bool = False  # bring the lists of the dossier up to date afterwards
    files: tuple[str, ...] = ()  # others than `path`, damaged in its stead
    odd: bool = True  # also replaced by what is no file


_WORKSHOP = (
    "claim gold.spin --spin-time 9 --json", "claim gold.spin --faster-than b.spin --json",
    "starts gold.spin b.spin --json", "rundown gold.spin --json",
    "compare gold.spin b.spin --by tip --json", "forecast b.spin gold.spin --json",
    "forecast b.spin --topple-of gold.spin --json", "ledger add gold.spin --ledger l --quiet",
    "look gold.spin --no-browser --quiet",
    "camera learn gold.spin -o phone.toml --json", "dossier gold.spin --out out --json",
)  # fmt: skip
_AGAIN = (
    "measure --from tiny.spin --every 2 --out out --json", "look tiny.spin --no-browser --quiet "
    "--recording gold.spin/speed.png", "dossier tiny.spin --recording include --out out --json",
    "measure --from tiny.spin --between 600 800 --release 0.5 --reason seen --out out --quiet",
)  # fmt: skip
_NIGHT = "overnight night --out . --plan --json"
_VERIFY = ("verify gold.dossier --json", "verify gold.dossier", f"{CHECKER} gold.dossier")
_PAYLOAD = ("data/result/spin.json", "data/manifest.json")
SUBJECTS = {
    "spin.json": Subject("gold.spin/spin.json", JSON, _WORKSHOP),
    "speed.csv": Subject("gold.spin/speed.csv", TABLE, _WORKSHOP),
    "sightings.npz": Subject("gold.spin/sightings.npz", ARRAYS, _WORKSHOP),
    "unresolved": Subject(
        "open.spin/spin.json", JSON,
        ("claim open.spin --speed 900 --json", "starts open.spin --json", "rundown open.spin",
         "ledger add open.spin --ledger l --quiet", "dossier open.spin --out out --json"),
        files=("open.spin/candidates.csv",), odd=False,
    ),
    "measured": Subject("tiny.spin/spin.json", JSON, _AGAIN),
    "measured arrays": Subject("tiny.spin/sightings.npz", ARRAYS, _AGAIN),
    "ledger": Subject(
        "ledger.sqlite", BYTES,
        ("ledger list --ledger ledger.sqlite", "ledger export --ledger ledger.sqlite --out t.csv",
         "ledger wear --ledger ledger.sqlite", "starts --ledger ledger.sqlite --json",
         "ledger reground tip ruby --ledger ledger.sqlite",
         "ledger add b.spin --ledger ledger.sqlite --quiet"),
    ),
    "facts": Subject(
        "facts.toml", TOML, ("measure --from tiny.spin --facts facts.toml --json --out out",)
    ),
    "vidspin.toml": Subject("night/vidspin.toml", TOML, (_NIGHT,), odd=False),
    "camera": Subject(
        "camera.toml", TOML,
        ("measure tiny.mp4 --camera camera.toml --quiet", "rehearse tiny.mp4 --camera camera.toml "
         "--json", "plan --speeds 1000 500 --camera camera.toml --json"),
    ),
    "attempt": Subject("attempt.toml", TOML, ("dossier gold.spin --attempt attempt.toml --json",)),
    "law": Subject(
        "law.csv", TABLE,
        ("simulate out.mp4 --seconds 0.2 --size 64x48 --law table:law.csv --json",),
    ),
    "overnight log": Subject("overnight.log.jsonl", TEXT, (_NIGHT,)),
    "overnight lock": Subject(".overnight.lock", JSON, ("overnight text --json --out .",)),
    "challenge": Subject(
        "challenge.json", JSON,
        ("verify gold.dossier --challenge challenge.json --json",
         "dossier gold.spin --challenge challenge.json --out out --json"),
    ),
    "keys": Subject(
        "o.key", TEXT, ("countersign gold.dossier --key o.key --as witness-a --json",)
    ),
    "public key": Subject("o.key.pub", TEXT, ("keys show o.key.pub --json",)),
    "authority": Subject(
        "root.pem", TEXT, ("verify gold.dossier --authority root.pem --json",)
    ),
    "time stamp": Subject(
        "r.tsr", BYTES,
        ("countersign bare.dossier --timestamp-request r.tsq --timestamp-reply r.tsr --json",),
        files=("r.tsq",),
    ),
    "dossier": Subject("gold.dossier/bagit.txt", TEXT, _VERIFY, files=("gold.dossier/**/*",)),
    "dossier, relisted": Subject(
        f"gold.dossier/{_PAYLOAD[0]}", JSON, _VERIFY, relist=True,
        files=(f"gold.dossier/{_PAYLOAD[1]}",), odd=False,
    ),
    "dossier's tables": Subject(
        "gold.dossier/data/result/speed.csv", TABLE, _VERIFY, relist=True, odd=False
    ),
    "dossier's arrays": Subject(
        "gold.dossier/data/result/sightings.npz", ARRAYS, _VERIFY, relist=True, odd=False
    ),
    "dossier's reports": Subject(
        "gold.dossier/data/report.pdf", TEXT, _VERIFY, relist=True, odd=False,
        files=("gold.dossier/data/report.html",),
    ),
    "dossier's seals": Subject(
        "gold.dossier/seals/operator.sig", TEXT,
        (*_VERIFY, "verify gold.dossier --authority root.pem --json"),
        files=("gold.dossier/seals/*",),
    ),
}  # fmt: skip


def make_room(room: Path, names: tuple[str, ...]) -> None:
    """Make the documents of these subjects whole; the folder in which the commands are run."""
    from dossiers import invented, make_dossier, make_result

    from vidspin.cli.app import main
    from vidspin.cli.reporting import reports_of
    from vidspin.dossier.attempt import read_attempt
    from vidspin.store import write_result

    def command(words: str) -> None:
        if code := main(words.split()):
            raise RuntimeError(f"vidspin {words}: exit {code}")

    room.mkdir(parents=True)
    os.chdir(room)
    gold = make_result(room, size=3000)
    gold.rename("gold.spin")
    for name, kind in (("b", "resolved"), ("open", "unresolved")):
        write_result(invented(kind), {"speed.png": b"\x89PNG drawn"}, room / f"{name}.spin")
    (room / "text").mkdir()
    (room / "text" / "notes.mp4").write_text("no film\n" * 50, "utf-8")
    (room / "night").mkdir()
    for name, content in {
        "attempt.toml": FACTS, "facts.toml": TIP, "night/vidspin.toml": OPTIONS,
        "camera.toml": PROFILE, "law.csv": LAW,
    }.items():  # fmt: skip
        (room / name).write_bytes(content)
    wanted = " ".join(one for n in names for one in (SUBJECTS[n].path, *SUBJECTS[n].commands))
    command("ledger add gold.spin open.spin --ledger ledger.sqlite --fact tip=ruby --quiet")
    if "tiny" in wanted or "night" in wanted:
        _film(room, command)
    (room / ".overnight.lock").write_text('{"process": 1, "began": 1.5}', "utf-8")
    command("challenge --out challenge.pdf --by witness-a --quiet")
    command("keys new o.key --quiet")
    attempt = read_attempt(FACTS, "attempt.toml")
    for name in ("gold", "bare"):
        make_dossier(
            room / "gold.spin", target=room / f"{name}.dossier", attempt=attempt,
            reporter=reports_of,
        )  # fmt: skip
        command(f"countersign {name}.dossier --key o.key --as operator --quiet")
    if shutil.which("openssl") and ("root.pem" in wanted or "r.tsr" in wanted):
        _stamp(room, command)


def _film(room: Path, command: Callable[[str], None]) -> None:
    """Make a small clip, its result, and a batch that has looked at it."""
    from fuzz_seeds import SCENE

    command(f"simulate tiny.mp4 --fps 30 --seconds 3 --b-frames 0 {SCENE}")
    command("measure tiny.mp4 --between 500 900 --out . --quiet")
    shutil.copy("tiny.mp4", "night/clip.mp4")
    command("overnight night --out . --plan --quiet")


def _stamp(room: Path, command: Callable[[str], None]) -> None:
    """Have a dossier's time attested; the other one's reply is kept beside."""
    from authority import Authority

    authority = Authority(room / "authority", "Lantern")
    shutil.copy(authority.root, room / "root.pem")
    command("countersign bare.dossier --timestamp-request r.tsq --quiet")
    (room / "r.tsr").write_bytes(authority.reply((room / "r.tsq").read_bytes()))
    command("countersign gold.dossier --timestamp-request q.tsq --quiet")
    (room / "q.tsr").write_bytes(authority.reply((room / "q.tsq").read_bytes()))
    command("countersign gold.dossier --timestamp-request q.tsq --timestamp-reply q.tsr --quiet")


# ------------------------------------------------------------------------------- runs


@dataclass(frozen=True, slots=True)
class Run:
    """How one run ended."""

    subject: str
    number: int  # -1 and below: undamaged
    damage: str
    command: str
    outcome: str  # exit code, or what happened
    said: str
    seconds: float
    memory: int

    @property
    def bad(self) -> bool:
        """No run may end so."""
        return not self.outcome.startswith("exit")


def judged(words: str, ended: fuzz_child.Ended) -> str:
    """Put into words how a run ended."""
    if ended.crash:
        return ended.crash
    if ended.code not in CODES:
        return f"code {ended.code}"
    return _of_stderr(ended.stderr) or _of_stdout(words, ended) or f"exit {ended.code}"


def _of_stderr(text: str) -> str:
    lines = text.splitlines()
    if len(lines) > 1 and not all(one.startswith("WARNING: ") for one in lines):
        return "more than one line"
    if any(len(one) > LONGEST_LINE for one in lines):
        return "a line without end"
    return "" if all(one.isprintable() for one in lines) else "a line that is not printable"


def _of_stdout(words: str, ended: fuzz_child.Ended) -> str:
    if ended.code in REFUSED and CHECKER not in words:
        told = not ended.stdout and ended.stderr.startswith("vidspin: ")
        return "" if told else "not told in one line"
    if "--json" in words:
        try:
            for line in ended.stdout.splitlines():
                json.loads(line, parse_constant=_refuse)
        except ValueError as error:
            return f"no JSON ({error})"
    return ""


def _refuse(name: str) -> float:
    raise ValueError(f"holds {name}")


def run(words: str, room: Path, heard: Path) -> fuzz_child.Ended:
    """Run a command in the room, in a process of its own."""

    def call() -> int:
        os.chdir(room)
        sys.stdin = open(os.devnull, encoding="utf-8")  # noqa: SIM115 - the child ends with it
        name, *arguments = words.split()
        if name == CHECKER:
            script = str(Path("whole.dossier").resolve() / CHECKER)
            sys.argv = [script, *arguments]
            runpy.run_path(script, run_name="__main__")
            return 0
        from vidspin.cli.app import main

        return int(main([name, *arguments]))

    return fuzz_child.run(call, heard)


def _hurt(subject: Subject, room: Path, random: np.random.Generator) -> str:
    """Damage the document of a subject, or one of its other files."""
    paths = sorted(
        {room / subject.path, *(p for one in subject.files for p in room.glob(one) if p.is_file())}
    )
    path = paths[int(random.integers(len(paths)))]
    name = str(path.relative_to(room))
    if subject.odd and random.random() < 0.06:
        return f"{name}: {otherwise(path, random, pipes=path.parent != room)}"
    ways = subject.damages if path == room / subject.path or subject.relist else BYTES
    if path.suffix == ".json" and ways is BYTES:
        ways = JSON
    what, data = ways[int(random.integers(len(ways)))](path.read_bytes(), random)
    path.write_bytes(data)
    if subject.relist:
        relist(room / "gold.dossier")
    return f"{name}: {what}"


def relist(dossier: Path) -> None:
    """Bring both lists up to date, as somebody would who forges a dossier."""
    from vidspin.dossier import bag

    shutil.rmtree(dossier / "seals", ignore_errors=True)
    data = sorted(p for p in (dossier / "data").rglob("*") if p.is_file())
    hashes = {p.relative_to(dossier).as_posix(): bag.hash_file(p) for p in data}
    bag.write_lists(dossier, hashes, {"Bagging-Date": "2026-11-25"})


def fuzz(
    names: tuple[str, ...], count: int, seed: int, *, keep: Path | None = None, whole_too: bool
) -> Iterator[Run]:
    """Yield how each run ended; first, where asked for, those of undamaged documents."""
    for name in LOADED:
        import_module(name)
    with tempfile.TemporaryDirectory() as place:
        whole = Path(place) / "whole"
        fuzz_child.prepare(lambda: make_room(whole, names))
        for name, number in _turns(names, count, whole_too=whole_too):
            subject = SUBJECTS[name]
            if not (whole / subject.path).exists():
                continue  # time stamps: no openssl here
            words = subject.commands[number % len(subject.commands)]
            random = np.random.default_rng((seed, sorted(SUBJECTS).index(name), number + 999))
            with tempfile.TemporaryDirectory(dir=place) as inner:
                room = Path(inner) / "room"
                _copy(whole, room, (subject.path, words))
                what = "none" if number < 0 else _hurt(subject, room, random)
                ended = run(words, room, Path(inner))
                one = Run(
                    name, number, what, words, judged(words, ended),
                    ended.stderr or ended.stdout[:300], ended.seconds, ended.memory,
                )  # fmt: skip
                if one.bad and keep is not None:
                    shutil.copytree(
                        room, keep / f"{name}-{seed}-{number}".replace(" ", "_"),
                        symlinks=True, ignore=_plain_files_only,
                    )  # fmt: skip
            yield one


def _turns(names: tuple[str, ...], count: int, *, whole_too: bool) -> Iterator[tuple[str, int]]:
    """Give subject and number of each run: undamaged ones (below 0), then the subjects by turns."""
    if whole_too:
        yield from (
            (name, -k) for name in names for k in range(1, len(SUBJECTS[name].commands) + 1)
        )
    yield from ((name, number) for number in range(count) for name in names)


def _copy(whole: Path, room: Path, wanted: tuple[str, ...]) -> None:
    """Copy what a run reads, link what it does not."""
    room.mkdir()
    for entry in whole.iterdir():
        if entry.is_dir() and not any(entry.name in words for words in wanted):
            continue
        if entry.is_dir():
            shutil.copytree(entry, room / entry.name)
        else:
            shutil.copy(entry, room / entry.name)
    (room / "whole.dossier").symlink_to(whole / "bare.dossier")


def _plain_files_only(folder: str, names: list[str]) -> list[str]:
    places = {name: Path(folder, name) for name in names}
    return [n for n, p in places.items() if p.is_symlink() or not (p.is_file() or p.is_dir())]


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=100, help="damaged files of each subject")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only", default=",".join(SUBJECTS), help="subjects, with semicolons")
    parser.add_argument("--keep", type=Path, help="where rooms that ended badly are kept")
    parser.add_argument("--damaged-only", action="store_true", help="not the undamaged ones first")
    parser.add_argument("--minutes", type=float, default=1e6, help="end after so long")
    asked = parser.parse_args()
    names = tuple(SUBJECTS) if asked.only == parser.get_default("only") else asked.only.split(";")
    ends: dict[str, Counter[str]] = {name: Counter() for name in names}
    longest, most, bad = dict.fromkeys(names, 0.0), dict.fromkeys(names, 0), 0
    how = {"keep": asked.keep, "whole_too": not asked.damaged_only}
    ends_at = time.monotonic() + 60 * asked.minutes
    for one in fuzz(names, asked.count, asked.seed, **how):
        if one.bad:
            bad += 1
            print(f"{one.subject} {one.number} ({one.damage}), {one.command}: {one.outcome}")
            print(one.said[-3000:], flush=True)
        if one.number >= 0:
            ends[one.subject][one.outcome] += 1
        longest[one.subject] = max(longest[one.subject], one.seconds)
        most[one.subject] = max(most[one.subject], one.memory)
        if time.monotonic() > ends_at:
            break
    for name in names:
        told = ", ".join(f"{what}: {count}" for what, count in sorted(ends[name].items()))
        print(
            f"{name:18s} {sum(ends[name].values()):4d} files; {told}; "
            f"longest {longest[name]:.1f} s, most memory {most[name] >> 20} MiB"
        )
    print(f"{sum(map(Counter.total, ends.values()))} files, {bad} ended badly")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
