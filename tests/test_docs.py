"""What README and DEVELOPERS.md say is what the program does."""

import re
import subprocess
import tomllib
from pathlib import Path
from typing import Any

import pytest
import typer

import vidspin
from vidspin.cli import app
from vidspin.errors import ExitCode

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
SETUP = re.findall(r"^    (python3 -m venv .*)$", README, flags=re.MULTILINE)


def walk(command: Any, name: str) -> list[tuple[str, Any]]:
    """Every command below one, with the words that call it."""
    if hasattr(command, "list_commands"):
        context = command.make_context(name, [], resilient_parsing=True)
        return [
            found
            for word in command.list_commands(context)
            for found in walk(command.get_command(context, word), f"{name} {word}")
        ]
    return [(name, command)]


COMMANDS = walk(typer.main.get_command(app.app), "vidspin")
IDS = [name for name, _ in COMMANDS]


def section(title: str) -> str:
    return README.partition(f"\n## {title}\n")[2].partition("\n## ")[0]


# ---------------------------------------------------------------------------- README


def test_readme_has_two_set_up_commands() -> None:
    main_job, tests = SETUP
    assert ".venv/bin/pip install ." in main_job
    assert main_job.endswith(".venv/bin/vidspin measure sample_clips/goldfinch_run_down.mp4")
    assert tests.endswith(".venv/bin/pip install '.[test]' && .venv/bin/pytest -n auto")


def test_the_clip_of_the_first_command_is_there() -> None:
    assert (ROOT / SETUP[0].split()[-1]).is_file()


def test_ci_runs_the_readme_s_test_command() -> None:
    script = (ROOT / ".ci" / "run").read_text("utf-8")
    assert f'readme_test_command="{SETUP[1]}"' in script
    assert 'bash -c "$readme_test_command"' in script


def test_ci_script_is_sound_shell() -> None:
    subprocess.run(["bash", "-n", str(ROOT / ".ci" / "run")], check=True)
    assert (ROOT / ".ci" / "run").stat().st_mode & 0o111


def test_readme_lists_every_exit_code() -> None:
    listed = re.findall(r"^\| (\d+) \| (.+) \|$", section("Exit codes"), flags=re.MULTILINE)
    assert [int(code) for code, _ in listed] == sorted(int(code) for code in ExitCode)


def test_the_checks_of_commands_see_every_command() -> None:
    assert {name.split()[1] for name in IDS} == set(app.COMMANDS)


def test_readme_lists_no_command_that_is_not_there() -> None:
    listed = re.findall(r"^\| `vidspin (\w+)", section("Commands"), flags=re.MULTILINE)
    assert listed and set(listed) <= set(app.COMMANDS)


@pytest.mark.parametrize("name", IDS)
def test_readme_lists_every_command(name: str) -> None:
    assert re.search(rf"^\| `{name}[ `]", section("Commands"), flags=re.MULTILINE)


# ------------------------------------------------------------------------------ help


@pytest.mark.parametrize(("name", "command"), COMMANDS, ids=IDS)
def test_every_command_and_option_has_help(name: str, command: Any) -> None:
    assert command.help, f"{name} says nothing of itself"
    for parameter in command.params:
        assert getattr(parameter, "help", None), f"{name}: {parameter.name} has no help"


@pytest.mark.parametrize(("name", "command"), COMMANDS, ids=IDS)
def test_every_command_takes_quiet_and_json(name: str, command: Any) -> None:
    options = {option for parameter in command.params for option in parameter.opts}
    assert {"--quiet", "--json"} <= options


# -------------------------------------------------------------------------- packaging


def test_version_is_one() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert vidspin.__version__ == project["version"]


def test_changelog_has_an_unreleased_part() -> None:
    assert "\n## Unreleased\n" in (ROOT / "docs" / "changelog.md").read_text("utf-8")


def test_every_decision_names_options_choice_and_price() -> None:
    pages = sorted((ROOT / "docs" / "decisions").glob("*.md"))
    assert pages
    for number, page in enumerate(pages, start=1):
        text = page.read_text("utf-8")
        assert page.name.startswith(f"{number:04d}-")
        assert all(f"**{word}" in text for word in ("Question.", "Options", "Choice.", "Price."))


def test_links_between_pages_lead_somewhere() -> None:
    for page in (ROOT / "README.md", ROOT / "DEVELOPERS.md"):
        for target in re.findall(
            r"`((?:docs|sample_clips|tests)/[\w./-]+)`", page.read_text("utf-8")
        ):
            assert (ROOT / target).exists(), f"{page.name} names {target}"
