"""What is done at the same time, beside the decoder's own threads?

Only what leaves Python alone, or waits for it: hashing a file beside reading it, loading what is
wanted later.  Sums over a few hundred frames gain nothing: tried on two cores, threads for the
trials of a readout or of a ring waited for one another for as long as they saved.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from threading import Event, Thread
from typing import TypeVar

# For the environment, before the libraries that do sums and pictures are loaded: the last bits of
# a sum must not depend on how many cores there are or who else is at work, and their threads
# would only stand in the decoder's way.
ONE_EACH = dict.fromkeys(
    (
        "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS",
        "OPENCV_FOR_THREADS_NUM",
    ),
    "1",
)  # fmt: skip

Answer = TypeVar("Answer")


@contextmanager
def beside(function: Callable[[Event], Answer]) -> Iterator[Callable[[], Answer]]:
    """Have a function do its work in a thread of its own.

    Parameters
    ----------
    function : callable
        Given an event: once it is set nobody waits for the answer any more.

    Yields
    ------
    callable
        Waits for the answer and returns it, or raises what the function raised.
    """
    nobody_waits = Event()
    with ThreadPoolExecutor(max_workers=1) as pool:
        answer = pool.submit(function, nobody_waits)
        try:
            yield answer.result
        finally:
            nobody_waits.set()


def load_meanwhile(*modules: str) -> None:
    """Load modules that will be wanted soon, while decoder or disk keep the others waiting."""

    def load() -> None:
        for name in modules:
            with suppress(Exception):  # whoever wants it meets the same, and can tell
                importlib.import_module(name)

    Thread(target=load, name="loading").start()
