"""The example scripts of the documentation run, and say what they promise."""

from __future__ import annotations

import importlib.util
import json
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from simulated_attempts import Law, spin, write_folder

from vidspin.cli.app import main

EXAMPLES = Path(__file__).parents[1] / "docs" / "examples"
CLIP = Path(__file__).parents[1] / "sample_clips" / "goldfinch_run_down.mp4"


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("examples")
    rng = np.random.default_rng(51)
    for tip, longer in (("ruby", 0.04), ("steel", 0.0)):
        for k in range(4):
            law = Law(0.9, 0.0, 1.2e-3).scaled(np.exp(-np.log1p(longer) - rng.normal(0, 0.003)))
            made = spin(law, rng.normal(1450, 30), rng.normal(320, 10))
            write_folder(made, folder / f"{tip}{k}.spin", rng, facts={"tip": tip})
    return folder


def example(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, EXAMPLES / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_example_is_run_here() -> None:
    text = Path(__file__).read_text("utf-8")
    names = sorted(path.stem for path in EXAMPLES.glob("*.py"))
    assert names and all(f'example("{name}")' in text for name in names)


def test_speeds_and_turns_come_out_again_by_hand(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The recipe of HOW-TO-CHECK.txt, on a clip that the program measured."""
    assert main(["measure", str(CLIP), "--out", str(tmp_path), "--quiet"]) == 0
    folder = tmp_path / f"{CLIP.stem}.spin"
    example("speed_by_hand").main(folder)
    *rows, summed, seen, spun, turned = capsys.readouterr().out.splitlines()
    assert len(rows) > 50 and max(float(row.split()[-1]) for row in rows[1:]) < 0.6
    assert f"{len(rows) - 1} rows, 100% within u95" in summed and " turns from " in seen
    mine, sealed = (float(part.split()[0]) for part in (spun, spun.partition("sealed: ")[2]))
    assert mine == pytest.approx(sealed, abs=0.001)
    mine, sealed = (float(part.split()[0]) for part in (turned, turned.partition("sealed: ")[2]))
    assert mine == pytest.approx(sealed, abs=0.1 * float(turned.split()[-1]))


def test_two_tips_are_compared(results: Path, capsys: pytest.CaptureFixture[str]) -> None:
    example("compare_two_tips").main(str(results))
    told = capsys.readouterr().out
    assert "ruby: 4 starts" in told and "ruby coasts " in told and "longer than steel" in told


def test_law_and_torque_are_told(results: Path, capsys: pytest.CaptureFixture[str]) -> None:
    example("law_and_torque").main(str(results / "ruby0.spin"))
    told = capsys.readouterr().out
    assert "constant + power 3/2" in told and told.count("times a smooth disc") == 40


def test_the_target_and_the_end_are_told(results: Path, capsys: pytest.CaptureFixture[str]) -> None:
    example("what_will_it_take").main(str(results), 62.0)
    first, second = capsys.readouterr().out.splitlines()
    assert first.startswith("62 s: one start in two from 1") and "nan" not in first
    low, high = (float(x) for x in second.split("(")[1].split(")")[0].split(" to "))
    assert low < float(second.split()[-2]) < high


def test_the_ledger_answers(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    example("ask_the_ledger").main(str(results), str(tmp_path / "l.sqlite"))
    told = capsys.readouterr().out.splitlines()
    assert len(told) == 5 and "tip steel" in told[-1]


def test_an_example_runs_as_a_script(results: Path) -> None:
    command = [sys.executable, str(EXAMPLES / "compare_two_tips.py"), str(results)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert "coasts" in done.stdout


def test_the_target_is_told_where_no_attempt_tells_its_speed_at_the_topple(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for path in sorted(results.glob("ruby*.spin")):
        folder = Path(shutil.copytree(path, tmp_path / "results" / path.name))
        document = json.loads((folder / "spin.json").read_text("utf-8"))
        document["topple"] |= {"rpm": None, "u95_rpm": None}
        (folder / "spin.json").write_text(json.dumps(document), "utf-8")
    example("what_will_it_take").main(str(tmp_path / "results"), 62.0)
    assert "expected to fall at" in capsys.readouterr().out
