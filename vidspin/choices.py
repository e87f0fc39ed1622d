"""Which of a recording's short runs of pictures is a survey to look at?"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vidspin.records import FloatArray

FEWEST_RUNS = 6  # of a choice
MOST_RUNS = 72  # likewise; all frames of a choice are held in full
WILD = 4.0  # times as lively as usual: a hand or a fall
LEAST_PIECE, PIECES = 12, 16  # frames of a piece of a long run, and pieces
Stack = NDArray[Any]  # (frames, rows, columns)


def attempts(
    stacks: list[Stack], numbers: list[int]
) -> Iterator[tuple[list[Stack], list[int], bool]]:
    """Yield pictures to look at, the runs they are of, and whether to try many rings.

    Parameters
    ----------
    stacks : list of (frames, rows, columns) arrays
        Runs of consecutive frames.
    numbers : list of int
        Of the runs.

    Yields
    ------
    list of arrays, list of int, bool

    Notes
    -----
    Short recordings with few key frames come as one long run, a hand's frames among all others:
    it is cut where nothing is found in it as it is.  Then rings less even than others are tried.
    """
    yield stacks, numbers, False
    if len(stacks) < FEWEST_RUNS:
        cuts = [max(1, min(len(stack) // LEAST_PIECE, PIECES // len(stacks))) for stack in stacks]
        parts = [np.array_split(stack, cut) for stack, cut in zip(stacks, cuts, strict=True)]
        numbers = [n for n, cut in zip(numbers, cuts, strict=True) for _ in range(cut)]
        stacks = [piece for part in parts for piece in part]
        yield stacks, numbers, False
    yield stacks, numbers, True


def choices(lively: FloatArray) -> Iterator[list[int]]:
    """Yield the runs to try: those in which the top spins are livelier than those at rest.

    Parameters
    ----------
    lively : (K,) array
        How much changes within each run.

    Yields
    ------
    list of int
    """
    yield list(range(0, len(lively), -(-len(lively) // MOST_RUNS)))
    order = np.argsort(-lively, kind="stable")
    for share in (2, 4, 8, 16):
        chosen = order[: len(order) // share]
        if len(chosen) < FEWEST_RUNS:
            return
        yield sorted(chosen.tolist())
        mild = chosen[lively[chosen] <= WILD * np.median(lively[chosen])]
        if FEWEST_RUNS // 2 <= len(mild) < len(chosen):
            yield sorted(mild.tolist())
