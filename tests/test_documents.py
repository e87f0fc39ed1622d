"""Files that are read back are taken for what they are, or refused in one line."""

from __future__ import annotations

import io
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import damage
import numpy as np
import pytest
from dossiers import invented

from vidspin.cli import app
from vidspin.documents import check_schema, read_arrays, read_columns, read_json, read_toml
from vidspin.errors import ExitCode, UsageError
from vidspin.store import read_attempt, read_result, write_result

DEEP = 100_000


def archive(**arrays: object) -> bytes:
    out = io.BytesIO()
    np.savez_compressed(out, **arrays)  # type: ignore[arg-type]
    return out.getvalue()


# -------------------------------------------------------------------------------- JSON


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b'{"a": NaN}', "NaN, which is not a number"),
        (b"[1e999]", "1e999 is too large a number"),
        (b"[-1e300]", "-1e300 is too large a number"),
        (b"[" + b"9" * 5000 + b"]", "is too large a number"),
        (str([10**400]).encode(), "is too large a number"),
        (b'{"a": 1, "a": 2}', "a key stands twice"),
        (b"[" * DEEP, "nested too deeply"),
        (b'{"a":' * DEEP, "nested too deeply"),
        ('{"a": 1}'.encode("utf-16"), "can't decode byte"),
        (b"\xef\xbb\xbf{}", "BOM"),
        (b"", "Expecting value"),
    ],
)
def test_what_is_no_strict_json_is_refused_in_a_short_line(text: bytes, words: str) -> None:
    with pytest.raises(ValueError, match=words) as caught:
        read_json(text)
    line = str(caught.value)
    assert line.isprintable() and len(line) < 200


def test_strict_json_is_read() -> None:
    value = {"a": [1, -2.5, 0, 9_007_199_254_740_991, None, True], "ä": "é\u00e9 \\u"}
    assert read_json(json.dumps(value).encode()) == value
    name = "owl\udcff.mp4"  # of a file whose name is not UTF-8
    assert read_json(json.dumps([name]).encode()) == [name]


def test_a_message_of_a_schema_names_the_place_and_stays_short() -> None:
    with pytest.raises(ValueError, match="at the whole: ") as caught:
        check_schema({"schema": "x" * 100_000}, "vidspin/spin/1")
    assert len(str(caught.value)) < 400


# -------------------------------------------------------------------------------- TOML


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"a." * DEEP + b"a = 1\n", "more than 64 dots"),
        (b"a = " + b"[" * DEEP, "nested too deeply"),
        (b"a = " + b"9" * 5000, "digits"),
        (b"a = \xff", "can't decode"),
        (b"a = 1\na = 2\n", "overwrite"),
    ],
)
def test_what_is_no_toml_of_a_person_is_refused(text: bytes, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        read_toml(text)


@pytest.mark.parametrize("coding", ["utf-8-sig", "utf-16", "utf-16-be"])
def test_toml_that_windows_wrote_is_read(coding: str) -> None:
    """PowerShell's > writes UTF-16, Notepad marks UTF-8."""
    text = 'title = "Käfer"\r\nnotes = "\u2028"\r\n'
    mark = "\ufeff" if coding == "utf-16-be" else ""
    assert read_toml((mark + text).encode(coding)) == {"title": "Käfer", "notes": "\u2028"}
    dotted = f"{mark}a{'.a' * 100} = 1\n".encode(coding)
    with pytest.raises(ValueError, match="dots"):
        read_toml(dotted)


def test_toml_is_read() -> None:
    assert read_toml(b'reason = "so ... it was"\n[a.b]\nc = 1.5\n')["a"] == {"b": {"c": 1.5}}


# ------------------------------------------------------------------------------ tables


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a,b\n1," + "x" * 200_000, "field larger"),
        ("a,b\n1,xyz\n", "'xyz' is not a number"),
        ("a,b\n1,nan\n", "'nan' is not a number"),
        ("a,b\n1,1e400\n", "'1e400' is not a number"),
        ("a,b\n1,1e300\n", "'1e300' is not a number"),
        ("a,b\n1,2,3\n", "not of one length"),
        ("a,a\n1,2\n", "two columns have one name"),
        ("", "not enough values"),
    ],
)
def test_what_is_no_table_of_numbers_is_refused(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        read_columns(text.encode())


def test_a_table_is_read_with_its_empty_cells() -> None:
    columns = read_columns(b"time_s,rpm\n0.5,700\n1.5,\n")
    assert columns["time_s"].tolist() == [0.5, 1.5]
    assert columns["rpm"][0] == 700.0 and np.isnan(columns["rpm"][1])
    assert read_columns(b"a,b\n")["b"].shape == (0,)


# ------------------------------------------------------------------------------ arrays


def test_an_archive_that_unpacks_to_gigabytes_is_not_unpacked() -> None:
    random = np.random.default_rng(1)
    _, bomb = damage.bomb(archive(x=np.arange(9.0)), random)
    assert len(bomb) < 8 << 20
    with pytest.raises(ValueError, match="unpacks to far more"):
        read_arrays(bomb)


@pytest.mark.parametrize(
    "array",
    [np.array(["a", "b"]), np.array([1j]), np.array([object()], dtype=object), np.array([1e300])],
    ids=["text", "complex", "objects", "too large"],
)
def test_arrays_of_anything_but_numbers_are_refused(array: object) -> None:
    out = io.BytesIO()
    np.savez(out, a=array, allow_pickle=True)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="number|pickle"):
        read_arrays(out.getvalue())


@pytest.mark.parametrize("at", range(80, 400, 10))
def test_a_damaged_archive_is_refused_whatever_the_unpacker_says(at: int) -> None:
    data = bytearray(archive(a=np.random.default_rng(2).normal(size=200)))
    data[at : at + 8] = bytes(8)
    with pytest.raises(ValueError, match="."):
        read_arrays(bytes(data))


def test_only_wanted_arrays_are_read_and_numbers_too_large_are_none() -> None:
    def archive(**arrays: np.ndarray) -> bytes:
        out = io.BytesIO()
        np.savez_compressed(out, **arrays)
        return out.getvalue()

    data = archive(a=np.array([np.nan, 1.0]), b=np.zeros((0, 3)), c=np.arange(3))
    assert set(read_arrays(data)) == {"a", "b", "c"}
    assert set(read_arrays(data, ("c", "gone"))) == {"c"}
    for wrong in (np.inf, -np.inf, -1e300):
        with pytest.raises(ValueError, match="too large"):
            read_arrays(archive(a=np.array([np.nan, wrong])))
    with pytest.raises(ValueError, match="too large"):
        read_arrays(archive(a=np.array([1, -np.inf], np.float16)))


# ---------------------------------------------------------------------- result folders


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("whole") / "gold.spin"
    write_result(invented("resolved"), {}, folder)
    return folder


def bent_arrays(change: Callable[[dict[str, np.ndarray]], object]) -> Callable[[Path], None]:
    def bend(folder: Path) -> None:
        path = folder / "sightings.npz"
        with np.load(path) as opened:
            arrays = dict(opened)
        change(arrays)
        path.write_bytes(archive(**arrays))

    return bend


def instead(name: str, make: Callable[[Path], object]) -> Callable[[Path], None]:
    def put(folder: Path) -> None:
        (folder / name).unlink()
        make(folder / name)

    return put


DAMAGES: dict[str, tuple[Callable[[Path], None], str]] = {
    "half of the times": (
        bent_arrays(lambda a: a.update(time_s=a["time_s"][::2])), "one entry for each frame",
    ),
    "chapters that are no numbers": (
        bent_arrays(lambda a: a.update(chapter=np.full(len(a["time_s"]), np.nan))), "whole numbers",
    ),
    "no angles": (bent_arrays(lambda a: a.pop("angle_rad")), "it lacks angle_rad"),
    "times that fall": (
        bent_arrays(lambda a: a.update(time_s=a["time_s"][::-1])), "do not rise",
    ),
    "a folder": (instead("sightings.npz", Path.mkdir), "no ordinary file"),
    "a pipe": (instead("sightings.npz", lambda path: os.mkfifo(path)), "no ordinary file"),
    "a device": (instead("speed.csv", lambda p: p.symlink_to("/dev/zero")), "no ordinary file"),
    "a document without end": (
        lambda folder: os.truncate(folder / "spin.json", 1 << 27), "far larger than it can be",
    ),
    "a table of other things": (
        lambda folder: (folder / "speed.csv").write_text("a,b\n1,2\n") and None, "it lacks",
    ),
}  # fmt: skip


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
@pytest.mark.parametrize("name", DAMAGES)
def test_a_damaged_result_is_refused(name: str, whole: Path, tmp_path: Path) -> None:
    folder = tmp_path / "gold.spin"
    shutil.copytree(whole, folder)
    harm, words = DAMAGES[name]
    harm(folder)
    for reader in (read_result, read_attempt):
        with pytest.raises(UsageError, match=words) as caught:
            reader(folder)
        assert len(str(caught.value)) < 500


# ----------------------------------------------------------------------- command lines


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (["plan", "--exposure", "1e999999999"], "is not a number"),
        (["plan", "--speeds", "1e11", "10"], "out of range"),
        (["plan", "--fps", "0.00001"], "out of range"),
        (["plan", "--lasting", "9" * 400], "is no time"),
        (["plan", "--size", "9" * 5000 + "x9"], "is not a size"),
        (["plan", "--top", "1e-300"], "cannot be meant"),
        (["measure", "none.mp4", "--between", "0", "1e9"], "out of range"),
        (["measure", "none.mp4", "--marks", "9" * 5000], "is not a count"),
        (["ledger", "list", "--ledger", "x" * 20_000], "File name too long"),
        (["measure", "none.mp4", "--facts", "/dev/zero"], "too large for facts"),
        (["simulate", "none.mp4", "--law", "table:law.csv"], "cannot be read"),
        (["simulate", "none.mp4", "--law", "table:/dev/zero"], "far too long"),
        (["simulate", "none.mp4", "--law", "exponential:1e400"], "is not a number"),
        (["plan", "--camera", "phone.toml"], "no camera profile"),
    ],
)
def test_a_slip_of_the_finger_is_told_in_one_line(
    command: list[str],
    words: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "law.csv").write_text("0,1\n1," + "9" * 200_000)
    (tmp_path / "phone.toml").write_text("a = " + "[" * DEEP)
    assert app.main(command) == ExitCode.USAGE
    out, err = capsys.readouterr()
    assert out == "" and words in err
    assert err.startswith("vidspin: ") and err.count("\n") == 1 and len(err) < 1000


def test_a_ledger_with_a_text_that_is_none_is_told_in_one_line(
    tmp_path: Path, whole: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ledger = tmp_path / "l.sqlite"
    assert app.main(["ledger", "add", str(whole), "--ledger", str(ledger), "--quiet"]) == 0
    data = ledger.read_bytes()
    assert data.count(b"gold") > 0
    ledger.write_bytes(
        data.replace(b"CREATE TABLE", b"CREATE \xff\xffBLE").replace(b"gold", b"g\xffld")
    )
    capsys.readouterr()
    assert app.main(["ledger", "list", "--ledger", str(ledger)]) == ExitCode.CHECK_FAILED
    err = capsys.readouterr().err
    assert "the ledger is damaged" in err and err.count("\n") == 1


def test_a_paper_that_is_none_is_one_finding_and_nothing_on_the_terminal(
    capfd: pytest.CaptureFixture[str],
) -> None:
    from vidspin.dossier.consistency import in_paper

    found = list(in_paper({}, b"[" * 5000, {}, "0" * 16, "report.pdf"))
    assert len(found) == 1 and "cannot be read" in found[0].says
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("text", [b"[" * DEEP, b"{}", b"\xff", b'{"process": 1e999, "began": 1}'])
def test_a_lock_that_says_nothing_holds_nobody(text: bytes, tmp_path: Path) -> None:
    from vidspin.night.book import LOCK, Lock, Log

    (tmp_path / LOCK).write_bytes(text)
    with Lock(tmp_path):
        pass
    (tmp_path / "log").write_bytes(text + b"\n")
    assert Log(tmp_path / "log", str).broken is None
