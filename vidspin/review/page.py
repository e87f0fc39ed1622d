"""The review page: one HTML document, the same for every result.

Nothing of a result is written into it: its script asks for that and sets it as text.  A policy
lets in nothing but the one style sheet and the one script whose hashes it names.
"""

from __future__ import annotations

import base64
import hashlib
from importlib import resources


def review_page() -> tuple[bytes, str]:
    """Draw up the page.

    Returns
    -------
    page : bytes
        HTML, UTF-8.
    policy : str
        What its ``Content-Security-Policy`` header must say.
    """
    style, script = _asset("look.css"), _asset("look.js")
    policy = (
        "default-src 'none'; img-src 'self' blob: data:; connect-src 'self'; "
        f"style-src '{_hash(style)}'; script-src '{_hash(script)}'; base-uri 'none'; "
        "form-action 'none'; frame-ancestors 'none'"
    )
    page = _asset("look.html").replace("/*style*/", style).replace("/*script*/", script)
    return page.encode(), policy


def _asset(name: str) -> str:
    return resources.files("vidspin.review").joinpath("assets", name).read_text("utf-8")


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
