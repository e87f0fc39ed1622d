"""What a batch writes beside its results: the log, the lock, the tables; and what it tidies up."""

from __future__ import annotations

import glob
import json
import os
import secrets
import shutil
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any

import psutil

from vidspin.documents import read_json
from vidspin.errors import UsageError
from vidspin.facts import printable
from vidspin.night.clips import Clip, as_json, clip_from
from vidspin.night.finding import Found
from vidspin.whole import hidden_prefix, tidy_file, write_new, write_whole

LOG = "overnight.log.jsonl"
LOCK = ".overnight.lock"
SAME_START_S = 2.5  # the system tells its own start in whole seconds
YOUNG_S = 10.0  # a lock without content so old at most is just being written
LONGEST_LOG = 64 << 20  # bytes of an old log that are read
_PARTS = frozenset({"new", "old"})  # of the hidden sibling in which a result comes to be


class Log:
    """A log of JSON lines, one a thing that happened; it also keeps what the looks told.

    Parameters
    ----------
    path : Path
        Appended to.
    clock : callable
        Returns the time of day as RFC 3339 text.
    """

    def __init__(self, path: Path, clock: Any) -> None:
        self._path, self._clock = path, clock
        self.broken: str | None = None  # why it could not be written
        self._looks = _read_looks(path)

    def write(self, event: str, **values: Any) -> None:
        """Append a line; a disk that takes no more is noted in `broken` and stops nothing."""
        entry = {"time": self._clock(), "event": event, **values}
        line = json.dumps(entry, ensure_ascii=False)
        if not _is_text(line):
            line = json.dumps(entry)  # a name that is no UTF-8, which is to come back as it is
        try:
            with self._path.open("a+b") as target:
                if target.tell() and _last_byte(self._path) != b"\n":
                    target.write(b"\n")  # the last line was cut by a power cut
                target.write(line.encode() + b"\n")
        except OSError as error:
            self.broken = error.strerror or str(error)

    def looked(self, found: Found, clip: Clip) -> None:
        """Keep what a look told of a file."""
        self.write("looked", changed_ns=found.changed_ns, clip=as_json(clip))
        self._looks[found.place] = (found.bytes, found.changed_ns, clip)

    def look_of(self, found: Found) -> Clip | None:
        """Give what an earlier look told of a file that has not changed since."""
        size, changed, clip = self._looks.get(found.place, (-1, -1, None))
        return clip if (size, changed) == (found.bytes, found.changed_ns) else None


def _is_text(line: str) -> bool:
    """Whether it can be written as UTF-8."""
    try:
        line.encode()
    except UnicodeEncodeError:
        return False
    return True


def _last_byte(path: Path) -> bytes:
    with path.open("rb") as source:
        source.seek(-1, os.SEEK_END)
        return source.read(1)


def _read_looks(path: Path) -> dict[str, tuple[int, int, Clip]]:
    looks: dict[str, tuple[int, int, Clip]] = {}
    with suppress(OSError), path.open("rb") as source:
        for line in source.read(LONGEST_LOG).splitlines():
            with suppress(ValueError, KeyError, TypeError):
                said = read_json(line)
                if said["event"] == "looked":
                    clip = clip_from(said["clip"]["place"], said["clip"])
                    looks[clip.place] = (clip.bytes, int(said["changed_ns"]), clip)
    return looks


class Lock:
    """Keeps a second batch out of the same output folder.

    Raises
    ------
    UsageError
        On entering, when another one is at work there or the folder cannot be written.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / LOCK
        self._folder = folder

    def __enter__(self) -> Lock:
        """Take it; a lock whose process is gone is taken over."""
        me = psutil.Process()
        own = json.dumps({"process": me.pid, "began": _began_s(me)}).encode()
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            self._remove_left()
            self._take(own)
        except FileExistsError as error:
            raise UsageError(
                "another overnight began there just now", where=str(self._folder),
                do="wait for it or choose another place with --out",
            ) from error  # fmt: skip
        except OSError as error:
            raise UsageError(
                f"the folder cannot be written ({error.strerror or error})",
                where=str(self._folder), do="choose another place with --out",
            ) from error  # fmt: skip
        return self

    def _hidden(self) -> Path:
        return self._path.with_name(hidden_prefix(LOCK) + secrets.token_hex(4))

    def _remove_left(self) -> None:
        """Take away a lock that was left, but not one that another batch has taken meanwhile."""
        aside = self._hidden()
        try:
            left = self._path.read_bytes()
            if self._held(left):
                raise UsageError(
                    "another overnight is at work there", where=str(self._folder),
                    do="wait for it or choose another place with --out",
                )  # fmt: skip
            self._path.rename(aside)
        except FileNotFoundError:  # there is none, or it was just taken away
            return
        if aside.read_bytes() != left:
            aside.rename(self._path)
            raise FileExistsError
        aside.unlink()

    def _take(self, own: bytes) -> None:
        """Give the lock its name only when its content is in it: nobody sees an empty one."""
        fresh = self._hidden()
        write_new(fresh, own)
        try:
            os.link(fresh, self._path)
        except FileExistsError:
            raise
        except (OSError, NotImplementedError):  # a file system without links
            write_new(self._path, own)
        finally:
            tidy_file(self._path)  # also what a killed one left

    def _held(self, content: bytes) -> bool:
        try:
            if not content:
                return abs(time.time() - self._path.stat().st_mtime) < YOUNG_S
            said = read_json(content)
            other = psutil.Process(int(said["process"]))
            same = abs(_began_s(other) - float(said["began"])) < SAME_START_S
            return bool(same and other.is_running())
        except (OSError, ValueError, KeyError, TypeError, psutil.NoSuchProcess):
            return False
        except psutil.AccessDenied:
            return True

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Give it back."""
        with suppress(OSError):
            self._path.unlink()


def _began_s(process: psutil.Process) -> float:
    """When a process began, seconds since the machine did: setting the clock changes neither."""
    return float(process.create_time() - psutil.boot_time())


def tidy(folder: Path) -> None:
    """Remove what a killed writer of this result folder left, and give back what it moved aside.

    Parameters
    ----------
    folder : Path
        A result folder, there or not.
    """
    # no more letters than `new_folder` adds: `a.spin.b.spin` has hidden siblings of its own
    for left in folder.parent.glob(f"{glob.escape(hidden_prefix(folder.name))}????????"):
        try:
            parts = {entry.name for entry in left.iterdir()}
        except OSError:
            continue
        if left.is_symlink() or not parts <= _PARTS:
            continue
        if "old" in parts and not folder.exists():
            with suppress(OSError):
                (left / "old").rename(folder)
        shutil.rmtree(left, ignore_errors=True)


def checkpoints_of(folder: Path) -> Path:
    """Where a recording's checkpoints are kept while its result folder is not there yet."""
    return folder.with_name(f"{hidden_prefix(folder.name)}checkpoints")


def forget_checkpoints(folder: Path) -> None:
    """Remove the checkpoints of a finished recording."""
    shutil.rmtree(checkpoints_of(folder), ignore_errors=True)


def write_file(path: Path, content: bytes) -> str | None:
    """Write a file whole or not at all; the reason in words when it cannot be.

    Parameters
    ----------
    path : Path
    content : bytes
    """
    try:
        write_whole(path, content)
    except OSError as error:
        return error.strerror or str(error)
    return None


def read_document(folder: Path) -> Mapping[str, Any] | None:
    """``spin.json`` of a result folder, None where there is none that can be read."""
    try:
        document = read_json((folder / "spin.json").read_bytes())
    except (OSError, ValueError):
        return None
    return document if isinstance(document, dict) else None


def one_line(text: str) -> str:
    """Text from files or workers as one printable line."""
    return printable(" ".join(text.split()), most=300)
