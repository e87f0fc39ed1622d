"""Challenges: codes, words, the card, and finding it in a recording."""

from __future__ import annotations

import hashlib
import io
import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import segno
from dossiers import check, failures, make_dossier, make_result
from fabricate import fabricate
from hypothesis import given
from hypothesis import strategies as st

from vidspin.challenge import CODE_BYTES, WORDS, new_challenge, public_code, read_challenge
from vidspin.dossier import bag, canonical
from vidspin.dossier.document import challenge_document
from vidspin.figures.card import card_formats, challenge_card
from vidspin.frames.card import EVERY_S, FIRST_S, LAST_S, Watched, codes_in
from vidspin.records import Frame, LumaArray, ShownChallenge, StreamOutcome
from vidspin.store import load_schema, to_json
from vidspin.summary import summarise

MADE = datetime(2026, 11, 25, 11, 30, 59, tzinfo=UTC)
TEXT = new_challenge(bytes(range(10)), MADE).text
OTHER = new_challenge(bytes(10), MADE).text


# --------------------------------------------------------------------------- words


def test_a_challenge_fits_the_smallest_code_that_survives_a_thumb() -> None:
    """Version 3 has the largest modules; level H reads with three tenths of them gone."""
    assert segno.make(TEXT, error="h", micro=False, boost_error=False).designator == "3-H"


def test_words_are_distinct_by_their_first_four_letters() -> None:
    assert len(WORDS) == 256
    assert len({word[:4] for word in WORDS}) == 256
    assert all(word.isascii() and word.islower() and word.isalpha() for word in WORDS)


@given(st.binary(min_size=CODE_BYTES, max_size=CODE_BYTES),
       st.integers(0, 52_000_000))  # minutes, 98 years  # fmt: skip
def test_challenge_comes_back_from_text_letters_and_words(code: bytes, minutes: int) -> None:
    made = datetime(2000, 1, 1, tzinfo=UTC) + timedelta(minutes=minutes)
    challenge = new_challenge(code, made + timedelta(seconds=59))
    assert read_challenge(challenge.text) == challenge
    assert challenge.code == code
    assert bytes(WORDS.index(word) for word in challenge.words) == code
    assert challenge.letters.replace(" ", "") in challenge.text
    assert datetime.fromisoformat(challenge.made) == made


def test_time_is_told_in_utc_and_never_later_than_it_was() -> None:
    zone = timezone(timedelta(hours=2))
    assert new_challenge(bytes(10), MADE.astimezone(zone)).made == "2026-11-25T11:30:00Z"
    for wrong in (MADE.replace(tzinfo=None), MADE.replace(year=2100)):
        with pytest.raises(ValueError, match="no instant"):
            new_challenge(bytes(10), wrong)
    with pytest.raises(ValueError, match="10 bytes"):
        new_challenge(bytes(9), MADE)


@pytest.mark.parametrize(
    "text", ["", TEXT.lower(), TEXT + " ", TEXT[:-1] + "x", "VIDSPIN/AAAAAAAAAAAAAAAA/2613251336",
             "VIDSPIN/AAAAAAAAAAAAAAA1/2611251336", "https://example.org/", TEXT + "\n"]
)  # fmt: skip
def test_other_texts_are_no_challenge(text: str) -> None:
    assert read_challenge(text) is None


def test_public_code_can_be_worked_out_by_anybody() -> None:
    words = "draw of 25 November: 3 11 24 31 40 45"
    digest = hashlib.sha256(b"vidspin challenge\n" + words.encode()).digest()
    assert public_code(f"  {words}\n".replace(" 11", "\t11")) == digest[:CODE_BYTES]
    assert public_code(words) != public_code(words.replace("3", "4"))


# ---------------------------------------------------------------------------- card


@pytest.mark.parametrize("ending", card_formats())
def test_card_is_the_same_for_the_same_challenge(ending: str) -> None:
    challenge = new_challenge(bytes(range(10)), MADE)
    card = challenge_card(challenge, by="witness-a", ending=ending)
    assert card == challenge_card(challenge, by="witness-a", ending=ending)


def test_code_on_the_card_can_be_read() -> None:
    card = challenge_card(new_challenge(bytes(range(10)), MADE), by="$\\frac{", ending=".png")
    picture = cv2.imdecode(np.frombuffer(card, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert codes_in(picture) == [TEXT]


def drawn(text: str, module_px: float, *, rows: int = 1080, columns: int = 1920, seed: int = 0,
          angle_deg: float = 20.0) -> LumaArray:  # fmt: skip
    """Draw a code into a noisy, blurred frame: noise sd 10, blur sd 1 px at 1080 rows."""
    rng = np.random.default_rng(seed)
    code = segno.make(text, error="h", micro=False, boost_error=False)
    modules = 1 - np.pad(np.array([list(row) for row in code.matrix], np.float32), 4)
    half = len(modules) / 2
    turn = np.radians(angle_deg)
    c, s = module_px * np.cos(turn), module_px * np.sin(turn)
    matrix = np.array([
        [c, -s, columns * rng.uniform(0.4, 0.6) - half * (c - s)],
        [s, c, rows * 0.5 - half * (s + c)],
    ])  # fmt: skip
    size = (columns, rows)
    paper = cv2.warpAffine(np.ones_like(modules), matrix, size, flags=cv2.INTER_NEAREST)
    light = cv2.warpAffine(modules, matrix, size, flags=cv2.INTER_NEAREST)
    shade = cv2.resize(rng.normal(110, 25, (9, 16)).astype(np.float32), size)
    picture = np.where(paper > 0.5, 40 + 170 * light, shade).astype(np.float32)
    picture = cv2.GaussianBlur(picture, (0, 0), rows / 1080)
    return np.clip(picture + rng.normal(0, 10, picture.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("module_px", [10.0, 6.0, 4.5])
def test_code_is_read_at_four_px_a_module_and_more(module_px: float) -> None:
    """Six of six places; at 6 px a module the code takes a fifth of the picture's height."""
    for seed in range(6):
        picture = drawn(TEXT, module_px, seed=seed, angle_deg=60.0 * seed)
        assert codes_in(picture) == [TEXT]


@pytest.mark.parametrize("change", ["ten bits", "mirrored", "4K", "small", "light on dark"])
def test_code_is_read_whatever_the_recording_is_like(change: str) -> None:
    size = {"4K": (2160, 3840), "small": (360, 640)}.get(change, (1080, 1920))
    picture = drawn(TEXT, 6.0 if change != "small" else 4.0, rows=size[0], columns=size[1])
    if change == "ten bits":
        picture = picture.astype(np.uint16) * 4 + 3
    elif change == "mirrored":
        picture = np.ascontiguousarray(picture[:, ::-1])
    elif change == "light on dark":
        picture = 255 - picture
    assert codes_in(picture) == [TEXT]


def test_other_codes_in_the_picture_are_none_of_our_business() -> None:
    assert codes_in(drawn("https://example.org/%1b[2J", 8.0)) == []


class Cards:
    """A recording of blank frames; the card is put in by the test."""

    def __init__(self, duration_s: float, rate: float = 10.0) -> None:
        self.facts = replace(fabricate(duration_s=8.0).footage, duration_s=duration_s)
        self.outcome = StreamOutcome(0, 0, ())
        self._times = np.arange(int(duration_s * rate)) / rate

    def stream(self) -> Iterator[Frame]:
        for index, time_s in enumerate(self._times.tolist()):
            yield Frame(index, 0, index, time_s, np.full((4, 4), int(time_s) % 256, np.uint8))

    def sparse(self, *, runs: int, per_run: int) -> Iterator[tuple[Frame, ...]]:
        yield from ()

    def around(self, time_s: float, *, before: int, after: int) -> tuple[Frame, ...]:
        return ()

    def passing(self, time_s: float, *, before: int, after: int, every: int = 1) -> Iterator[Frame]:
        yield from ()


def watch(
    duration_s: float, shown: Any, monkeypatch: pytest.MonkeyPatch
) -> tuple[ShownChallenge | None, list[float]]:
    """Pass over a recording; `shown` gives the texts in the picture at an instant."""
    looked: list[float] = []
    watched = Watched(Cards(duration_s))
    now = {"s": 0.0}

    def look(_: LumaArray) -> list[str]:
        looked.append(now["s"])
        return list(shown(now["s"]))

    monkeypatch.setattr("vidspin.frames.card.codes_in", look)
    frames = 0
    stream = watched._footage.stream()  # type: ignore[attr-defined]

    def timed() -> Iterator[Frame]:
        for frame in stream:
            now["s"] = frame.time_s
            yield frame

    watched._footage.stream = timed  # type: ignore[method-assign]
    for _ in watched.stream():
        frames += 1
    assert frames == int(duration_s * 10)
    return watched.shown(), looked


def test_first_minutes_and_the_last_one_are_searched_twice_a_second(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    found, looked = watch(600.0, lambda t: [], monkeypatch)
    assert found is None
    early = [t for t in looked if t <= FIRST_S]
    late = [t for t in looked if t >= 600.0 - LAST_S]
    assert len(early) == FIRST_S / EVERY_S + 1
    assert len(late) == LAST_S / EVERY_S
    assert len(looked) - len(early) - len(late) <= 1


def test_card_is_told_with_its_first_and_last_sighting(monkeypatch: pytest.MonkeyPatch) -> None:
    def shown(t: float) -> list[str]:
        return [TEXT] if 3.2 < t < 7.2 or 580 < t < 584.2 else []

    found, _ = watch(600.0, shown, monkeypatch)
    assert found == ShownChallenge(TEXT, 3.5, 584.0, 16)


def test_first_of_several_challenges_counts_and_the_others_are_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    found, _ = watch(20.0, lambda t: [TEXT] if t < 9 else [OTHER], monkeypatch)
    assert found is not None
    assert (found.text, found.others) == (TEXT, (OTHER,))


def test_document_states_the_challenge_as_its_schema_asks() -> None:
    import jsonschema

    result = replace(fabricate(), challenge=ShownChallenge(TEXT, 3.5, 6.0, 6, (OTHER,)))
    document = to_json(result)
    jsonschema.Draft202012Validator(load_schema()).validate(document)
    assert document["challenge"]["made"] == "2026-11-25T11:30:00Z"
    assert document["challenge"]["words"][:2] == ["acorn", "actor"]
    assert to_json(fabricate())["challenge"] is None
    assert f"challenge     {TEXT} shown at 0:00:03.5" in summarise(result)
    assert "challenge" not in summarise(fabricate())


# ----------------------------------------------------------------------- in a dossier


def record(text: str = TEXT, *, by: str | None = "witness-a", public: str | None = None) -> bytes:
    return canonical.dumps(challenge_document(text, by=by, public=public))


def test_shown_challenge_of_a_witness_bounds_the_time(tmp_path: Path) -> None:
    result = make_result(tmp_path, challenge=TEXT)
    dossier, made = make_dossier(result, challenge=record())
    assert made.filmed_after == "2026-11-25T11:30:00Z"
    found = check(dossier)
    assert found.good
    assert found.filmed_after == "2026-11-25T11:30:00Z"
    assert check(dossier, challenge=TEXT).good
    assert not check(dossier, challenge=OTHER).good
    info = (dossier / "bag-info.txt").read_text("utf-8")
    assert "Filmed-After: 2026-11-25T11:30:00Z" in info
    script = dossier / "check_dossier.py"  # for people without this program
    told = subprocess.run(
        [sys.executable, "-I", str(script), str(dossier)],
        check=False, capture_output=True, text=True,
    ).stdout  # fmt: skip
    assert f"challenge  {TEXT}, made 2026-11-25T11:30:00Z by witness-a, as the dossier says" in told


def test_challenge_that_nobody_is_named_for_proves_nothing(tmp_path: Path) -> None:
    dossier, _ = make_dossier(make_result(tmp_path, challenge=TEXT))
    found = check(dossier)
    assert found.good
    assert found.filmed_after is None
    # whoever handed it out knows it to be theirs
    assert check(dossier, challenge=TEXT).filmed_after == "2026-11-25T11:30:00Z"


@pytest.mark.parametrize("shown", [None, OTHER])
def test_challenge_that_the_camera_did_not_see_bounds_nothing(
    shown: str | None, tmp_path: Path
) -> None:
    dossier, made = make_dossier(make_result(tmp_path, challenge=shown), challenge=record())
    assert made.filmed_after is None
    found = check(dossier)
    assert found.filmed_after is None
    assert any(s.name == "freshness" and s.state == "unchecked" for s in found.steps)


@pytest.mark.parametrize("by", ["", " "])
def test_maker_without_a_name_is_nobody(by: str, tmp_path: Path) -> None:
    result = make_result(tmp_path, challenge=TEXT)
    dossier, _ = make_dossier(result, challenge=record(by=by))
    found = check(dossier)
    assert found.good and found.filmed_after is None
    assert any("nobody is named who made it" in step.says for step in found.steps)


def test_freshness_says_what_the_result_says(tmp_path: Path) -> None:
    """Whether the card is in the picture, only a new measurement tells."""
    result = make_result(tmp_path, challenge=TEXT)
    dossier, _ = make_dossier(result, challenge=record())
    (says,) = (step.says for step in check(dossier).steps if step.name == "freshness")
    assert "the result says the card was read from 1.5 s on" in says


def listed_anew(dossier: Path, *, filmed_after: str | None = None) -> None:
    """Bring the lists up to date, as somebody would who changed a file."""
    manifest = dossier / "data" / "manifest.json"
    said = json.loads(manifest.read_bytes())
    for one in said["files"]:
        path = dossier / one["path"]
        one |= {"bytes": path.stat().st_size, "sha256": bag.hash_file(path)}
    manifest.write_bytes(canonical.dumps(said))
    names = [name for name in bag.look_through(dossier).sizes if name.startswith("data/")]
    fields = {"Bagging-Date": "2026-11-25"}
    if filmed_after is not None:
        fields["Filmed-After"] = filmed_after
    bag.write_lists(dossier, {name: bag.hash_file(dossier / name) for name in names}, fields)


def test_challenge_is_held_against_what_was_handed_out(tmp_path: Path) -> None:
    result = make_result(tmp_path, challenge=TEXT)
    dossier, _ = make_dossier(result, challenge=record(by="operator"))
    manifest = dossier / "data" / "manifest.json"
    honest = json.loads(manifest.read_bytes())
    listed_anew(dossier, filmed_after="2026-11-25T11:30:00Z")
    assert check(dossier).good
    for change in ({"by": "witness-a"}, {"first_s": 900.0}, {"first_s": None}):
        fresh = {**honest["challenge"], **change}
        manifest.write_bytes(canonical.dumps({**honest, "challenge": fresh}))
        listed_anew(dossier)
        told = failures(check(dossier))
        assert any("does not say the same of the challenge" in says for says in told)
    assert "the manifest does not say when the card was read" in told
    manifest.write_bytes(canonical.dumps(honest))
    (dossier / "data" / "challenge.json").write_bytes(record(OTHER, by="operator"))
    listed_anew(dossier)
    assert any("same of the challenge" in says for says in failures(check(dossier)))


def test_bag_info_dates_the_challenge_as_the_manifest_does(tmp_path: Path) -> None:
    result = make_result(tmp_path, challenge=TEXT)
    dossier, _ = make_dossier(result, challenge=record())
    listed_anew(dossier, filmed_after="2036-01-01T00:00:00Z")
    (says,) = failures(check(dossier))
    assert says == "bag-info.txt: it dates the challenge otherwise than manifest.json"


def test_missing_challenge_is_a_failure_for_whoever_gave_one(tmp_path: Path) -> None:
    dossier, _ = make_dossier(make_result(tmp_path))
    assert any("you gave one" in says for says in failures(check(dossier, challenge=TEXT)))


def test_code_that_does_not_follow_from_its_public_words_is_refused(tmp_path: Path) -> None:
    words = "3 11 24 31"
    text = new_challenge(public_code(words), MADE).text
    result = make_result(tmp_path, challenge=text)
    dossier, _ = make_dossier(result, challenge=record(text, by=None, public=words))
    assert check(dossier).filmed_after == "2026-11-25T11:30:00Z"
    with pytest.raises(ValueError, match="public words"):
        record(text, by=None, public="3 11 24 32")
    forged = json.loads(record(text, by=None, public=words))
    forged["public"] = "3 11 24 32"
    other, _ = make_dossier(
        result, challenge=json.dumps(forged).encode(), target=tmp_path / "b.dossier"
    )
    assert any("public words" in says for says in failures(check(other)))


def test_png_card_is_a_picture(tmp_path: Path) -> None:
    from PIL import Image

    card = challenge_card(new_challenge(bytes(10), MADE), ending=".png")
    with Image.open(io.BytesIO(card)) as picture:
        assert picture.width < picture.height
