"""A worker of ``vidspin overnight``: looks at one file or measures one recording.

It is a process of its own (``python -m vidspin.cli.night_worker``), so that a decoder that
crashes or hangs takes nothing else with it.
"""

from __future__ import annotations

import base64
import errno
import pickle
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

from vidspin.cli.common import Progress
from vidspin.errors import ExitCode, VidspinError
from vidspin.night.clips import look_of
from vidspin.night.processes import request_of_parent

PROBE_S = 1.5  # time of the decode probe
PROBE_FRAMES = 240
TELL_S = 0.2  # progress is told no more often
_BUG = 1

Say = Callable[[dict[str, Any]], None]


class ToldProgress(Progress):
    """Progress that goes to the parent process.

    Parameters
    ----------
    say : callable
        Sends one message.
    """

    def __init__(self, say: Say) -> None:
        super().__init__("", shown=False)
        self._say = say
        self._last: tuple[str, float] = ("", 0.0)

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Tell how far a stage has come."""
        now = time.monotonic()
        if stage == self._last[0] and now - self._last[1] < TELL_S and done < total:
            return
        self._last = (stage, now)
        self._say({"progress": [stage, done, total]})


def look(request: dict[str, Any], say: Say) -> dict[str, Any]:
    """Examine one file, and decode for a moment to learn how fast that goes."""
    from vidspin.footage.frames import Recording

    footage = Recording.open([Path(request["path"])])
    say({"progress": ["decoding", 0, 0]})
    chapter = footage.facts.chapters[0]
    began, count = time.monotonic(), 0
    for _ in footage.stream():
        count += 1
        if count >= PROBE_FRAMES or time.monotonic() - began > PROBE_S:
            break
    took = time.monotonic() - began
    return {
        "bytes": chapter.bytes,
        "sha256": chapter.sha256,
        "look": list(look_of(chapter)),
        "frames": footage.frames,
        "duration_s": chapter.duration_file_s,
        "created": chapter.tags.get("creation_time"),
        "decode_rate": count / took if count and took > 0 else 0.0,
    }


def measure(request: dict[str, Any], say: Say) -> dict[str, Any]:
    """Measure one recording into its result folder."""
    from vidspin.cli.measure import Job, Manner, measure_one

    job = Job(
        tuple(Path(path) for path in request["paths"]),
        str(request["name"]),
        Path(request["folder"]),
        dict(request["facts"]),
        (Path(request["checkpoints"]), str(request["key"])),
    )
    settings = unpacked(request["settings"])
    # The parent has made sure that nothing foreign is in the way.
    manner = Manner(overwrite=True, quiet=True, as_json=False)
    code = measure_one(job, settings, manner, telling=lambda *_, **__: ToldProgress(say))
    return {"code": int(code)}


def packed(settings: Any) -> str:
    """Turn settings into text for the request; only ever read from the parent process."""
    return base64.b64encode(pickle.dumps(settings)).decode("ascii")


def unpacked(text: str) -> Any:
    """Read what `packed` wrote."""
    return pickle.loads(base64.b64decode(text))


TASKS: dict[str, Callable[[dict[str, Any], Say], dict[str, Any]]] = {
    "look": look,
    "measure": measure,
}


def main() -> int:
    """Do the one task that the parent process asks for."""
    request, say = request_of_parent()
    try:
        say({"answer": TASKS[request["task"]](request, say)})
    except VidspinError as error:
        say({"error": {"code": int(error.exit_code), "line": str(error)}})
    except Exception as error:
        say({"error": _unforeseen(error, str(request.get("name", "")))})
        traceback.print_exc()  # for the log
    return 0


def _unforeseen(error: Exception, name: str) -> dict[str, Any]:
    """Tell in one line what no stage foresaw."""
    if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT):
        line = f"{name}: the disk is full; free some of it (also where temporary files go)"
        return {"code": int(ExitCode.BATCH_FAILED), "line": line}
    if isinstance(error, MemoryError):
        line = f"{name}: there is not enough memory; run fewer side by side with --jobs"
        return {"code": int(ExitCode.BATCH_FAILED), "line": line}
    what = " ".join(f"{type(error).__name__}: {error}".split())[:200]
    line = f"{name}: a bug in vidspin ({what}); please report it with vidspin measure --debug"
    return {"code": _BUG, "line": line}


if __name__ == "__main__":
    raise SystemExit(main())
