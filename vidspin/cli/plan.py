"""``vidspin plan``: what a recording will be worth, before it is filmed."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vidspin.cli.common import (
    FASTEST_RPM,
    JsonOption,
    QuietOption,
    parse_capture_rate,
    parse_instant,
    parse_number,
    parse_ratio,
    parse_size,
)
from vidspin.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from vidspin.plan import Outlook, Plan
    from vidspin.records import CameraProfile

_FASTEST_CAMERA = 1e6  # frames a second


def plan(
    speeds: Annotated[
        tuple[str, str],
        typer.Option(metavar="HIGH LOW", help="First and last speed expected, rev/min."),
    ] = ("2000", "300"),
    lasting: Annotated[
        str, typer.Option(metavar="T", help="Spin time expected, s or h:mm:ss.")
    ] = "0:10:00",
    fps: Annotated[str, typer.Option(metavar="FPS", help="Frames a second.")] = "30",
    exposure: Annotated[
        str | None,
        typer.Option(
            metavar="S", help="Exposure, such as 1/500 s [profile, else 1/500].", show_default=False
        ),
    ] = None,
    readout: Annotated[
        str | None,
        typer.Option(
            metavar="S", help="Rolling-shutter time, s [profile, else 0.015].", show_default=False
        ),
    ] = None,
    size: Annotated[str, typer.Option(metavar="WxH", help="Picture, px.")] = "1920x1080",
    top: Annotated[str, typer.Option(metavar="MM", help="Diameter of the top.")] = "50",
    mark: Annotated[
        str, typer.Option(metavar="MM", help="Width of the mark, along the turn.")
    ] = "4",
    mark_length: Annotated[
        str | None,
        typer.Option(metavar="MM", help="Its length, across [as wide].", show_default=False),
    ] = None,
    marks: Annotated[int, typer.Option(help="Equal marks.", min=1, max=12)] = 1,
    distance: Annotated[str, typer.Option(metavar="MM", help="Camera to top.")] = "350",
    view: Annotated[
        str, typer.Option(metavar="DEG", help="Angle that the picture's width takes in.")
    ] = "65",
    contrast: Annotated[
        str, typer.Option(metavar="GREY", help="Mark against top, grey levels of 256.")
    ] = "80",
    ticks: Annotated[
        str, typer.Option(metavar="N", help="Ticks a second of the file's times: 600 in some.")
    ] = "90000",
    camera: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Profile made by vidspin camera learn.", show_default=False
        ),
    ] = None,
    quiet: QuietOption = False,
    as_json: JsonOption = False,
) -> int:
    """Say what a recording will be worth, before filming.

    Which stand-still speeds will be crossed and when, how long the smear, how exact angle and
    speed, which cues will tell the alias order, how large the file, and what to change. Ends
    with exit code 6 when nothing would tell the alias order.

    Example: vidspin plan --speeds 2200 350 --lasting 0:20:00 --fps 60 --exposure 1/1000
    """
    from vidspin.plan import look_ahead, sentences

    profile = _profile(camera)
    made = _plan(
        profile, speeds, (fps, size), (exposure, readout),
        {"top": top, "mark": mark, "mark-length": mark_length or mark, "distance": distance},
        view=view, marks=marks, lasting=lasting, contrast=contrast, ticks=ticks,
    )  # fmt: skip
    outlook = look_ahead(made)
    if as_json:
        typer.echo(json.dumps(_document(outlook), ensure_ascii=False, allow_nan=False))
    elif not quiet:
        for label, text in sentences(outlook):
            typer.echo(f"  {label:<16} {text}")
    return ExitCode.DONE if outlook.resolves else ExitCode.CHECK_FAILED


def _profile(path: Path | None) -> CameraProfile | None:
    from vidspin.store.cameras import read_profile

    return None if path is None else read_profile(path)


def _plan(  # noqa: PLR0913 - what the command line takes
    profile: CameraProfile | None,
    speeds: tuple[str, str],
    picture: tuple[str, str],
    shutter: tuple[str | None, str | None],
    sizes: dict[str, str],
    *,
    view: str,
    marks: int,
    lasting: str,
    contrast: str,
    ticks: str,
) -> Plan:
    """Read the options and turn millimetres into picture elements."""
    from vidspin.plan import Plan, in_pixels
    from vidspin.units import rad_from_degrees

    high, low = (parse_number(text, "--speeds", low=0.0, above=True) for text in speeds)
    if high > FASTEST_RPM:
        raise UsageError(
            f"{high:g} is out of range", where="--speeds", do=f"give up to {FASTEST_RPM:g} rev/min"
        )
    if high <= low:
        raise UsageError("the first speed is the higher one", where="--speeds", do="swap them")
    width, height = (max(side, 1) for side in parse_size(picture[1]))
    angle = parse_number(view, "--view", low=1.0)
    if angle >= 170:
        raise UsageError("no lens sees that much", where="--view", do="give 40 to 110 degrees")
    mm = {name: parse_number(text, f"--{name}", low=0.0, above=True)
          for name, text in sizes.items()}  # fmt: skip
    px = {name: in_pixels(value, mm["distance"], rad_from_degrees(angle), width)
          for name, value in mm.items() if name != "distance"}  # fmt: skip
    frame_rate = _frame_rate(picture[0])
    exposure_s, readout_s, u_readout = _shutter(profile, frame_rate, *shutter)
    return Plan(
        high_rpm=high, low_rpm=low, spin_time_s=max(parse_instant(lasting, "--lasting"), 1.0),
        frame_rate=frame_rate, exposure_s=exposure_s,
        readout_s=readout_s, width=width, height=height, top_px=px["top"], mark_px=px["mark"],
        mark_length_px=px["mark-length"],
        ring_px=max(px["top"] / 2 - px["mark-length"] / 2, px["top"] / 4), marks=marks,
        contrast=parse_number(contrast, "--contrast", low=0.0, above=True), u_readout_s=u_readout,
        tick_s=1.0 / parse_number(ticks, "--ticks", low=1.0),
    )  # fmt: skip


def _shutter(
    profile: CameraProfile | None, frame_rate: float, exposure: str | None, readout: str | None
) -> tuple[float, float, float | None]:
    """Exposure, readout, and how well the readout is known."""
    exposure_s, readout_s, u = 1 / 500, 0.015, None
    if profile is not None and profile.exposure_s is not None:
        exposure_s = profile.exposure_s.value
    if profile is not None and profile.readout_s is not None:
        readout_s, u = abs(profile.readout_s.value), profile.readout_s.u
    if exposure is not None:
        exposure_s = _exposure(exposure, frame_rate)
    if readout is not None:
        readout_s = abs(parse_number(readout, "--readout"))
    return exposure_s, readout_s, u


def _exposure(text: str, frame_rate: float) -> float:
    value = parse_ratio(text, "--exposure")
    if value <= 0:
        raise UsageError(f"{text!r} is not an exposure", where="--exposure", do="give 1/500")
    if value * frame_rate > 1:  # 500 for 1/500
        raise UsageError(
            f"{value:g} s is longer than a frame at {frame_rate:g} frames/s can be exposed",
            where="--exposure", do="give seconds, such as 1/500",
        )  # fmt: skip
    return value


def _frame_rate(text: str) -> float:
    rate = float(parse_capture_rate(text, "--fps"))
    if not 1.0 <= rate <= _FASTEST_CAMERA:  # each stand-still speed is listed
        raise UsageError(f"{text!r} is out of range", where="--fps", do="give 24 to 960")
    return rate


def _document(outlook: Outlook) -> dict[str, Any]:
    document = asdict(outlook)
    document["cues"] = [
        {"name": name, "tells": tells, "why": why} for name, tells, why in outlook.cues
    ]
    return document | {"resolves": outlook.resolves}
