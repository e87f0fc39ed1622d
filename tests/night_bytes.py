"""The bytes that a batch leaves, with and without the times of day in them."""

import hashlib
import json
from pathlib import Path

from vidspin.night import book


def whole(out: Path) -> dict[str, bytes]:
    """Every byte that a batch leaves, but for the log."""
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.is_file() and path.name != book.LOG
    }


def without_times(files: dict[str, bytes]) -> dict[str, bytes]:
    """The same without the instant at which each result was made.

    It stands in ``spin.json`` and in the report, which also names the digest of ``spin.json``.
    """
    found = dict(files)
    for document in [name for name in files if name.endswith("/spin.json")]:
        folder = document.rpartition("/")[0] + "/"
        made = json.loads(files[document])["created"].encode()
        digest = hashlib.sha256(files[document]).hexdigest().encode()
        for name in files:
            if name.startswith(folder):
                found[name] = files[name].replace(digest, b"(digest)").replace(made, b"(made)")
    return found
