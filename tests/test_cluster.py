"""A batch on the workers of a scheduler gives the bytes that this machine alone gives."""

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
from night_bytes import whole, without_times
from test_overnight import DOUBLE, write

from vidspin.built import built_version
from vidspin.cli.app import main
from vidspin.cli.batch import Wishes
from vidspin.cli.overnight import run_batch
from vidspin.errors import ExitCode, UsageError
from vidspin.night import book

pytest.importorskip("distributed", reason="the extra vidspin[cluster] is not installed")

START_S = 600  # a full machine is slow, which is not what is tested


def dask(log: Path, *words: str) -> subprocess.Popen[bytes]:
    """A scheduler or worker on loopback, as people start them."""
    with log.open("wb") as target:
        return subprocess.Popen(
            [sys.executable, "-m", "distributed.cli.dask_" + words[0], *words[1:]],
            stdout=target, stderr=target, cwd=log.parent, start_new_session=True,
        )  # fmt: skip


def wait_for(happens: Any) -> Any:
    end = time.monotonic() + START_S
    while not (found := happens()):
        assert time.monotonic() < end, "it did not happen"
        time.sleep(0.1)
    return found


def stop(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(60)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def staffed(folder: Path, count: int) -> tuple[str, list[subprocess.Popen[bytes]]]:
    """A scheduler with so many workers of one thread each: its address, their processes."""
    told = folder / "scheduler.json"
    local = ("--host", "tcp://127.0.0.1", "--no-dashboard")
    started = [
        dask(folder / "scheduler.log", "scheduler", *local, "--port", "0",
             "--scheduler-file", str(told))
    ]  # fmt: skip
    try:
        wait_for(told.exists)
        address: str = json.loads(wait_for(told.read_text))["address"]
        started += [
            dask(folder / f"worker{k}.log", "worker", address, *local, "--nthreads", "1",
                 "--no-nanny", "--local-directory", str(folder))
            for k in range(count)
        ]  # fmt: skip
        wait_for(lambda: workers_of(address) == count)
    except BaseException:
        dismiss(started)
        raise
    return address, started


def dismiss(started: list[subprocess.Popen[bytes]]) -> None:
    for process in reversed(started):
        stop(process)


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a scheduler with two workers of one thread each."""
    address, started = staffed(tmp_path_factory.mktemp("dask"), 2)
    yield address
    dismiss(started)


def workers_of(address: str) -> int:
    code = (
        "import sys; from distributed import Client\n"
        "with Client(sys.argv[1], timeout=300) as c: print(len(c.nthreads()))"
    )
    asked = subprocess.run([sys.executable, "-c", code, address], capture_output=True, check=False)
    return int(asked.stdout or b"0")


# -------------------------------------------------------------------------- the same bytes


def test_two_workers_give_the_same_bytes_as_this_machine(scheduler: str, tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    for k, rpm in enumerate(("420", "650", "800")):
        clip = ["simulate", str(folder / f"a{k}.mp4"), "--rpm", rpm, "--size", "128x96"]
        assert main([*clip, "--seconds", "5", "--quiet"]) == ExitCode.DONE
    (folder / "torn.mp4").write_bytes((folder / "a0.mp4").read_bytes()[:900])
    (folder / "vidspin.toml").write_text("between = [0, 1500]\n", "utf-8")
    here, there = tmp_path / "here", tmp_path / "there"
    common = ["overnight", str(folder), "--quiet", "--out"]
    code = main([*common, str(here), "--jobs", "2"])
    assert code == ExitCode.BATCH_FAILED  # the torn one
    assert main([*common, str(there), "--scheduler", scheduler]) == code
    expected, found = (without_times(whole(out)) for out in (here, there))
    assert found.keys() == expected.keys() and len([n for n in found if "spin.json" in n]) == 3
    assert [name for name in found if found[name] != expected[name]] == []
    log = [json.loads(line) for line in (there / book.LOG).read_text("utf-8").splitlines()]
    assert sum(one["event"] == "ended" for one in log) == 4 + 3


def test_workers_read_what_has_a_url(scheduler: str, tmp_path: Path) -> None:
    folder, out = write(tmp_path / "in", wren="do measure", torn="do refuse"), tmp_path / "out"
    local = tmp_path / "local"
    run_batch(Wishes(folder, local, 2, command=DOUBLE), quiet=True)
    wishes = Wishes(folder, out, 2, command=DOUBLE, scheduler=scheduler, seen_as=f"file://{folder}")
    code, summary = run_batch(wishes, quiet=True)
    assert code == ExitCode.BATCH_FAILED and summary.startswith("2 recordings: 1 measured, 1")
    assert whole(out) == whole(local)
    other = tmp_path / "other"
    run_batch(replace(wishes, out=other, seen_as="file:///nowhere"), quiet=True)
    rows = (other / "overnight.csv").read_text("utf-8")
    assert "its worker cannot read it (FileNotFoundError" in rows and "--seen-as" in rows


# ------------------------------------------------------------------------------ what fails


def test_bad_recordings_cost_only_themselves_there_too(
    scheduler: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write(tmp_path / "in", wren="do measure", empty="", stint="do crash", full="do full")
    out = tmp_path / "out"
    code, _ = run_batch(Wishes(folder, out, 2, command=DOUBLE, scheduler=scheduler), quiet=True)
    assert code == ExitCode.BATCH_FAILED
    told = capsys.readouterr().err.splitlines()
    assert len(told) == 3 and any("crashed (SIGSEGV), twice" in line for line in told)
    assert (out / "wren.spin" / "spin.json").exists()


DRIVER = """
import sys
from pathlib import Path
from vidspin.cli.batch import Wishes
from vidspin.cli.overnight import run_batch
folder, out, double = map(Path, sys.argv[1:4])
run_batch(
    Wishes(folder, out, 2, command=(sys.executable, str(double)), scheduler=sys.argv[4]), quiet=True
)
"""


def test_what_a_killed_client_left_running_ends_and_the_next_run_goes_on(
    scheduler: str, tmp_path: Path
) -> None:
    import psutil

    mark = tmp_path / "began"
    folder = write(tmp_path / "in", slow=f"do hang\nonce {mark}")
    out = tmp_path / "out"
    words = [sys.executable, "-c", DRIVER, str(folder), str(out), DOUBLE[1], scheduler]
    process = subprocess.Popen(words, stderr=subprocess.DEVNULL)
    double = psutil.Process(int(wait_for(lambda: mark.exists() and mark.read_text())))
    assert DOUBLE[1] in double.cmdline()
    process.kill()
    process.wait()
    assert psutil.wait_procs([double], timeout=300)[1] == []
    code, _ = run_batch(Wishes(folder, out, 2, command=DOUBLE, scheduler=scheduler), quiet=True)
    assert code == ExitCode.DONE and (out / "slow.spin").exists()


@pytest.mark.parametrize("gone", ["scheduler", "worker"])
def test_what_was_under_way_when_all_went_away_is_told_and_done_the_next_time(
    tmp_path: Path, gone: str, capsys: pytest.CaptureFixture[str], monkeypatch: Any
) -> None:
    for name, value in {"CONNECT_S": 2.0, "NO_WORKERS_S": 0.5, "COUNT_S": 0.2}.items():
        monkeypatch.setattr(f"vidspin.night.cluster.{name}", value)
    mark = tmp_path / "began"
    folder = write(tmp_path / "in", slow=f"do hang\nonce {mark}")
    address, started = staffed(tmp_path, 1)

    def end() -> None:
        try:
            wait_for(mark.exists)
        finally:  # a batch that waits for work that never began would wait for ever
            started[0 if gone == "scheduler" else 1].kill()

    try:
        Thread(target=end).start()
        wishes = Wishes(folder, tmp_path / "out", 2, command=DOUBLE, scheduler=address)
        code, _ = run_batch(wishes, quiet=True)
    finally:
        dismiss(started)
    assert code == ExitCode.BATCH_FAILED
    told = capsys.readouterr().err.strip()
    assert told.count("\n") == 0 and told.startswith("vidspin: slow.mp4: the scheduler or all of")
    assert run_batch(replace(wishes, scheduler=None), quiet=True)[0] == ExitCode.DONE


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense://x", "127.0.0.1"])
def test_a_scheduler_out_of_reach_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], address: str, monkeypatch: Any
) -> None:
    monkeypatch.setattr("vidspin.night.cluster.CONNECT_S", 1.0)
    folder = write(tmp_path / "in", wren="do measure")
    command = ["overnight", str(folder), "--out", str(tmp_path / "out")]
    assert main([*command, "--scheduler", address]) == ExitCode.USAGE
    told = capsys.readouterr().err.strip()
    assert told.count("\n") == 0 and f"--scheduler {address}: no scheduler answers there" in told
    assert not (tmp_path / "out").exists()


def test_another_version_on_a_worker_is_refused(scheduler: str, monkeypatch: Any) -> None:
    from vidspin.night import cluster

    ours = built_version()
    other = f"{ours.partition('+')[0]}+3f9c2a71d0be"  # of the same version
    monkeypatch.setattr(cluster, "built_version", lambda: other)
    told = re.escape(f"has vidspin {ours}; install vidspin {other} there")
    with pytest.raises(UsageError, match=told):
        cluster.Cluster(scheduler).__enter__()


def test_the_place_of_workers_needs_a_scheduler(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["overnight", str(tmp_path), "--seen-as", "s3://x"]) == ExitCode.USAGE
    assert "--seen-as: only a scheduler's workers need it" in capsys.readouterr().err
