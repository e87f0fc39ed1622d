"""The stills of a result as picture files."""

from __future__ import annotations

import cv2
import numpy as np

from vidspin.records import ByteArray, Result
from vidspin.stills import stills

JPEG_QUALITY = 88
_QUARTER_TURNS = {90: 3, 180: 2, 270: 1}  # counterclockwise, to turn clockwise by the angle


def draw_stills(result: Result) -> dict[str, bytes]:
    """Encode every still.

    Parameters
    ----------
    result : Result
        What was measured.

    Returns
    -------
    dict of str to bytes
        File name to grey JPEG file, upright as players show them.
    """
    return {still.file: encode_jpeg(upright(result, still.picture)) for still in stills(result)}


def upright(result: Result, picture: ByteArray) -> ByteArray:
    """Turn a stored picture as players do; for pictures on which no angle is drawn."""
    turned = result.footage.chapters[0].rotation_deg if result.footage.chapters else 0
    return np.rot90(picture, _QUARTER_TURNS.get(turned, 0))


def encode_jpeg(picture: ByteArray) -> bytes:
    """Return a grey or BGR picture as a JPEG file."""
    options = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
    done, data = cv2.imencode(".jpg", np.ascontiguousarray(picture), options)
    if not done:
        raise RuntimeError("the picture could not be encoded as JPEG")
    return data.tobytes()
