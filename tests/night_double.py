"""A worker that measures nothing: what it does is written in the file that it is given.

Lines of the file are ``key value``: ``do`` (measure, refuse, crash, hang, eat, bug, full, late,
cut, nospace), ``salt``, ``frames``, ``s`` (seconds of work), ``once`` (a file that the first try
makes and writes its number of process into).
"""

import errno
import hashlib
import json
import os
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from vidspin import __version__
from vidspin.cli import night_worker
from vidspin.errors import FootageError


def told(path: str) -> dict[str, str]:
    lines = Path(path).read_text("utf-8", errors="replace").splitlines()
    return dict(line.split(" ", 1) for line in lines if " " in line)


def look(request: dict[str, Any], say: night_worker.Say) -> dict[str, Any]:
    data = Path(request["path"]).read_bytes()
    if not data:
        raise FootageError("the file is empty", where=request["name"], do="copy it again")
    if told(request["path"]).get("do") == "crash look":
        os.kill(os.getpid(), signal.SIGSEGV)
    return {
        "bytes": len(data), "sha256": hashlib.sha256(data).hexdigest(), "look": ["double"],
        "frames": int(told(request["path"]).get("frames", 30)), "duration_s": 1.0,
        "created": None, "decode_rate": 1000.0,
    }  # fmt: skip


def no_space(_: int) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def write(files: dict[str, bytes], folder: Path) -> None:
    """As `vidspin.store` does, without the seconds that importing it takes; slowly."""
    workplace = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
    (workplace / "new").mkdir()
    for name, content in files.items():
        (workplace / "new" / name).write_bytes(content)
        time.sleep(0.1)
    if folder.exists():
        folder.rename(workplace / "old")
    (workplace / "new").rename(folder)
    shutil.rmtree(workplace)


def misbehave(do: str, name: str, say: night_worker.Say) -> None:
    if do == "refuse":
        raise FootageError("it is damaged\x1b[31m\nbadly", where=name, do="copy it again")
    if do == "crash":
        os.kill(os.getpid(), signal.SIGSEGV)
    if do in ("hang", "late"):
        while True:
            time.sleep(0.05)
            if do == "late":
                say({"progress": ["reading frames", 1, 2]})
    if do == "eat":
        held = bytearray(400 << 20)
        held[::4096] = b"x" * len(held[::4096])
        time.sleep(60)
    if do == "bug":
        raise ValueError("an impossible number")


def measure(request: dict[str, Any], say: night_worker.Say) -> dict[str, Any]:
    wish = told(request["paths"][0])
    do, name, folder = wish.get("do", "measure"), request["name"], Path(request["folder"])
    say({"progress": ["reading frames", 1, 2]})
    time.sleep(float(wish.get("s", 0)))
    if once := wish.get("once"):
        first = not Path(once).exists()
        Path(once).write_text(str(os.getpid()))
        do = do if first else "measure"
    misbehave(do, name, say)
    if do == "nospace":
        os.fsync = no_space
    if do == "full":
        import resource

        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
    sums = [hashlib.sha256(Path(path).read_bytes()).hexdigest() for path in request["paths"]]
    document = {
        "schema": "vidspin/spin/1", "vidspin_version": __version__, "created": "2030-01-01T00:00Z",
        "recording": {"chapters": [{"sha256": one} for one in sums]},
        "alias": {"resolved": do != "unresolved"}, "release": None, "spin_time": None,
        "checks": [{"name": "phase continuity", "state": "fail"}] if do == "cut" else [],
        "settings": request["stated"],
        "facts": request["facts"], "files": ["table.csv"],
    }  # fmt: skip
    files = {"table.csv": b"1,2\n" * 1000, "spin.json": json.dumps(document).encode()}
    if do in ("full", "nospace"):  # the true writer
        from vidspin.store.folder import write_contents

        write_contents(files, folder)
    write(files, folder)
    return {"code": 5 if do == "unresolved" else 0}


if __name__ == "__main__":
    night_worker.TASKS.update(look=look, measure=measure)
    sys.exit(night_worker.main())
