"""The still that was surveyed, with what was found drawn on it."""

from __future__ import annotations

import numpy as np

from vidspin.figures.paper import Sheet, resized, rgb, stretched, tick_marks
from vidspin.figures.style import INK, ORANGE, QUIET, SKY, VERMILION, WIDTH_PX
from vidspin.records import ByteArray, Ellipse, FloatArray, Result, Survey
from vidspin.units import RAD_PER_TURN, degrees_from_rad
from vidspin.wording import MAY_BE, elsewhere, percent, plural

Box = tuple[int, int, int, int]

_LEFT, _TOP, _MARGIN = 70, 92, 24
_TALLEST = 760
_LINE = 28
# Strongest cover of the still by the colour that marks movement.
_MOST_COVER = 0.55
_ELLIPSE_POINTS = 181
_DASHES = 60
_TICKS = 10
_STEPS = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000)


def survey_picture(result: Result) -> bytes:
    """Draw what the survey found: ellipse, edges of the ring and where things moved.

    Parameters
    ----------
    result : Result
        What was measured.

    Returns
    -------
    bytes
        A PNG file, 1200 px wide.  Its axes count stored picture elements, the unit of the
        options that overrule the survey.
    """
    survey = result.survey
    lines = _findings(result)
    sheet, box, zoom = _sheet_for(survey.picture, lines=len(lines) + 1)
    still = _with_activity(survey, box)
    sheet.picture(still, box[0], box[1])
    _axes(sheet, box, survey.picture, stored_scale=survey.scale)
    place = _Place(box, survey.scale * zoom)
    for share, dashed in ((1.0, False), (survey.inner, True), (survey.outer, True)):
        _draw_ellipse(sheet, place, survey.ring, share, dashed=dashed)
    for other in survey.others:
        _draw_ellipse(sheet, place, other, 1.0, dashed=False, of=VERMILION)
    x, y = place(survey.ring.x_px, survey.ring.y_px)
    for arm in ([[x - 9, y], [x + 9, y]], [[x, y - 9], [x, y + 9]]):
        sheet.line(np.array(arm), VERMILION, width=2)
    title = f"{result.footage.name}: what was found in the picture"
    sheet.words((_LEFT, 40), title, size=24, bold=True)
    _key(sheet, 70)
    for row, words in enumerate(lines):
        sheet.words((_LEFT, box[3] + 76 + row * _LINE), words, colour=INK)
    return sheet.png()


def looked_at_picture(
    picture: ByteArray, name: str, *, scale: float = 1.0, found: Ellipse | None = None
) -> bytes:
    """Draw the still in which no top, or no turning mark, was found.

    Parameters
    ----------
    picture : ndarray of uint8, shape (rows, columns)
        The still.
    name : str
        Name of the recording.
    scale : float
        Picture elements of the still a stored picture element.
    found : Ellipse, optional
        Path of a mark that was found and could not be followed, stored px.

    Returns
    -------
    bytes
        A PNG file, 1200 px wide.
    """
    sheet, box, zoom = _sheet_for(picture, lines=2)
    sheet.picture(_scaled(stretched(picture)[0], box), box[0], box[1])
    _axes(sheet, box, picture, stored_scale=scale)
    words = "no spinning top was found here"
    if found is not None:
        _draw_ellipse(sheet, _Place(box, scale * zoom), found, 1.0, dashed=False)
        words = "the mark found on this ellipse could not be followed"
    sheet.words((_LEFT, 40), f"{name}: {words}", size=24, bold=True)
    sheet.words((_LEFT, 70), "one of the frames that were looked at", colour=QUIET)
    top = "If there is a top" if found is None else "If the mark runs elsewhere"
    advice = f"{top}, say where: --centre X,Y --radii A,B (--tilt DEG --marks N)."
    sheet.words((_LEFT, box[3] + 76), advice)
    return sheet.png()


class _Place:
    """Turns stored picture elements into places on the sheet."""

    def __init__(self, box: Box, scale: float) -> None:
        self._box, self._scale = box, scale

    def __call__(self, x_px: float, y_px: float) -> tuple[float, float]:
        return self._box[0] + x_px * self._scale, self._box[1] + y_px * self._scale


def _sheet_for(picture: ByteArray, *, lines: int) -> tuple[Sheet, Box, float]:
    """Make a sheet with a box for the still; also say how much larger it is drawn."""
    rows, columns = picture.shape
    zoom = min((WIDTH_PX - _LEFT - _MARGIN) / columns, _TALLEST / rows)
    box = (_LEFT, _TOP, _LEFT + max(1, round(columns * zoom)), _TOP + max(1, round(rows * zoom)))
    return Sheet(box[3] + 62 + lines * _LINE), box, zoom


def _scaled(pixels: ByteArray, box: Box) -> ByteArray:
    scaled: ByteArray = resized(pixels, box[2] - box[0], box[3] - box[1])
    return scaled


def _with_activity(survey: Survey, box: Box) -> ByteArray:
    """Lay colour over the still where things moved."""
    grey = _scaled(stretched(survey.picture)[0], box)
    activity = np.nan_to_num(survey.activity)
    activity = np.maximum(activity - np.median(activity), 0.0)  # what noise alone does
    strongest = float(np.percentile(activity, 99.7)) if activity.size else 0.0
    if strongest <= 0:
        return grey
    cover = np.clip(activity * (255 * _MOST_COVER / strongest), 0, 255 * _MOST_COVER)
    weight = _scaled(cover.astype(np.uint8), box).astype(np.uint16)[:, :, None]
    colour = np.array(rgb(ORANGE), dtype=np.uint16)
    mixed = (grey[:, :, None].astype(np.uint16) * (255 - weight) + colour * weight) // 255
    return mixed.astype(np.uint8)


def _axes(sheet: Sheet, box: Box, picture: ByteArray, *, stored_scale: float) -> None:
    """Draw numbers along the still that count stored picture elements."""
    sheet.frame(box)
    left, top, right, bottom = box
    longest = max(picture.shape) / stored_scale
    step = next((step for step in _STEPS if longest / step <= _TICKS), _STEPS[-1])
    for across, start, end, count in (
        (True, left, right, picture.shape[1]),
        (False, top, bottom, picture.shape[0]),
    ):
        ticks = list(range(0, int(count / stored_scale) + 1, step))
        unit = (end - start) / (count / stored_scale)
        places = [start + tick * unit for tick in ticks]
        words = [str(tick) for tick in ticks]
        tick_marks(sheet, places, words, edge=bottom if across else left, across=across)
    sheet.words((right, bottom + 46), "stored pixels", colour=QUIET, anchor="rs")


def _draw_ellipse(  # noqa: PLR0913 - what, where, how
    sheet: Sheet, place: _Place, ring: Ellipse, share: float, *, dashed: bool, of: str = SKY
) -> None:
    turn = np.linspace(0, RAD_PER_TURN, _ELLIPSE_POINTS)
    along, across = share * ring.major_px * np.cos(turn), share * ring.minor_px * np.sin(turn)
    cos, sin = np.cos(ring.tilt_rad), np.sin(ring.tilt_rad)
    x, y = place(0.0, 0.0)
    unit = place(1.0, 0.0)[0] - x
    points: FloatArray = np.stack(
        [
            x + unit * (ring.x_px + along * cos - across * sin),
            y + unit * (ring.y_px + along * sin + across * cos),
        ],
        axis=1,
    )
    if not dashed:
        sheet.line(points, of, width=2)
        return
    for dash in np.array_split(points, _DASHES):
        if len(dash) > 1:
            sheet.line(dash, of, width=1)


def _key(sheet: Sheet, y: int) -> None:
    """Explain what is drawn, in the order from certain to broad."""
    x = float(_LEFT)
    entries = (
        ("path of the mark", SKY, 2),
        ("edges of the ring that was read", SKY, 1),
        ("spin axis", VERMILION, 2),
        ("things that moved", ORANGE, 10),
    )
    for words, colour, height in entries:
        for start, end in ((0, 22),) if height != 1 else ((0, 9), (13, 22)):
            top = y - 5 - height // 2
            sheet.fill((int(x) + start, top, int(x) + end, top + height), colour)
        sheet.words((x + 30, y), words, colour=QUIET)
        x += 30 + sheet.words_width(words) + 26


def _findings(result: Result) -> list[str]:
    """Say what was found, as the options that would state the same."""
    survey = result.survey
    ring = survey.ring
    mark = "bright" if survey.bright else "dark"
    given = f"; stated by you: {', '.join(survey.given)}" if survey.given else ""
    lines = [
        f"{plural(survey.marks, f'{mark} mark')}, seen moving on "
        f"{percent(survey.confidence)} of the ring{given}",
        f"to state it by hand: vidspin measure --centre {ring.x_px:.0f},{ring.y_px:.0f} --radii "
        f"{ring.major_px:.0f},{ring.minor_px:.0f} --tilt {degrees_from_rad(ring.tilt_rad):.1f} "
        f"--marks {survey.marks}",
    ]
    if survey.others:
        lines.append(f"red ellipse: another thing turns {elsewhere(survey.others)}; {MAY_BE}")
    turned = {chapter.rotation_deg for chapter in result.footage.chapters} - {0}
    if turned:
        lines.append(f"shown as stored; players turn the picture by {min(turned)}° clockwise")
    return lines
