"""``vidspin rehearse``: judge a short test clip before the attempt."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vidspin import __version__
from vidspin.cli.common import JsonOption, Progress, QuietOption
from vidspin.errors import ExitCode

if TYPE_CHECKING:
    from vidspin.footage.excerpt import Excerpt
    from vidspin.records import Frame, Result
    from vidspin.rehearsal import Judged

LOOKED_AT_S = 30.0
GROUPS, GROUP_FRAMES = 3, 12  # frames that are looked at for light and focus


def rehearse(
    clip: Annotated[
        Path,
        typer.Argument(
            metavar="CLIP", help="Test clip of 10 to 30 s.", show_default=False, readable=False
        ),
    ],
    camera: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Profile made by vidspin camera learn.", show_default=False
        ),
    ] = None,
    quiet: QuietOption = False,
    as_json: JsonOption = False,
) -> int:
    """Judge a short test clip before the attempt.

    Spin the top as for the attempt, film 10 to 30 s with the same settings, and see what to
    change: contrast of the mark, focus, light, smear, flicker, steadiness, room to wander,
    dropped frames, and the uncertainty to expect. Of a longer clip the first 30 s are judged.
    Ends with exit code 0 only when nothing is red, that is when an attempt filmed like this
    would be measurable, and else with 6; 4 when no top or mark is found.
    """
    from vidspin.rehearsal import judge, measurable, sight

    with Progress(clip.name, shown=not quiet) as progress:
        footage, result = _measured(clip, camera, progress)
    full = result.footage.chapters[0].full_range is True
    rows = judge(sight(_frames(footage, result), result.survey, full_range=full), result)
    fit = measurable(rows)
    if as_json:
        typer.echo(json.dumps(_document(rows, result, fit=fit), ensure_ascii=False))
    elif not quiet:
        for line in _lines(rows, result, fit=fit):
            typer.echo(line)
    return ExitCode.DONE if fit else ExitCode.CHECK_FAILED


def _measured(clip: Path, camera: Path | None, progress: Progress) -> tuple[Excerpt, Result]:
    from vidspin.cli.camera import checked_profile
    from vidspin.footage.excerpt import Excerpt
    from vidspin.footage.frames import Recording
    from vidspin.measure import measure
    from vidspin.records import Settings
    from vidspin.store.spool import FileProfiles

    recording = Recording.open([clip])
    profile = None if camera is None else checked_profile(camera, recording.facts)
    footage = Excerpt(recording, LOOKED_AT_S)
    with FileProfiles() as profiles:
        result = measure(
            footage, Settings(camera=profile), version=__version__, created="",
            progress=progress, profiles=profiles,
        )  # fmt: skip
    return footage, result


def _frames(footage: Excerpt, result: Result) -> list[tuple[Frame, ...]]:
    """Frames from the beginning, the middle and the end of the free spin."""
    times = result.curve.residual_time_s
    span = float(times[-1] - times[0])
    places = [times[0] + span * (k + 0.5) / GROUPS for k in range(GROUPS)]
    half = GROUP_FRAMES // 2
    return [footage.around(float(t), before=half, after=half) for t in places]


def _document(rows: tuple[Judged, ...], result: Result, *, fit: bool) -> dict[str, Any]:
    from dataclasses import asdict

    return {
        "recording": result.footage.name,
        "measurable": fit,
        "looked_at_s": min(result.footage.duration_s, LOOKED_AT_S),
        "judged": [asdict(row) for row in rows],
    }


def _lines(rows: tuple[Judged, ...], result: Result, *, fit: bool) -> list[str]:
    head = "an attempt filmed like this would be measurable"
    verdict = head if fit else "not measurable like this: mend what is red"
    lines = [f"{result.footage.name}: {verdict}", ""]
    for row in rows:
        lines.append(f"  {row.light:<6} {row.name:<14} {row.figure}")
        if row.remedy:
            lines.append(f"  {'':<6} {'':<14} -> {row.remedy}")
    return lines
