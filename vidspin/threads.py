"""What is done at the same time, beside the decoder's own threads?

While frames are read the decoder keeps all cores at work.  Before and after that one core would
do everything: there, what does not wait for each other is done side by side, with the same
answers in the same order as one after the other.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable, Iterator
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

MOST = 4  # more than a few calls, in which Python itself has a part, wait for one another

Item = TypeVar("Item")
Answer = TypeVar("Answer")


def each(function: Callable[[Item], Answer], items: Iterable[Item]) -> list[Answer]:
    """Call a function for each item, some at the same time; answers in order.

    Parameters
    ----------
    function : callable
        Pure: it must not change what another call looks at.
    items : iterable

    Returns
    -------
    list

    Raises
    ------
    Exception
        The first one that a call raised.
    """
    with ThreadPoolExecutor(max_workers=MOST) as pool:
        return list(pool.map(function, items))


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
