"""What is printed when nobody can take it: work goes on, and that is told once."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from typing import Any


class Steady:
    """A standard stream whose first refusal is kept; what comes later goes nowhere.

    Parameters
    ----------
    stream : text stream
        That of the process.
    """

    def __init__(self, stream: Any) -> None:
        self._stream = stream
        self.fault: OSError | None = None

    def __getattr__(self, name: str) -> Any:
        """Whatever else the stream can."""
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        """Write as far as the stream takes it."""
        if self.fault is None:
            try:
                self._stream.write(text)
            except OSError as error:
                self._lose(error)
        return len(text)

    def flush(self) -> None:
        """Hand on what was written."""
        if self.fault is None:
            try:
                self._stream.flush()
            except OSError as error:
                self._lose(error)

    def _lose(self, error: OSError) -> None:
        self.fault = error
        # what is left in its buffer must not fail once more when the interpreter ends
        with suppress(OSError, ValueError), open(os.devnull, "wb") as nowhere:
            os.dup2(nowhere.fileno(), self._stream.fileno())

    @property
    def why(self) -> str:
        """Why output was lost, empty where it was not: that a reader has left loses nothing."""
        if self.fault is None or self.fault.errno == errno.EPIPE:
            return ""
        return self.fault.strerror or str(self.fault)


@contextmanager
def steady() -> Iterator[Steady]:
    """Let both standard streams fail without ending the work; gives standard output.

    A stream that is closed, as by ``2>&-``, is one that goes nowhere.
    """
    kept = sys.stdout, sys.stderr
    with ExitStack() as opened:
        # not before both are known: whatever is opened may get a closed one's number
        out, err = (
            Steady(
                opened.enter_context(open(os.devnull, "w", encoding="utf-8"))
                if stream is None else stream
            )
            for stream in kept
        )  # fmt: skip
        sys.stdout, sys.stderr = out, err
        try:
            yield out
        finally:
            out.flush()
            err.flush()
            sys.stdout, sys.stderr = kept
