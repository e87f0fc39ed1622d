"""Who may see the review page and decide on it? Only who has its address, on this machine.

The server listens on the loopback address alone.  A page of another origin in the same browser
can send requests there; it does not know the token in the address, its ``Host``, ``Origin`` or
``Sec-Fetch-Site`` gives it away, and no answer allows it to read anything.
"""

from __future__ import annotations

import hmac
import json
import re
import secrets
import sys
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import urlsplit

from vidspin.errors import FootageError, VidspinError
from vidspin.review.history import Decision, read_decision
from vidspin.review.page import review_page
from vidspin.review.pictures import Pictures
from vidspin.review.scene import Scene

LOOPBACK = "127.0.0.1"
MOST_REQUESTS = 16  # at a time; a browser opens six connections
MOST_BYTES = 16 << 10  # of a decision
PATIENCE_S = 10.0  # for a request that does not come to its end
_QUERY = re.compile(r"n=([0-9]{1,9})")
_JSON = "application/json"


class Review:
    """A review page that is being served.

    Parameters
    ----------
    scene : Scene
        What is shown.
    pictures : Pictures
        The frames.
    decide : callable
        Keeps a decision in the result and returns what is to be shown then; raises
        `VidspinError` where it cannot.

    Attributes
    ----------
    address : str
        The page's address with its token; who has it may look and decide.
    decisions : int
        How many were kept so far.
    """

    def __init__(
        self, scene: Scene, pictures: Pictures, decide: Callable[[Decision], Scene]
    ) -> None:
        self.scene, self.pictures = scene, pictures
        self.decisions = 0
        self.page, self.policy = review_page()
        self.token = secrets.token_urlsafe(32)
        self._decide = decide
        self._lock = threading.Lock()  # one decision at a time
        self._server = _Server(self)
        self.host = f"{LOOPBACK}:{self._server.server_address[1]}"
        self.origin = f"http://{self.host}"
        self.address = f"{self.origin}/{self.token}/"

    def serve(self) -> None:
        """Answer requests until `end`, or until the caller is interrupted; once only."""
        try:
            self._server.serve_forever(poll_interval=0.1)
        finally:
            self._server.server_close()
            self._lock.acquire()  # a decision that is being kept comes to its end, none follows

    def end(self) -> None:
        """Let `serve` return; from any thread but its own."""
        self._server.shutdown()

    def decide(self, body: bytes) -> dict[str, Any]:
        """Take a decision as it was sent; return what is to be shown now.

        Raises
        ------
        VidspinError
            It is none, or it cannot be kept.
        """
        with self._lock:
            self.scene = self._decide(read_decision(body, self.scene.frames))
            self.decisions += 1
            return self.scene.state()


class _Server(ThreadingHTTPServer):
    """A server with a bound on what it does at a time."""

    daemon_threads = True

    def __init__(self, review: Review) -> None:
        self.review = review
        self._room = threading.BoundedSemaphore(MOST_REQUESTS)
        super().__init__((LOOPBACK, 0), _Handler)

    def process_request(self, request: Any, client_address: Any) -> None:
        """Answer in a thread of its own; drop what is too much."""
        if not self._room.acquire(blocking=False):
            self.shutdown_request(request)
            return
        super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """Answer, then make room."""
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._room.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Keep quiet about a browser that went away; anything else is a bug."""
        if not isinstance(sys.exc_info()[1], ConnectionError | TimeoutError):
            super().handle_error(request, client_address)


class _Handler(BaseHTTPRequestHandler):
    """One request."""

    server: _Server
    timeout = PATIENCE_S

    # ------------------------------------------------------------------ what comes in

    def do_GET(self) -> None:
        """Show the page, what it shows, or a frame."""
        asked = self._let_in()
        if asked is None:
            return
        review, (path, query) = self.server.review, asked
        if path == "" and not query:
            self._send(200, review.page, "text/html; charset=utf-8")
        elif path == "state" and not query:
            self._send_json(200, review.scene.state())
        elif path in ("sight", "frame"):
            n = self._frame_asked(query)
            if n is None:
                self._refuse(404)
            elif path == "sight":
                self._send_json(200, review.scene.sight(n))
            else:
                self._send_frame(n)
        else:
            self._refuse(404)

    def do_POST(self) -> None:
        """Take a decision, or the end of the review."""
        body = self._body()  # read in any case: an answer to half a request is lost
        asked = self._let_in()
        if asked is None:
            return
        if self.headers.get("Origin") is None or self.headers.get_content_type() != _JSON:
            self._refuse(403)
            return
        if asked not in (("decide", ""), ("done", "")):
            self._refuse(404)
            return
        if body is None:
            self._refuse(413)
            return
        if asked[0] == "done":
            self._send_json(200, {})
            self.server.review.end()
            return
        try:
            state = self.server.review.decide(body)
        except VidspinError as error:
            self._send_json(409, {"error": str(error)})
            return
        self._send_json(200, state)

    def _let_in(self) -> tuple[str, str] | None:
        """Return path below the token and query; None when the request was refused."""
        review = self.server.review
        foreign = (
            self.headers.get_all("Host") != [review.host]
            or self.headers.get("Origin", review.origin) != review.origin
            or self.headers.get("Sec-Fetch-Site", "none") not in ("same-origin", "none")
        )
        address = urlsplit(self.path)
        start, _, rest = address.path.partition("/")
        token, slash, path = rest.partition("/")
        known = hmac.compare_digest(token.encode("utf-8", "replace"), review.token.encode())
        if foreign or start or not (known and slash) or address.netloc:
            self._refuse(403 if foreign else 404)
            return None
        return path, address.query

    def _body(self) -> bytes | None:
        length = self.headers.get("Content-Length", "")
        if not re.fullmatch(r"[0-9]{1,9}", length) or int(length) > MOST_BYTES:
            return None
        return self.rfile.read(int(length))

    def _frame_asked(self, query: str) -> int | None:
        found = _QUERY.fullmatch(query)
        n = -1 if found is None else int(found.group(1))
        return n if 0 <= n < self.server.review.scene.frames else None

    # ------------------------------------------------------------------- what goes out

    def _send_frame(self, n: int) -> None:
        try:
            jpeg = self.server.review.pictures.jpeg(n)
        except FootageError as error:
            self._send_json(409, {"error": str(error)})
            return
        if jpeg is None:
            self._send_json(409, {"error": "this frame cannot be decoded"})
            return
        self._send(200, jpeg, "image/jpeg")

    def _send_json(self, code: int, value: Any) -> None:
        text = json.dumps(value, allow_nan=False)  # plain ASCII, also for letters cut in half
        self._send(code, text.encode(), _JSON)

    def _refuse(self, code: int) -> None:
        self._send(code, b"", "text/plain")

    def _send(self, code: int, body: bytes, kind: str) -> None:
        self.send_response(code)
        for name, value in (
            ("Content-Type", kind),
            ("Content-Length", str(len(body))),
            ("Content-Security-Policy", self.server.review.policy),
            ("X-Content-Type-Options", "nosniff"),
            ("Cache-Control", "no-store"),
            ("Referrer-Policy", "no-referrer"),
            ("Cross-Origin-Resource-Policy", "same-origin"),
            ("Cross-Origin-Opener-Policy", "same-origin"),
        ):
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)

    def send_error(self, code: int, message: str | None = None, explain: str | None = None) -> None:
        """Refuse what is no request, or has a method that nothing here has; say no more."""
        self.close_connection = True
        self._refuse(404 if code in (501, 505) else code)

    def version_string(self) -> str:
        """Say which program answers, not which version of what it runs on."""
        return "vidspin"

    def log_message(self, format: str, *args: Any) -> None:
        """Keep the terminal quiet."""
