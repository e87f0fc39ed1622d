"""Whether an edit list makes a player show something else than the file holds.

Measuring uses the raw media times, which hold every frame once at its own time.  An edit
list can hide, repeat, reorder or slow down parts of them for players; whoever compares the
measured recording with what a player shows has to be told.
"""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import numpy as np

from vidspin.errors import FootageError
from vidspin.footage.boxes import EMPTY_EDIT, Edit, Movie
from vidspin.records import Check, IntArray


def edit_list_finding(
    movie: Movie, track_id: int, ticks: IntArray, path: Path
) -> tuple[str | None, Check]:
    """Say in words what the edit list of a track does.

    Parameters
    ----------
    movie : Movie
        What the movie box states.
    track_id : int
        The video track.
    ticks : ndarray of int64, shape (N,)
        Raw frame times in the track's own time scale, rising, at least two.
    path : Path
        The file, for messages.

    Returns
    -------
    finding : str or None
        One sentence; None for no edit list, for one entry that begins with the first frame
        and shows all frames, and for these after one leading pause.
    check : Check
        The same as a check: it fails when players hide, repeat or reorder frames.

    Raises
    ------
    FootageError
        An entry asks for a play speed other than 1: which times are true is then unknown.
    """
    track = next((one for one in movie.tracks if one.id == track_id), None)
    if movie.preferred_rate not in (0, 1):
        text = f"the file asks players for {float(movie.preferred_rate):g} times normal speed"
        return text, Check("edit list", "fail", f"x {float(movie.preferred_rate):g}", text)
    if track is None or not track.edits:
        return None, Check("edit list", "pass", "none", "players show every frame at its time")
    shown = [edit for edit in track.edits if edit.media_time != EMPTY_EDIT]
    odd = next((edit for edit in shown if edit.rate != 1), None)
    if odd is not None:
        raise FootageError(
            f"an edit list plays part of it at {float(odd.rate):g} times normal speed",
            where=path.name,
            do="give the file as the camera wrote it, before any edit",
        )
    figure = f"{track.edits_listed} entr{'y' if track.edits_listed == 1 else 'ies'}"
    pauses = sum(edit.media_time == EMPTY_EDIT for edit in track.edits)
    leading = pauses == 0 or track.edits[0].media_time == EMPTY_EDIT
    if len(shown) != 1 or pauses > 1 or not leading or track.edits_listed > len(track.edits):
        text = (
            f"the edit list has {track.edits_listed} entries, {pauses} of them pauses: "
            "players may hide, repeat or reorder frames; the stored frames are measured"
        )
        harmless = len(shown) == 1 and track.edits[-1] is shown[0]
        whole = harmless and _hidden(shown[0], movie, track.timescale, ticks) == (0, 0)
        return text, Check("edit list", "pass" if whole else "fail", figure, text)
    return _single(shown[0], movie, track.timescale, ticks, figure)


def _single(
    edit: Edit, movie: Movie, timescale: int, ticks: IntArray, figure: str
) -> tuple[str | None, Check]:
    """Judge the one entry that shows frames."""
    head, tail = _hidden(edit, movie, timescale, ticks)
    if head or tail:
        text = (
            f"the edit list hides {head} frames at the start and {tail} at the end from "
            "players; they are stored and are measured too"
        )
        return text, Check("edit list", "fail", figure, text)
    early = int(ticks[0]) - edit.media_time
    if early > 0:
        text = (
            f"the edit list begins {early / max(timescale, 1):.4f} s before the first frame; "
            "no frame is hidden"
        )
        return text, Check("edit list", "pass", figure, text)
    return None, Check("edit list", "pass", f"{figure} without effect", "players show every frame")


def _hidden(edit: Edit, movie: Movie, timescale: int, ticks: IntArray) -> tuple[int, int]:
    """Count the frames before and after what one entry shows."""
    head = int(np.searchsorted(ticks, edit.media_time))
    if edit.duration == 0 and movie.fragmented:
        return head, 0  # the length was not known when the first part was written
    if movie.timescale <= 0 or timescale <= 0:
        return head, 0
    # The length is rounded to the movie's ticks, which are coarser than the track's.
    end = edit.media_time + Fraction((edit.duration + 1) * timescale, movie.timescale)
    first_hidden = min(math.ceil(end), int(ticks[-1]) + 1)
    return head, len(ticks) - int(np.searchsorted(ticks, first_hidden))
