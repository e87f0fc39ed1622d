"""``vidspin simulate``: a synthetic clip with exact truth beside it."""

from __future__ import annotations

import csv
import io
import json
from enum import StrEnum
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vidspin.cli.common import (
    JsonOption,
    OverwriteOption,
    Progress,
    QuietOption,
    parse_capture_rate,
    parse_pair,
    parse_ratio,
    parse_size,
)
from vidspin.errors import UsageError
from vidspin.units import rad_from_degrees, rad_s_from_rpm

if TYPE_CHECKING:
    from vidspin.simulate import SpeedLaw


class Direction(StrEnum):
    """Sense of rotation as the camera sees it."""

    clockwise = "clockwise"
    counterclockwise = "counterclockwise"


class Mark(StrEnum):
    """What is painted on the top."""

    dot = "dot"
    stripe = "stripe"


def simulate(
    out: Annotated[
        Path, typer.Argument(help="Clip to write: .mp4, .mov or .mkv.", show_default=False)
    ],
    rpm: Annotated[
        float,
        typer.Option(help="Speed at the release, or at the start, rev/min."),
    ] = 2000.0,
    law: Annotated[
        str,
        typer.Option(
            help="How the speed falls: constant; exponential:SECONDS to 1/e; drag:A,B,P for "
            "dw/dt = -(A + B w^P) with w in rad/s; table:FILE.csv with rows of seconds since "
            "the release and rev/min."
        ),
    ] = "exponential:60",
    seconds: Annotated[float, typer.Option(help="Length, seconds of the scene.")] = 10.0,
    direction: Annotated[
        Direction, typer.Option(help="Sense of rotation as seen.")
    ] = Direction.clockwise,
    angle: Annotated[
        float,
        typer.Option(help="Mark angle before the first turn, degrees clockwise from the right."),
    ] = 57.3,
    release: Annotated[
        float | None,
        typer.Option(
            help="A hand spins the top up and leaves it at this second.", show_default=False
        ),
    ] = None,
    topple: Annotated[
        float | None,
        typer.Option(
            help="The rim touches the base at this second, after three to four turns of "
            "growing precession.",
            show_default=False,
        ),
    ] = None,
    wander: Annotated[
        float,
        typer.Option(help="The top drifts on its base by so many pixels."),
    ] = 0.0,
    runout: Annotated[
        float,
        typer.Option(help="The body's middle circles the spin axis at so many pixels."),
    ] = 0.0,
    runout_angle: Annotated[
        float,
        typer.Option(help="Where it lies from the mark, degrees clockwise as seen."),
    ] = 0.0,
    mark: Annotated[Mark, typer.Option(help="What is painted on the top.")] = Mark.dot,
    marks: Annotated[int, typer.Option(help="How many, evenly spaced, 1 to 4.")] = 1,
    contrast: Annotated[
        float,
        typer.Option(help="Grey levels of the mark against the face: negative is dark on bright."),
    ] = -100.0,
    face: Annotated[float, typer.Option(help="Grey level of the face, 16 to 235.")] = 165.0,
    mark_radius: Annotated[
        float,
        typer.Option(help="Mark's distance from the axis, of the face."),
    ] = 0.8,
    mark_size: Annotated[
        float,
        typer.Option(help="Radius of a dot, half the width of a stripe, of the face."),
    ] = 0.075,
    centre: Annotated[
        str | None,
        typer.Option(
            help="Middle of the face in stored pixels: X,Y.", show_default="near the middle"
        ),
    ] = None,
    axes: Annotated[
        str | None,
        typer.Option(
            help="Semi-axes of the face in pixels: MAJOR,MINOR.", show_default="to suit the picture"
        ),
    ] = None,
    highlight: Annotated[
        float,
        typer.Option(help="Strength of the still highlights, 0 to 1."),
    ] = 0.5,
    stem: Annotated[bool, typer.Option(help="Draw the stem.")] = True,
    fps: Annotated[str, typer.Option(help="Frames a second of the scene.")] = "30",
    size: Annotated[str, typer.Option(help="Stored picture: WIDTHxHEIGHT.")] = "640x360",
    exposure: Annotated[str, typer.Option(help="Exposure of a row, seconds.")] = "1/500",
    readout: Annotated[
        float,
        typer.Option(
            help="Rolling-shutter time, seconds; negative when the last row is read first."
        ),
    ] = 0.012,
    noise: Annotated[float, typer.Option(help="Noise, grey levels.")] = 2.0,
    shot_noise: Annotated[
        float,
        typer.Option(help="Shot noise at white, grey levels."),
    ] = 0.0,
    gain: Annotated[float, typer.Option(help="Factor on the light.")] = 1.0,
    flicker: Annotated[
        str | None,
        typer.Option(help="Lamp flicker: HERTZ,DEPTH, such as 100,0.3.", show_default=False),
    ] = None,
    shake: Annotated[float, typer.Option(help="Shake of the camera, pixels.")] = 0.0,
    jitter: Annotated[
        float,
        typer.Option(help="Unevenness of the true frame times, seconds."),
    ] = 0.0,
    stamp_jitter: Annotated[
        float,
        typer.Option(help="Error of the stated frame times, seconds."),
    ] = 0.0,
    pace: Annotated[
        list[str] | None,
        typer.Option(
            metavar="SECOND,FPS",
            help="From this second on so many frames a second, as in dim light; repeat.",
            show_default=False,
        ),
    ] = None,
    dropped: Annotated[float, typer.Option(help="Share of frames that are missing.")] = 0.0,
    ticks: Annotated[int, typer.Option(help="Ticks a second of the stated times.")] = 90000,
    stored_fps: Annotated[
        str | None,
        typer.Option(help="Store at this rate: slow motion, stretched.", show_default=False),
    ] = None,
    capture_tag: Annotated[
        bool,
        typer.Option(help="State the capture rate of slow motion in a tag."),
    ] = True,
    rotation: Annotated[
        int,
        typer.Option(help="Rotation tag, degrees clockwise: 0, 90, 180 or 270."),
    ] = 0,
    bits: Annotated[int, typer.Option(help="Bits a sample, 8 or 10.")] = 8,
    codec: Annotated[
        str | None,
        typer.Option(help="libx264 or libx265.", show_default="libx264, libx265 for 10 bits"),
    ] = None,
    crf: Annotated[int, typer.Option(help="Quality, lower is better.")] = 23,
    preset: Annotated[str, typer.Option(help="Effort of the encoder.")] = "medium",
    gop: Annotated[int, typer.Option(help="Frames from key frame to key frame.")] = 30,
    b_frames: Annotated[int, typer.Option(help="B-frames in a row.")] = 2,
    seed: Annotated[int, typer.Option(help="Of all that is drawn by chance.")] = 0,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    as_json: JsonOption = False,
) -> None:
    """Write a synthetic clip of a spinning top, with its exact truth beside it.

    The truth, NAME.truth.json, holds speed, turned angle at every frame, events and settings.

    Example, a start under a hand:

    vidspin simulate start.mp4 --rpm 1900 --law exponential:40 --release 1.5 --seconds 12
    """
    from vidspin.simulate import Scene
    from vidspin.simulate.encode import Encoding, write_clip

    width, height = parse_size(size)
    hertz, depth = parse_pair(flicker, "--flicker") if flicker else (0.0, 0.0)
    scene = Scene(
        width=width,
        height=height,
        centre_px=parse_pair(centre, "--centre") if centre else None,
        semi_axes_px=parse_pair(axes, "--axes") if axes else None,
        bit_depth=bits,
        rotation_deg=rotation,
        mark=mark.value,
        marks=marks,
        mark_contrast=contrast,
        face_level=face,
        mark_radius=mark_radius,
        mark_size=mark_size,
        highlight=highlight,
        stem=stem,
        speed_rad_s=rad_s_from_rpm(rpm),
        law=_law(law),
        direction=1 if direction is Direction.clockwise else -1,
        first_angle_rad=rad_from_degrees(angle),
        release_s=release,
        topple_s=topple,
        wander_px=wander,
        shake_px=shake,
        runout_px=runout,
        runout_rad=rad_from_degrees(runout_angle),
        seconds=seconds,
        frame_rate=parse_capture_rate(fps, "--fps"),
        paces=tuple(_pace(one) for one in pace or ()),
        stored_rate=parse_capture_rate(stored_fps, "--stored-fps") if stored_fps else None,
        capture_tag=capture_tag,
        exposure_s=parse_ratio(exposure, "--exposure"),
        readout_s=readout,
        jitter_s=jitter,
        stamp_jitter_s=stamp_jitter,
        time_base=Fraction(1, max(ticks, 1)),
        dropped=dropped,
        noise=noise,
        shot_noise=shot_noise,
        gain=gain,
        flicker_hz=hertz,
        flicker_depth=depth,
        seed=seed,
    )
    how = Encoding(codec=codec, crf=crf, preset=preset, gop=gop, b_frames=b_frames)
    with Progress(out.name, shown=not quiet) as bar:
        progress = partial(bar, "drawing")
        written = write_clip(scene, out, how, overwrite=overwrite, progress=progress)
    if as_json:
        paths = {"clip": str(written.clip), "truth": str(written.truth)}
        typer.echo(json.dumps(paths | {"frames": written.frames}))
    elif not quiet:
        typer.echo(f"clip   {written.clip} ({written.frames} frames)")
        typer.echo(f"truth  {written.truth}")


def _pace(text: str) -> tuple[float, Fraction]:
    """Read the option ``--pace``."""
    second, _, rate = text.partition(",")
    return parse_ratio(second, "--pace"), parse_capture_rate(rate, "--pace")


def _law(text: str) -> SpeedLaw:
    """Read the option ``--law``."""
    from vidspin.simulate import ConstantSpeed, DragLoss, ExponentialLoss

    kind, _, rest = text.partition(":")
    if kind == "table" and rest:
        return _table(Path(rest))
    values = [parse_ratio(part, "--law") for part in rest.split(",") if part.strip()]
    if kind == "constant" and not values:
        return ConstantSpeed()
    if kind == "exponential" and len(values) == 1 and values[0] > 0:
        return ExponentialLoss(values[0])
    if kind == "drag" and len(values) in (2, 3) and min(values) >= 0:
        return DragLoss(*values)
    raise UsageError(
        f"not a speed law: {text!r}",
        where="--law",
        do="write constant, exponential:60, drag:0.5,0.0003,1.5 or table:FILE.csv",
    )


_LONGEST_TABLE = 1 << 24  # bytes


def _table(path: Path) -> SpeedLaw:
    """Read rows of seconds and rev/min; a heading is skipped."""
    from vidspin.simulate import SpeedTable

    try:
        with path.open("rb") as file:  # a device does not tell that it has no end
            data = file.read(_LONGEST_TABLE + 1)
        if len(data) > _LONGEST_TABLE:
            raise UsageError("far too long", where=str(path), do="give a table of speeds")
        rows = [row for row in csv.reader(io.StringIO(data.decode("utf-8"), newline="")) if row]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise UsageError(f"cannot be read ({error})", where=str(path), do="check it") from None
    if rows and not rows[0][0].strip().lstrip("+-.").replace(".", "").isdigit():
        rows = rows[1:]
    if any(len(row) < 2 for row in rows):
        raise UsageError("a row without a speed", where=str(path), do="write seconds,rev/min")
    times = tuple(parse_ratio(row[0], str(path)) for row in rows)
    return SpeedTable(times, tuple(rad_s_from_rpm(parse_ratio(row[1], str(path))) for row in rows))
