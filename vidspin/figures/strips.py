"""Pictures of the frames around an event, with the time under each."""

from __future__ import annotations

import math

from vidspin.figures.paper import Sheet, resized, stretched
from vidspin.figures.stills import upright
from vidspin.figures.style import EVENT_COLOURS, FAINT, QUIET, WIDTH_PX, clock_text, recording_span
from vidspin.records import Event, Result, Strip
from vidspin.wording import apart_from, side_of

ENDS = ("release", "topple")
_MARGIN, _GAP = 28, 18
_MOST_ACROSS = 5
_HEAD, _CAPTION = 96, 66
_TALLEST = 420
_BORDER = 4
_CAPTION_U_S = 0.01  # so that captions have three decimals: a frame is milliseconds long


def event_strips(result: Result) -> dict[str, bytes]:
    """Draw the strip of each event that has pictures.

    Parameters
    ----------
    result : Result
        What was measured.

    Returns
    -------
    dict of str to bytes
        File name to PNG file: ``release.png``, ``topple.png``, ``touch.png``,
        ``touch-2.png`` and so on; 1200 px wide.
    """
    drawn: dict[str, bytes] = {}
    touches = iter(result.touches)
    events = {"release": result.release, "topple": result.topple}
    for strip in result.strips:
        if not strip.pictures:
            continue
        event = next(touches, None) if strip.kind == "touch" else events.get(strip.kind)
        alike = sum(name.startswith(strip.kind) for name in drawn)
        name = f"{strip.kind}-{alike + 1}.png" if alike else f"{strip.kind}.png"
        drawn[name] = _draw_strip(result, strip, event)
    return drawn


def _draw_strip(result: Result, strip: Strip, event: Event | None) -> bytes:
    rows = math.ceil(len(strip.pictures) / _MOST_ACROSS)
    across = math.ceil(len(strip.pictures) / rows)
    pictures = [upright(result, picture) for picture in strip.pictures]
    shape = pictures[0].shape
    room = (WIDTH_PX - 2 * _MARGIN - (across - 1) * _GAP) / across
    scale = min(room / shape[1], _TALLEST / shape[0])
    width, height = max(1, round(shape[1] * scale)), max(1, round(shape[0] * scale))
    sheet = Sheet(_HEAD + rows * (height + _CAPTION) + 8)
    _heading(sheet, result, strip, event)
    end_s = recording_span(result)[1]
    for index, picture in enumerate(stretched(*pictures)):
        x = _MARGIN + (index % across) * (width + _GAP)
        y = _HEAD + (index // across) * (height + _CAPTION)
        time_s = float(strip.time_s[index])
        sheet.picture(resized(picture, width, height), x, y)
        side = "before" if event is None else side_of(time_s - event.time_s, event.u95_s)
        _framed(sheet, (x, y, x + width, y + height), strip.kind, side)
        middle = x + width / 2
        when = clock_text(time_s, end_s, _CAPTION_U_S)
        sheet.words((middle, y + height + 26), when, bold=True, anchor="ms")
        if event is not None:
            words = apart_from(time_s - event.time_s, event.u95_s)
            sheet.words((middle, y + height + 49), words, colour=QUIET, anchor="ms")
    return sheet.png()


def _framed(sheet: Sheet, box: tuple[int, int, int, int], kind: str, side: str) -> None:
    """Frame a picture by its side of the event: what is within its ± may show either."""
    colour = EVENT_COLOURS.get(kind, QUIET)
    if side == "within":
        sheet.dashed_frame(box, colour, width=_BORDER)
    else:
        sheet.frame(box, colour if side == "after" else FAINT, width=_BORDER)


def _heading(sheet: Sheet, result: Result, strip: Strip, event: Event | None) -> None:
    name = f"{result.footage.name}: frames around the {strip.kind}"
    sheet.words((_MARGIN, 38), name, size=22, bold=True)
    if event is None:
        told = "where a person should look" if strip.kind not in ENDS else "no instant was found"
        sheet.words((_MARGIN, 66), told, colour=QUIET)
        return
    when = clock_text(event.time_s, recording_span(result)[1], event.u95_s)
    words = f"{strip.kind} at {when} ± {event.u95_s:.2g} s"
    words += f": {event.how}" if event.how else ""
    if event.measured_s is not None:
        words += f"; stated by a person, measured {event.measured_s:.3f} s"
    sheet.words((_MARGIN, 66), words, colour=QUIET)
    key = f"framed in colour: after the {strip.kind}; dashed: within its ±"
    colour = EVENT_COLOURS.get(strip.kind, QUIET)
    sheet.words((WIDTH_PX - _MARGIN, 38), key, colour=colour, anchor="rs")
