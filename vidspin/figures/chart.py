"""The spin chart: the ring around the spin axis, unrolled, against time."""

from __future__ import annotations

import numpy as np

from vidspin.figures.paper import Sheet, resized, stretched, tick_marks
from vidspin.figures.style import (
    EVENT_COLOURS,
    INK,
    ORANGE,
    QUIET,
    VERMILION,
    clock_text,
    facts_line,
    recording_span,
    seen_events,
    time_ticks,
)
from vidspin.records import ByteArray, FloatArray, IntArray, Result
from vidspin.units import RAD_PER_TURN

Box = tuple[int, int, int, int]

_BETWEEN = " · "  # the facts of `facts_line`
_LINE = 23

_LEFT, _RIGHT = 84, 1176
_WHOLE = (150, 470)  # top and bottom of the picture of the whole recording
_ZOOM_HEIGHT, _ZOOM_DISTANCE = 200, 100
_FOOT = 58
# Paper colour of stretches without a picture: unlike any grey of a ring that is seen.
_NOTHING = (214, 226, 236)
_STRETCH_U_S = 0.1  # so that two decimals are written
_ANGLES_DEG = (0, 90, 180, 270, 360)


def spin_chart(result: Result) -> bytes:
    """Draw the ring against time: the whole recording, then stretches with the fit on them.

    Parameters
    ----------
    result : Result
        What was measured.

    Returns
    -------
    bytes
        A PNG file, 1200 px wide.

    Notes
    -----
    Each column of a picture is the ring at one instant.  What stands still is a level line, a
    mark a sloping one; circles show where the fit says that the marks were seen.  This holds
    for every alias order, so the chart claims no speed.
    """
    chart = result.chart
    zooms = [i for i, zoom in enumerate(chart.zooms) if zoom.size]
    bottom = _WHOLE[1] + len(zooms) * (_ZOOM_HEIGHT + _ZOOM_DISTANCE) + _FOOT
    sheet = Sheet(bottom)
    sheet.words((_LEFT, 40), f"{result.footage.name}: the ring against time", size=24, bold=True)
    note = (
        "Each column is the ring at one instant: marks draw sloping lines, still things level ones."
    )
    for row, words in enumerate([*_facts_lines(sheet, result), note]):
        sheet.words((_LEFT, 66 + row * _LINE), words, colour=QUIET)
    box = (_LEFT, _WHOLE[0], _RIGHT, _WHOLE[1])
    span = recording_span(result)
    _picture_over_time(sheet, box, chart.whole, chart.whole_time_s, span)
    _mark_events(sheet, box, result, span)
    for row, index in enumerate(zooms):
        top = _WHOLE[1] + row * (_ZOOM_HEIGHT + _ZOOM_DISTANCE) + _ZOOM_DISTANCE
        _mark_extent(sheet, box, chart.zoom_time_s[index], span, name=str(row + 1))
        zoom_box = (_LEFT, top, _RIGHT, top + _ZOOM_HEIGHT)
        _zoom(sheet, zoom_box, result, index, name=str(row + 1))
    return sheet.png()


def _facts_lines(sheet: Sheet, result: Result) -> list[str]:
    """Set the line of facts in two where it is too long for the sheet."""
    line = facts_line(result)
    if sheet.words_width(line) <= _RIGHT - _LEFT:
        return [line]
    parts = line.split(_BETWEEN)
    half = (len(parts) + 1) // 2
    return [_BETWEEN.join(parts[:half]), _BETWEEN.join(parts[half:])]


def _picture_over_time(
    sheet: Sheet,
    box: Box,
    picture: ByteArray,
    time_s: FloatArray,
    span: tuple[float, float],
) -> None:
    """Lay a picture (columns over time, angles) into a box; gaps in time stay empty."""
    left, top, right, bottom = box
    width, height = right - left, bottom - top
    sheet.frame(box)
    if picture.size:
        grey = stretched(picture)[0]
        columns, known = _columns(time_s, span, width)
        upright = resized(_averaged(grey, columns, known), width, height)[::-1]
        colour = np.repeat(upright[:, :, None], 3, axis=2)
        colour[:, ~known] = _NOTHING
        sheet.picture(colour, left, top)
    ticks, words, title = time_ticks(*span, most=9)
    scale = width / (span[1] - span[0])
    places = [left + (tick - span[0]) * scale for tick in ticks.tolist()]
    tick_marks(sheet, places, words, edge=bottom, across=True)
    sheet.words(((left + right) / 2, bottom + 49), title, anchor="ms")
    heights = [bottom - 1 - height * degrees / 360 for degrees in _ANGLES_DEG]
    tick_marks(sheet, heights, [f"{d}°" for d in _ANGLES_DEG], edge=left, across=False)


def _columns(
    time_s: FloatArray, span: tuple[float, float], width: int
) -> tuple[IntArray, np.ndarray]:
    """For each px across, the nearest column of a picture, and whether it is near enough."""
    middles = span[0] + (np.arange(width) + 0.5) * (span[1] - span[0]) / width
    right = np.clip(np.searchsorted(time_s, middles), 1, max(len(time_s) - 1, 1))
    left = right - 1
    right = np.minimum(right, len(time_s) - 1)
    nearest = np.where(middles - time_s[left] <= time_s[right] - middles, left, right)
    step = float(np.median(np.diff(time_s))) if len(time_s) > 1 else span[1] - span[0]
    reach = 0.75 * max(step, (span[1] - span[0]) / width)
    return nearest.astype(np.int64), np.abs(middles - time_s[nearest]) <= reach


def _averaged(grey: ByteArray, columns: IntArray, known: np.ndarray) -> ByteArray:
    """Bring a picture (columns, angles) to one column a px: (angles, width)."""
    dense = len(grey) > 1.5 * len(columns) and bool(known.all())
    if dense:
        averaged: ByteArray = resized(grey.T, len(columns), grey.shape[1])
        return averaged
    return np.ascontiguousarray(grey[columns].T)


def _mark_events(sheet: Sheet, box: Box, result: Result, span: tuple[float, float]) -> None:
    left, top, right, bottom = box
    free_from = float(left)
    for event in seen_events(result):
        x = left + (event.time_s - span[0]) / (span[1] - span[0]) * (right - left)
        colour = EVENT_COLOURS.get(event.kind, QUIET)
        sheet.line(np.array([[x, top - 6], [x, bottom]]), colour, width=2)
        words = f"{event.kind} {clock_text(event.time_s, span[1], event.u95_s)}"
        width = sheet.words_width(words)
        start = min(max(x - 4, free_from), right - width)
        if start >= free_from:
            sheet.words((start, top - 10), words)
            free_from = start + width + 14


def _mark_extent(
    sheet: Sheet, box: Box, time_s: FloatArray, span: tuple[float, float], *, name: str
) -> None:
    """Bracket on the whole recording what a zoom shows."""
    left, top, right, _ = box
    scale = (right - left) / (span[1] - span[0])
    start = left + (float(time_s[0]) - span[0]) * scale
    end = max(left + (float(time_s[-1]) - span[0]) * scale, start + 3)
    bracket = np.array([[start, top + 9], [start, top + 3], [end, top + 3], [end, top + 9]])
    sheet.line(bracket, ORANGE, width=2)
    middle = (start + end) / 2
    sheet.fill((int(middle) - 10, top + 8, int(middle) + 11, top + 30), ORANGE)
    sheet.words((middle + 0.5, top + 19), name, colour=INK, bold=True, anchor="mm")


def _zoom(sheet: Sheet, box: Box, result: Result, index: int, *, name: str) -> None:
    """Draw one stretch frame by frame and circle where the fit sees the marks."""
    left, top, right, bottom = box
    time_s = result.chart.zoom_time_s[index]
    step = float(np.median(np.diff(time_s))) if len(time_s) > 1 else 1.0
    span = (float(time_s[0]) - step / 2, float(time_s[-1]) + step / 2)
    _picture_over_time(sheet, box, result.chart.zooms[index], time_s, span)
    seen = result.chart.zoom_seen_rad[index]
    scale = (right - left) / (span[1] - span[0])
    radius = float(np.clip(0.4 * scale * step, 2.0, 5.0))
    for mark in range(result.survey.marks):
        share = np.mod(seen / RAD_PER_TURN + mark / result.survey.marks, 1.0)
        x = left + (time_s - span[0]) * scale
        y = bottom - share * (bottom - top)
        for place in np.stack([x, y], axis=1)[np.isfinite(share)]:
            sheet.ring(float(place[0]), float(place[1]), radius, VERMILION)
    start = clock_text(float(time_s[0]), recording_span(result)[1], _STRETCH_U_S)
    title = f"Stretch {name}: {len(time_s)} frames from {start}, one a column"
    sheet.words((left, top - 10), title, bold=True)
    key = "fitted phase, as seen"
    width = sheet.words_width(key)
    sheet.words((right, top - 10), key, anchor="rs")
    sheet.ring(right - width - 12, top - 15, 4, VERMILION)
