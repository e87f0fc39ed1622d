"""A sheet to draw pictures, lines and words on, quicker than a plotting library."""

from __future__ import annotations

from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from vidspin.figures.style import INK, PAPER, QUIET, WIDTH_PX
from vidspin.records import ByteArray, FloatArray

# Size of words, px.  In the report on paper a sheet of 1200 px is as wide as the text, 168 mm:
# these are 7.1 pt there, and nothing on a sheet is smaller.
SMALL = 18
_SUBPIXEL_BITS = 3
_DASH = 10  # px, of a dashed frame: as long as the gaps
# Noise of photographs and flat paper: filters treble the time and save nothing.
_PNG_OPTIONS = [cv2.IMWRITE_PNG_COMPRESSION, 1]
if hasattr(cv2, "IMWRITE_PNG_FILTER"):
    _PNG_OPTIONS += [cv2.IMWRITE_PNG_STRATEGY, cv2.IMWRITE_PNG_STRATEGY_DEFAULT]
    _PNG_OPTIONS += [cv2.IMWRITE_PNG_FILTER, cv2.IMWRITE_PNG_FILTER_NONE]
# Room below the darkest and above the lightest tone when contrast is stretched.
_TONE_ROOM = 0.06
_TONE_SAMPLES = 20000  # of each picture


def rgb(colour: str) -> tuple[int, int, int]:
    """Return the three bytes of a colour written as ``#rrggbb``."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


@lru_cache(maxsize=16)
def _font(size: int, *, bold: bool) -> Any:
    """Load the typeface that matplotlib brings along, so that all figures share it."""
    spec = find_spec("matplotlib")  # finds without importing
    for place in (spec.submodule_search_locations or ()) if spec else ():
        name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
        path = Path(place) / "mpl-data" / "fonts" / "ttf" / name
        if path.is_file():
            return ImageFont.truetype(str(path), size)
    return ImageFont.load_default(size)


class Sheet:
    """A white sheet; places are px from its upper left corner.

    Words are collected and set last, so that nothing is drawn over them.
    """

    def __init__(self, height: int, *, width: int = WIDTH_PX) -> None:
        self.pixels: ByteArray = np.full((height, width, 3), rgb(PAPER), dtype=np.uint8)
        self._words: list[tuple[tuple[float, float], str, str, int, bool, str]] = []

    def picture(self, pixels: ByteArray, x: int, y: int) -> None:
        """Lay a picture, grey or RGB, with its upper left corner at a place."""
        colour = pixels if pixels.ndim == 3 else np.repeat(pixels[:, :, None], 3, axis=2)
        self.pixels[y : y + colour.shape[0], x : x + colour.shape[1]] = colour

    def frame(self, box: tuple[int, int, int, int], colour: str = QUIET, *, width: int = 1) -> None:
        """Draw a rectangle around a box (left, top, right, bottom; the ends are outside)."""
        left, top, right, bottom = box
        for inset in range(1, width + 1):
            corner = (left - inset, top - inset), (right + inset - 1, bottom + inset - 1)
            cv2.rectangle(self.pixels, *corner, rgb(colour), 1)

    def dashed_frame(self, box: tuple[int, int, int, int], colour: str, *, width: int) -> None:
        """Draw a rectangle of dashes around a box."""
        left, top, right, bottom = box
        for x in range(left, right, 2 * _DASH):
            for y in (top - width, bottom):
                self.fill((x, y, min(x + _DASH, right), y + width), colour)
        for y in range(top, bottom, 2 * _DASH):
            for x in (left - width, right):
                self.fill((x, y, x + width, min(y + _DASH, bottom)), colour)

    def fill(self, box: tuple[int, int, int, int], colour: str) -> None:
        """Fill a box (left, top, right, bottom)."""
        left, top, right, bottom = box
        self.pixels[top:bottom, left:right] = rgb(colour)

    def line(self, points: FloatArray, colour: str = INK, *, width: int = 1) -> None:
        """Draw a smooth line through points (n, 2)."""
        scaled = np.round(np.asarray(points) * (1 << _SUBPIXEL_BITS)).astype(np.int32)
        cv2.polylines(
            self.pixels, [scaled], False, rgb(colour), width, cv2.LINE_AA, shift=_SUBPIXEL_BITS
        )

    def ring(self, x: float, y: float, radius: float, colour: str, *, width: int = 2) -> None:
        """Draw a small open circle."""
        unit = 1 << _SUBPIXEL_BITS
        cv2.circle(
            self.pixels,
            (round(x * unit), round(y * unit)),
            round(radius * unit),
            rgb(colour),
            width,
            cv2.LINE_AA,
            _SUBPIXEL_BITS,
        )

    def words(  # noqa: PLR0913 - the look of words, each by keyword
        self,
        place: tuple[float, float],
        text: str,
        *,
        colour: str = INK,
        size: int = SMALL,
        bold: bool = False,
        anchor: str = "ls",
    ) -> None:
        """Set words; `anchor` as in Pillow: l m r across, a (top) m s (baseline) down."""
        self._words.append((place, text, colour, size, bold, anchor))

    def words_width(self, text: str, *, size: int = SMALL, bold: bool = False) -> float:
        """Return how wide words will be, px."""
        return float(_font(size, bold=bold).getlength(text))

    def png(self) -> bytes:
        """Set the words and return the sheet as a PNG file."""
        image = Image.fromarray(self.pixels)
        pen = ImageDraw.Draw(image)
        for place, text, colour, size, bold, anchor in self._words:
            pen.text(place, text, fill=colour, font=_font(size, bold=bold), anchor=anchor)
        return encode_png(np.asarray(image))


def encode_png(pixels: ByteArray) -> bytes:
    """Return a grey or RGB picture as a PNG file."""
    stored = pixels[:, :, ::-1] if pixels.ndim == 3 else pixels
    done, data = cv2.imencode(".png", stored, _PNG_OPTIONS)
    if not done:
        raise RuntimeError("the picture could not be encoded as PNG")
    return data.tobytes()


def stretched(*pictures: ByteArray) -> list[ByteArray]:
    """Stretch the contrast of pictures by one common scale, so that dim ones can be read."""
    if not any(picture.size for picture in pictures):
        return list(pictures)
    sparse = [picture.ravel()[:: 1 + picture.size // _TONE_SAMPLES] for picture in pictures]
    low, high = np.percentile(np.concatenate(sparse), (0.5, 99.5))
    low, high = low - _TONE_ROOM * (high - low), high + _TONE_ROOM * (high - low)
    levels = (np.arange(256) - low) * (255.0 / max(high - low, 1.0))
    table = np.clip(levels, 0, 255).astype(np.uint8)
    return [table[picture] for picture in pictures]


def resized(picture: NDArray[Any], width: int, height: int) -> NDArray[Any]:
    """Scale a picture; areas are averaged when it shrinks, cells stay sharp when it grows."""
    shrinks = width < picture.shape[1] or height < picture.shape[0]
    method = cv2.INTER_AREA if shrinks else cv2.INTER_LINEAR
    return cv2.resize(picture, (width, height), interpolation=method)


def tick_marks(
    sheet: Sheet, places: list[float], words: list[str], *, edge: int, across: bool
) -> None:
    """Put ticks with words below a box (`across`) or left of it; words stay on the sheet."""
    for place, word in zip(places, words, strict=True):
        if across:
            sheet.line(np.array([[place, edge], [place, edge + 5]]), QUIET)
            half = 0.5 * sheet.words_width(word)
            middle = max(min(place, sheet.pixels.shape[1] - 2 - half), 2 + half)
            sheet.words((middle, edge + 8), word, colour=QUIET, anchor="ma")
        else:
            sheet.line(np.array([[edge - 6, place], [edge - 1, place]]), QUIET)
            sheet.words((edge - 9, place), word, colour=QUIET, anchor="rm")


__all__ = ["SMALL", "Sheet", "encode_png", "resized", "rgb", "stretched", "tick_marks"]
