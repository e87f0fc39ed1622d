"""How a stored picture is meant to be seen.

Pictures are measured as stored.  Turn, mirror, shape of the picture elements, bit depth and
range are only carried along, for drawing and for the sense of rotation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import cast

import numpy as np
from av.sidedata.sidedata import SideData
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from vidspin.records import Check

_DISPLAY_MATRIX = "DISPLAYMATRIX"
_LIMITED, _FULL = 1, 2  # colour range codes of the decoder library


@dataclass(frozen=True, slots=True)
class PictureFacts:
    """Geometry and value range of the pictures of one file."""

    width: int
    height: int
    rotation_deg: int
    mirrored: bool
    sample_aspect: Fraction
    bit_depth: int
    full_range: bool | None
    checks: tuple[Check, ...]


def picture_facts(picture: VideoFrame, stream: VideoStream) -> PictureFacts:
    """Read what a decoded picture and its stream state about how to see it.

    Parameters
    ----------
    picture : VideoFrame
        Any picture of the stream.
    stream : VideoStream
        Its stream.

    Returns
    -------
    PictureFacts
        A player first mirrors left and right where `mirrored`, then turns clockwise by
        `rotation_deg`.
    """
    angle, mirrored = _turn(_matrix(picture))
    rotation = round(angle / 90.0) * 90 % 360
    checks = []
    if abs((angle - rotation + 180.0) % 360.0 - 180.0) > 1.0:
        checks.append(
            Check(
                "picture turn",
                "fail",
                f"{angle:.1f} degrees",
                "players turn it by something else than a quarter turn; the nearest is taken",
            )
        )
    if picture.interlaced_frame:
        checks.append(
            Check(
                "progressive pictures",
                "fail",
                "interlaced",
                "each picture mixes two instants: speeds from it are not to be trusted",
            )
        )
    name = picture.format.name
    code = picture.color_range
    aspect = stream.sample_aspect_ratio or Fraction(1)
    return PictureFacts(
        width=picture.width,
        height=picture.height,
        rotation_deg=rotation,
        mirrored=mirrored,
        sample_aspect=aspect if aspect > 0 else Fraction(1),
        bit_depth=picture.format.components[0].bits,
        full_range=True
        if code == _FULL or name.startswith("yuvj")
        else (False if code == _LIMITED else None),
        checks=tuple(checks),
    )


def _matrix(picture: VideoFrame) -> tuple[int, int, int, int]:
    """Return a, b, c, d of the display matrix: x' = a x + c y, y' = b x + d y."""
    # By number, for PyAV 18 yields the entries themselves and 19 their kinds.
    entries = cast("Sequence[SideData]", picture.side_data)
    for entry in (entries[number] for number in range(len(entries))):
        if entry.type.name == _DISPLAY_MATRIX and entry.buffer_size >= 36:
            values = np.frombuffer(bytes(entry), np.int32, 9)
            return int(values[0]), int(values[1]), int(values[3]), int(values[4])
    return 1, 0, 0, 1


def _turn(matrix: tuple[int, int, int, int]) -> tuple[float, bool]:
    """Return the clockwise turn in degrees and whether the picture is mirrored first."""
    a, b, c, d = matrix
    # The second column is not touched by a left-right mirror, so it tells the turn alone.
    angle = math.degrees(math.atan2(-c, d)) if c or d else 0.0
    return angle, a * d - b * c < 0
