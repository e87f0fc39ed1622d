"""Flip one random bit at a time in a dossier, and in a long recording: is it found and named?

    python tests/bench/flips.py [TRIALS] [MEGABYTES]

Trials go round all files of a sealed and time-stamped dossier (without openssl: only
sealed), a random bit of a random byte each; then ten trials on a recording of that length.
"""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from authority import Authority
from dossiers import check, flip, make_dossier, make_result, sign, suspects

from vidspin.dossier import bag, seals, timestamp
from vidspin.dossier.attempt import read_attempt
from vidspin.dossier.consistency import headline
from vidspin.dossier.merkle import PIECE_BYTES


def sealed(folder: Path) -> Path:
    """Make a dossier with everything in it."""
    result = make_result(folder)
    figures = headline(json.loads((result / "spin.json").read_text("utf-8")))
    (result / "report.html").write_text(f"<p>{figures}</p>", "utf-8")
    facts = read_attempt(b'title = "Evening"\n', "a.toml")
    dossier, _ = make_dossier(result, attempt=facts)
    for role in ("operator", "witness-a"):
        sign(dossier, role, folder / "keys")
    if shutil.which("openssl"):
        query = timestamp.new_request((dossier / bag.TAG_MANIFEST).read_bytes())
        seals.add_time(dossier, query, Authority(folder / "tsa", "bench").reply(query))
    return dossier


def in_every_file(dossier: Path, trials: int, rng: np.random.Generator) -> None:
    """Flip bits in all files by turns."""
    files = list(bag.look_through(dossier).sizes)
    assert check(dossier).good
    found = named = first = 0
    for trial in range(trials):
        path = files[trial % len(files)]
        at, bit = int(rng.integers((dossier / path).stat().st_size)), int(rng.integers(8))
        flip(dossier / path, at, bit)
        outcome = check(dossier)
        failed = [step for step in outcome.steps if step.state == "fail"]
        found += not outcome.good
        named += path in suspects(outcome)
        first += any(step.files[:1] == (path,) for step in failed)
        if path not in suspects(outcome):
            print(f"NOT NAMED: {path}, bit {bit} of byte {at}: {failed}")
        flip(dossier / path, at, bit)
    print(f"{len(files)} files, {trials} trials: {found} found, {named} named, {first} named first")


def in_a_recording(folder: Path, megabytes: int, rng: np.random.Generator) -> None:
    """Flip bits in a long recording that is only referred to."""
    size = megabytes * 1_000_000
    dossier, _ = make_dossier(make_result(folder, size=size), include=False)
    recording = folder / "goldfinch.mp4"
    named, took = 0, []
    for _ in range(10):
        at = int(rng.integers(size))
        with recording.open("r+b") as file:
            file.seek(at)
            byte = file.read(1)[0]
            file.seek(at)
            file.write(bytes([byte ^ 1 << int(rng.integers(8))]))
        begin = time.perf_counter()
        outcome = check(dossier, recordings=(recording,))
        took.append(time.perf_counter() - begin)
        says = [step.says for step in outcome.steps if step.state == "fail"]
        named += any(f": number {at // PIECE_BYTES + 1} " in text for text in says)
        with recording.open("r+b") as file:
            file.seek(at)
            file.write(bytes([byte]))
    print(f"recording of {megabytes} MB, 10 trials: {named} pieces named, "
          f"{np.median(took):.2f} s a check")  # fmt: skip


def main() -> None:
    """Run both and print what came out."""
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    megabytes = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    rng = np.random.default_rng(20261125)
    with tempfile.TemporaryDirectory() as room:
        in_every_file(sealed(Path(room) / "a"), trials, rng)
        in_a_recording(Path(room) / "b", megabytes, rng)


if __name__ == "__main__":
    main()
