"""A short recording with a topple, its result, and a review page that is being served."""

from __future__ import annotations

import http.client
import json
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from vidspin.cli.app import main
from vidspin.cli.look import prepare
from vidspin.errors import ExitCode
from vidspin.review import Review

NAME = "dunlin"


def measured(place: Path) -> Path:
    """Make a recording of a top that topples after 7 s, and measure it; return the result."""
    path = place / f"{NAME}.mp4"
    told = ["--rpm", "620", "--law", "exponential:25", "--size", "240x180", "--seconds", "10"]
    assert main(["simulate", str(path), *told, "--topple", "7", "--quiet"]) == ExitCode.DONE
    code = main(["measure", str(path), "--between", "500", "700", "--quiet"])
    assert code in (ExitCode.DONE, ExitCode.CHECK_FAILED)
    return path.with_suffix(".spin")


def copied(result: Path, place: Path) -> Path:
    """Copy a result and its recording."""
    place.mkdir(exist_ok=True)
    shutil.copy(result.with_suffix(".mp4"), place)
    return Path(shutil.copytree(result, place / result.name))


def document(result: Path) -> dict[str, Any]:
    said: dict[str, Any] = json.loads((result / "spin.json").read_text("utf-8"))
    return said


@contextmanager
def served(result: Path) -> Iterator[Review]:
    """Serve the review of a result beside its recording."""
    review = prepare(result, [])
    thread = threading.Thread(target=review.serve)
    thread.start()
    try:
        yield review
    finally:
        review.end()
        thread.join(300)
        assert not thread.is_alive()


def asked(
    review: Review, method: str, path: str, body: bytes | None = None, **headers: str | None
) -> tuple[int, bytes, dict[str, str]]:
    """Send a request as the page does, but for other headers; None leaves one out."""
    host, port = review.host.split(":")
    sent: dict[str, str | None] = {"Host": review.host}
    if method == "POST":
        sent |= {"Origin": review.origin, "Content-Type": "application/json"}
    sent |= {name.replace("_", "-"): value for name, value in headers.items()}
    connection = http.client.HTTPConnection(host, int(port), timeout=300)
    try:
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for name, value in sent.items():
            if value is not None:
                connection.putheader(name, value)
        if body is not None:
            connection.putheader("Content-Length", str(len(body)))
        connection.endheaders(body)
        answer = connection.getresponse()
        return answer.status, answer.read(), {k.lower(): v for k, v in answer.getheaders()}
    finally:
        connection.close()


def decided(review: Review, **said: Any) -> tuple[int, dict[str, Any]]:
    """Send a decision on what the page shows now; return code and answer."""
    whole = {"action": "overruled", "event": "topple", "frame": 0, "reason": "", **said}
    whole.setdefault("of", review.scene.sha256)
    code, body, _ = asked(review, "POST", f"/{review.token}/decide", json.dumps(whole).encode())
    return code, json.loads(body)
