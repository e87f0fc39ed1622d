"""``vidspin camera learn``: what recordings tell of a phone, kept for the next one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vidspin.cli.common import JsonOption, OverwriteOption, QuietOption
from vidspin.errors import UsageError

if TYPE_CHECKING:
    from vidspin.camera import Lesson
    from vidspin.records import CameraProfile, FootageFacts, Quantity

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    help="Learn a camera from its recordings, for the next one.",
)


@app.callback()
def camera() -> None:
    """Learn a camera from its recordings, for the next one."""


@app.command()
def learn(
    results: Annotated[
        list[Path],
        typer.Argument(
            metavar="RESULT",
            help="Result folders of recordings of one phone and mode.",
            show_default=False,
        ),
    ],
    out: Annotated[
        Path,
        typer.Option("--out", "-o", metavar="FILE", help="Profile to write.", show_default=False),
    ],
    name: Annotated[
        str | None,
        typer.Option(metavar="TEXT", help="What you call this camera and mode [the file's name]."),
    ] = None,
    locked_exposure: Annotated[
        bool,
        typer.Option(
            "--locked-exposure",
            help="You lock the exposure in this mode, so that it holds for the next recording.",
        ),
    ] = False,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    as_json: JsonOption = False,
) -> None:
    """Combine recordings of one phone and mode into a profile.

    The profile is a TOML file with readout, exposure and clock rate, each with its standard
    uncertainty and the recordings it comes from. Full run-downs filmed from release to topple
    tell most: their alias order is sure and their speeds wide apart. Use it with
    vidspin measure --camera FILE.
    """
    from vidspin.camera import learn as combine
    from vidspin.store import read_result
    from vidspin.store.cameras import lesson_of, profile_text, write_profile

    lessons = [lesson_of(read_result(folder), str(folder)) for folder in results]
    _refuse_twins(lessons)
    try:
        profile = combine(lessons, name or out.stem, exposure_fixed=locked_exposure)
    except ValueError as error:
        raise UsageError(
            str(error), where="RESULT", do="give recordings of one phone and mode"
        ) from error
    write_profile(profile_text(profile, lessons), out, overwrite=overwrite)
    if as_json:
        typer.echo(json.dumps(_json(profile, out), ensure_ascii=False, allow_nan=False))
    elif not quiet:
        for line in _lines(profile, lessons, out):
            typer.echo(line)


def _refuse_twins(lessons: list[Lesson]) -> None:
    """One recording twice would count as two."""
    seen: dict[str, str] = {}
    for one in lessons:
        if one.sha256 in seen:
            raise UsageError(
                f"the same recording as {seen[one.sha256]}", where=one.recording, do="give it once"
            )
        seen[one.sha256] = one.recording


def _json(profile: CameraProfile, out: Path) -> dict[str, object]:
    def pair(quantity: Quantity | None) -> dict[str, float] | None:
        return None if quantity is None else {"value": quantity.value, "u": quantity.u}

    return {
        "profile": str(out),
        "readout_s": pair(profile.readout_s),
        "exposure_s": pair(profile.exposure_s),
        "clock_ppm": pair(profile.clock_ppm),
    }


def _lines(profile: CameraProfile, lessons: list[Lesson], out: Path) -> list[str]:
    from vidspin.uncertainty import NORMAL_95
    from vidspin.wording import plural, with_u95

    def words(quantity: Quantity | None, scale: float, unit: str, none: str) -> str:
        if quantity is None:
            return none
        value = with_u95(quantity.value * scale, NORMAL_95 * quantity.u * scale, unit)
        return f"{value}, from {quantity.how}"

    no_clock = "not told: measure with --reference"
    locked = "locked" if profile.exposure_fixed else "follows the light, so only for information"
    return [
        f"{profile.name}: {plural(len(lessons), 'recording')} of {profile.width} × "
        f"{profile.height} px at {float(profile.frame_rate):.6g} frames/s",
        f"  readout    {words(profile.readout_s, 1e3, 'ms', 'not told by these recordings')}",
        f"  exposure   {words(profile.exposure_s, 1e3, 'ms', 'not told')}"
        + (f" ({locked})" if profile.exposure_s else ""),
        f"  clock      {words(profile.clock_ppm, 1.0, 'ppm', no_clock)}",
        f"  file       {out}",
        "",
        "  ± is a 95 % interval.",
    ]


def checked_profile(path: Path, facts: FootageFacts) -> CameraProfile:
    """Read a profile and make sure that it is of a recording's mode.

    Raises
    ------
    UsageError
        When it is not.
    """
    from vidspin.store.cameras import read_profile

    profile = read_profile(path)
    refuse_other_mode(profile, facts, where=str(path), do="leave --camera out")
    return profile


def refuse_other_mode(profile: CameraProfile, facts: FootageFacts, *, where: str, do: str) -> None:
    """Make sure that a profile is of a recording's mode.

    Raises
    ------
    UsageError
        When it is not.
    """
    from vidspin.camera import suits

    first = facts.chapters[0]
    why = suits(profile, first.width, first.height, facts.frame_rate)
    if why is not None:
        raise UsageError(f"not the profile of {facts.name}: {why}", where=where, do=do)
