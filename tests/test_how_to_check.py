"""What HOW-TO-CHECK.txt says of the tables is what the tables hold."""

import re
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from vidspin.cli.app import main
from vidspin.errors import ExitCode
from vidspin.records import SightingFlag
from vidspin.store.tables import SPEED_COLUMNS

TEXT = resources.files("vidspin.dossier").joinpath("HOW-TO-CHECK.txt").read_text("utf-8")
UNITS = {"s", "rad", "0 to 1", "pixels", "number", "yes/no"}


def part(start: str, end: str) -> str:
    """Text between two beginnings of lines."""
    return TEXT.partition(f"\n{start}")[2].partition(f"\n{end}")[0]


ARRAYS = [
    (name, unit)
    for names, unit in re.findall(
        r"^    (\w+(?:, \w+)*) {2,}(\S+(?: to 1)?) {2,}\S", part("data/result/sightings", "Flags."),
        flags=re.MULTILINE,
    )
    for name in names.split(", ")
]  # fmt: skip
FLAGS = [
    int(n)
    for n in re.findall(r"^    (\d+) {2,}\S", part("Flags.", "What this"), flags=re.MULTILINE)
]


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> dict[str, NDArray[np.generic]]:
    """Arrays of a clip that begins with a hand on the top."""
    path: Path = tmp_path_factory.mktemp("arrays") / "dunlin.mp4"
    told = ["--rpm", "620", "--law", "exponential:25", "--size", "240x180", "--seconds", "7"]
    told += ["--release", "1"]
    assert main(["simulate", str(path), *told, "--quiet"]) == ExitCode.DONE
    assert main(["measure", str(path), "--between", "500", "700", "--quiet"]) == ExitCode.DONE
    with np.load(path.with_suffix(".spin") / "sightings.npz") as archive:
        return {name: archive[name] for name in archive.files}


def test_every_array_that_is_written_is_listed_with_its_unit(
    written: dict[str, NDArray[np.generic]],
) -> None:
    assert [name for name, _ in ARRAYS] == list(written)
    assert {unit for _, unit in ARRAYS} == UNITS


def test_every_array_has_one_entry_for_every_frame(
    written: dict[str, NDArray[np.generic]],
) -> None:
    frames = len(written["time_s"])
    for name, array in written.items():
        assert len(array) == frames
        assert array.ndim == (2 if name == "answer" else 1), name


def test_arrays_are_what_the_list_says(written: dict[str, NDArray[np.generic]]) -> None:
    flags, angle, turned = (
        np.asarray(written[name]) for name in ("flags", "angle_rad", "turned_rad")
    )
    seen, free = np.isfinite(angle), (flags & int(SightingFlag.NOT_SPINNING_FREELY)) == 0
    assert (np.isfinite(written["residual_rad"].astype(float)) == (flags == 0)).all()
    assert (np.isfinite(turned) == (seen & free)).all()
    apart = np.mod(turned[seen & free] - angle[seen & free] + 1.0, 2 * np.pi) - 1.0
    assert np.abs(apart).max() < 1e-9
    assert 0 <= angle[seen].min() and angle[seen].max() < 2 * np.pi
    assert len(set(written["counted"].tolist())) == 1
    assert np.isnan(written["break_s"].astype(float)).all()  # one spin, nothing broke it


def test_every_flag_is_listed_once() -> None:
    assert FLAGS == [int(flag) for flag in SightingFlag if flag]


def test_free_spin_ends_before_what_was_not_followed(
    written: dict[str, NDArray[np.generic]],
) -> None:
    """64 lies only before and after the free spin; 8 and 32 only within."""
    flags = np.asarray(written["flags"])
    free = np.flatnonzero((flags & int(SightingFlag.NOT_SPINNING_FREELY)) == 0)
    assert (np.diff(free) == 1).all()
    assert free[0] > 0  # the hand
    outside = np.delete(flags, free)
    assert not (outside & int(SightingFlag.WEAK | SightingFlag.OUTLIER)).any()


def test_every_column_of_the_speed_table_is_listed() -> None:
    listed = re.findall(
        r"^    (\w+) {2,}\S", part("data/result/speed.csv", "data/result/sight"), flags=re.MULTILINE
    )
    assert tuple(listed) == SPEED_COLUMNS
