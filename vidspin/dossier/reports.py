"""Which reports go into a dossier?

The one place where the dossier meets the makers of ``report.html`` and ``report.pdf``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

HTML_REPORT, PDF_REPORT = "report.html", "report.pdf"


@dataclass(frozen=True, slots=True)
class ReportFacts:
    """What the reports of a dossier are made from.

    Attributes
    ----------
    files : mapping of str to bytes
        Files of the result folder that a report may need, by name.
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


def reports(facts: ReportFacts) -> dict[str, bytes]:
    """Make the reports of a dossier: file name and content."""
    made = {}
    if HTML_REPORT in facts.files:
        made[HTML_REPORT] = facts.files[HTML_REPORT]
    return made
