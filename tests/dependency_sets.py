"""Does vidspin work with the oldest and with the newest libraries that it declares?

    python tests/dependency_sets.py oldest
    python tests/dependency_sets.py newest --python python3.13 --coverage

Builds the wheel; installs it into an empty environment, from wheels only, as on a machine without
compilers; runs ``vidspin doctor`` and measures the sample clip from another folder; adds the test
libraries and runs the whole suite against what is installed. The last lines are the rows for the
table in DEVELOPERS.md. Run by hand, not collected: the suite takes minutes for every set.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SAMPLE = ROOT / "sample_clips" / "goldfinch_run_down.mp4"
REQUIREMENT = re.compile(r"^(?P<name>[A-Za-z0-9-]+)(?:>=(?P<bound>[0-9.]+))?$")
COVERAGE_FILE = "coverage.json"


def lower_bounds(*, extras: tuple[str, ...] = ()) -> dict[str, str | None]:
    """Name and lower bound of every dependency, those of the extras included."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    lines = list(project["dependencies"])
    for extra in extras:
        lines += project["optional-dependencies"][extra]
    found = {}
    for line in lines:
        match = REQUIREMENT.match(line)
        assert match, f"not NAME>=VERSION: {line}"
        found[match["name"]] = match["bound"]
    return found


def constraints(bounds: dict[str, str | None]) -> str:
    """What pip is told so that it takes the oldest: one exact version a line."""
    return "".join(f"{name}=={bound}\n" for name, bound in bounds.items() if bound)


def main() -> int:
    """Run one set; the exit code is that of the first step that failed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("set", choices=["oldest", "newest"])
    parser.add_argument("--python", default=sys.executable, help="interpreter to try")
    parser.add_argument("--no-suite", action="store_true", help="only the wheel, not the tests")
    parser.add_argument("--coverage", action="store_true", help="count lines and branches as well")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="vidspin-set-") as name:
        _copy_tree(Path(name) / "tree")
        return _run_set(Path(name), options)


def _copy_tree(place: Path) -> None:
    """Copy what git knows or would take up, so that editing goes on beside a run of minutes."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    for path in filter(None, listed.stdout.split("\0")):
        if (ROOT / path).is_file():
            (place / path).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / path, place / path)


def _run_set(room: Path, options: argparse.Namespace) -> int:
    extras = () if options.no_suite else ("test",)
    bounds = lower_bounds(extras=extras)
    pip_options = ["--disable-pip-version-check", "-q"]
    if options.set == "oldest":
        (room / "constraints.txt").write_text(constraints(bounds), "utf-8")
        pip_options += ["-c", str(room / "constraints.txt")]
    _tell("building the wheel")
    _call([sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(room),
           str(room / "tree")])  # fmt: skip
    [wheel] = room.glob("vidspin-*-py3-none-any.whl")
    _call([options.python, "-m", "venv", str(room / "env")])
    python = str(room / "env" / "bin" / "python")
    _tell("installing it, from wheels only")
    install = [python, "-m", "pip", "install", *pip_options]
    _call([*install, "--only-binary", ":all:", str(wheel)])
    _call([python, "-m", "pip", "check"])
    _use_it(room)
    outcome = "not run"
    code = 0
    if not options.no_suite:
        _tell("running the suite")
        extra = ["coverage>=7.10"] if options.coverage else []
        _call([*install, f"{wheel}[test]", *extra])
        # Old libraries call newer ones in ways that those have given up since; warnings of it
        # are none of ours. In the newest set every warning is an error, as ever.
        more = ["-W", "default::DeprecationWarning"] if options.set == "oldest" else []
        code, outcome = _suite(room, more, coverage=options.coverage)
    _report(options.set, python, outcome, list(lower_bounds()))
    return code


def _use_it(room: Path) -> None:
    """Doctor and a measurement, from a folder that is not the work tree, as a user has it."""
    elsewhere = room / "elsewhere"
    elsewhere.mkdir()
    shutil.copy(SAMPLE, elsewhere)
    vidspin = str(room / "env" / "bin" / "vidspin")
    # nothing of the caller's environment: neither PYTHONPATH nor a compiler may help
    bare = {"PATH": str(room / "env" / "bin"), "HOME": str(elsewhere)}
    _tell("vidspin doctor")
    _call([vidspin, "doctor"], cwd=elsewhere, env=bare)
    _tell("vidspin measure")
    _call([vidspin, "measure", SAMPLE.name], cwd=elsewhere, env=bare)
    document = json.loads((elsewhere / f"{SAMPLE.stem}.spin" / "spin.json").read_text("utf-8"))
    truth = json.loads(SAMPLE.with_suffix(".truth.json").read_text("utf-8"))
    frame_s = float(1 / Fraction(document["recording"]["frame_rate"]))
    for event in ("release", "topple"):
        found, true_s = document[event], truth[f"{event}_s"]
        assert abs(found["time_s"] - true_s) <= found["u95_s"] + frame_s, (event, found, true_s)


def _suite(room: Path, more: list[str], *, coverage: bool) -> tuple[int, str]:
    """Run every test against what is installed; its exit code and its last line."""
    python = str(room / "env" / "bin" / "python")
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    environment["COVERAGE_FILE"] = str(room / ".coverage")
    counter = ["-m", "coverage", "run"] if coverage else []
    # -P: the work tree must not hide the installed package; the processes of -n take the path over
    test = ["-m", "pytest", "-q", "-n", "auto", "-p", "no:cacheprovider"]
    command = [python, "-P", *counter, *test, *more]
    last = ""
    with subprocess.Popen(
        command, cwd=room / "tree", env=environment, stdout=subprocess.PIPE, text=True
    ) as suite:
        assert suite.stdout is not None
        for line in suite.stdout:
            print(line, end="", flush=True)
            last = line.strip(" =\n") or last
    if coverage:
        tool = [python, "-P", "-m", "coverage"]
        for step in (["combine", "-q"], ["report"],
                     ["json", "-q", "-o", str(Path.cwd() / COVERAGE_FILE)]):  # fmt: skip
            _call([*tool, *step], cwd=room / "tree", env=environment, check=False)
    return suite.returncode, last


def _report(name: str, python: str, outcome: str, packages: list[str]) -> None:
    listed = json.loads(
        subprocess.run(
            [python, "-m", "pip", "list", "--format=json"], capture_output=True, check=True
        ).stdout
    )
    versions = {entry["name"].lower(): entry["version"] for entry in listed}
    release = subprocess.run([python, "-V"], capture_output=True, text=True, check=True).stdout
    print(f"| {name} | {release.split()[1]} | {datetime.now(UTC):%Y-%m-%d} | {outcome} |")
    for package in packages:
        print(f"| `{package}` | {versions[package]} |")


def _tell(what: str) -> None:
    print(f"== {what}", flush=True)


def _call(
    command: list[str],
    *,
    cwd: Path | None = None,
    env: dict[str, str] | None = None,
    check: bool = True,
) -> None:
    subprocess.run(command, cwd=cwd, env=env, check=check)


if __name__ == "__main__":
    sys.exit(main())
