"""What can go wrong for good, and which exit code tells it.

::

    VidspinError               anything the user is told about in one line
    ├── UsageError             2  options that contradict each other or the recording
    ├── FootageError           3  the recording cannot be read
    ├── NoTopError             4  no top, or no mark on it, was found
    └── CheckFailed            6  a check or verification failed

An unresolved alias order (exit 5) is a finding, not an error: the result is written and
says so.  Nor is a batch of which some recordings failed (exit 7): each has its own line.
Anything else that is raised is a bug and keeps its traceback.
"""

from __future__ import annotations

from enum import IntEnum


class ExitCode(IntEnum):
    """Exit codes of every command; documented in the README."""

    DONE = 0
    USAGE = 2
    UNREADABLE = 3
    NO_TOP = 4
    UNRESOLVED = 5
    CHECK_FAILED = 6
    BATCH_FAILED = 7
    INTERRUPTED = 130


class VidspinError(Exception):
    """An error that is told in one line: what, where, what to do.

    Parameters
    ----------
    what : str
        What went wrong, without a full stop.
    where : str
        The file, option or time concerned.
    do : str
        What the user can do about it.
    """

    exit_code: ExitCode = ExitCode.USAGE

    def __init__(self, what: str, *, where: str, do: str) -> None:
        super().__init__(f"{where}: {what}; {do}")
        self.what = what
        self.where = where
        self.do = do


class UsageError(VidspinError):
    """Options that contradict each other or the recording."""

    exit_code = ExitCode.USAGE


class FootageError(VidspinError):
    """The recording cannot be read."""

    exit_code = ExitCode.UNREADABLE


class NoTopError(VidspinError):
    """No top, or no mark on it, was found."""

    exit_code = ExitCode.NO_TOP


class CheckFailed(VidspinError):
    """A check or a verification failed."""

    exit_code = ExitCode.CHECK_FAILED
