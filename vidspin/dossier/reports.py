"""Which reports go into a dossier, and what do they need to know?

Reports are made by whoever hands them over (`Reporter`): the dossier knows their names and
what it must tell them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

HTML_REPORT, PDF_REPORT = "report.html", "report.pdf"


@dataclass(frozen=True, slots=True)
class ReportFacts:
    """What the reports of a dossier are made from.

    Attributes
    ----------
    files : mapping of str to bytes
        Files of the result folder, by name.
    manifest : dict
        ``manifest.json``; `attempt`, `challenge` and `recording` are in it.
    manifest_bytes : bytes
        The same as it is hashed.
    short_hash : str
        Stands on every page.
    fingerprints : mapping of str to str
        Role and key fingerprint, for the page that is signed by hand.
    """

    files: Mapping[str, bytes]
    manifest: dict[str, Any]
    manifest_bytes: bytes
    short_hash: str
    fingerprints: Mapping[str, str]


Reporter = Callable[[ReportFacts], Mapping[str, bytes]]
"""Makes the reports of a dossier: file name and content."""


def page_of_the_result(facts: ReportFacts) -> dict[str, bytes]:
    """Take the page that lies in the result folder, where there is one."""
    return {name: facts.files[name] for name in (HTML_REPORT,) if name in facts.files}
