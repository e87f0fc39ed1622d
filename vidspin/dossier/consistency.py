"""Do the figures in the files of a dossier agree with each other?

The seals fix the bytes; they do not say that the bytes agree.  Here the tables, the manifest
and the reports are held against ``spin.json``.
"""

from __future__ import annotations

import hashlib
import io
import json
import logging
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pypdf

from vidspin.documents import Document, read_arrays, read_columns
from vidspin.dossier.document import SPIN_SCHEMA, freshness
from vidspin.wording import at_least, plain, with_u95

SECONDS_AGREE = 1e-6  # of numbers that were written from one float
MOST_PAGES = 5000
NEAR_ROWS = 5
RESULT_HASH = "vidspin-result-sha256"
EDITED_SHARE = 0.005


@dataclass(frozen=True, slots=True)
class Disagreement:
    """Two files that do not say the same."""

    path: str
    says: str


def headline(spin: Document) -> dict[str, str]:
    """List the figures that every report must state, as they are written everywhere."""
    figures = {}
    spin_time, release, turned = (
        spin[key] or {} for key in ("spin_time", "release", "revolutions")
    )
    if spin_time.get("seconds") is not None:
        figures["spin time"] = with_u95(spin_time["seconds"], spin_time["u95_s"])
    elif spin_time.get("at_least_s") is not None:
        figures["spin time"] = at_least(spin_time["at_least_s"], "s")
    if not spin["alias"]["resolved"]:
        return figures
    if release.get("rpm") is not None:
        figures["speed at the release"] = with_u95(release["rpm"], release["u95_rpm"])
    if turned.get("count") is not None:
        figures["turns"] = with_u95(turned["count"], turned["u95"])
    return figures


def in_spin(spin: Document) -> Iterator[Disagreement]:
    """Find figures of ``spin.json`` that contradict each other."""
    release, topple, spin_time = spin["release"], spin["topple"], spin["spin_time"]
    if spin_time is not None and spin_time["seconds"] is not None:
        ends = [None if e is None else e["time_s"] for e in (release, topple)]
        known = [t for t in ends if t is not None]
        apart = known[1] - known[0] if len(known) == 2 else math.nan
        apart += spin_time.get("between_chapters_s") or 0.0
        if not math.isclose(apart, spin_time["seconds"], abs_tol=SECONDS_AGREE):
            yield Disagreement("spin.json", "the spin time is not topple minus release")
    limit, duration = (spin_time or {}).get("at_least_s"), spin["recording"].get("duration_s")
    if limit is not None and duration is not None:
        between = (spin_time or {}).get("between_chapters_s") or 0.0
        if not limit <= duration + max(between, 0.0) + SECONDS_AGREE:
            yield Disagreement("spin.json", "the spin lasted longer than the recording")
    frames = spin["recording"]["frames"]
    if not spin["alias"]["resolved"]:
        speeds = [e["rpm"] for e in (release, topple) if e is not None]
        if any(speed is not None for speed in speeds):
            yield Disagreement("spin.json", "it states a speed while the order is unresolved")
    if spin["recording"]["suspect_frames"] > frames:
        yield Disagreement("spin.json", "more frames are suspect than there are")


def in_speed_table(spin: Document, data: bytes) -> Iterator[Disagreement]:
    """Hold ``speed.csv`` against ``spin.json``."""
    name = "speed.csv"
    try:
        columns = read_columns(data)
        time_s, rpm, u95 = (columns[name] for name in ("time_s", "rpm", "u95_rpm"))
    except (ValueError, KeyError) as error:
        yield Disagreement(name, f"the table is damaged ({plain(str(error))})")
        return
    known = np.isfinite(rpm)
    if not spin["alias"]["resolved"]:
        if known.any():
            yield Disagreement(name, "it states speeds while the order is unresolved")
        return
    if not (np.isfinite(time_s) & np.isfinite(u95) & (u95 > 0))[known].all():
        yield Disagreement(name, "the table is damaged (a speed without instant or u95)")
        return
    if not (np.diff(time_s[known]) > 0).all():
        yield Disagreement(name, "the table is damaged (its rows are not in order)")
        return
    for event in ("release", "topple"):
        stated = spin[event]
        if stated is None or stated["rpm"] is None or stated["time_s"] is None:
            continue
        found = _line_to(stated["time_s"], time_s[known], rpm[known], u95[known])
        allowed = (found[1] if found else 0.0) + (stated["u95_rpm"] or 0.0)
        if found is not None and not abs(found[0] - stated["rpm"]) <= allowed:
            yield Disagreement(
                name, f"it leads to {found[0]:.2f} rev/min at the {event}, "
                f"spin.json says {stated['rpm']:.2f}",
            )  # fmt: skip


def _line_to(
    at: float, time_s: np.ndarray, rpm: np.ndarray, u95: np.ndarray
) -> tuple[float, float] | None:
    """Carry the nearest rows on to an instant, with a generous doubt.

    The doubt is what a parabola and a straight line through these rows make of the instant
    (a sudden end bends the curve more than either), three times the rows' own u95, and
    a part of the speed: this is to find edited figures, not to judge the measurement.
    """
    if len(time_s) < NEAR_ROWS:
        return None
    near = np.argsort(np.abs(time_s - at))[:NEAR_ROWS]
    x, y = time_s[near] - at, rpm[near]
    line, bend = np.polyfit(x, y, 1), np.polyfit(x, y, 2)
    doubt = 3 * abs(line[-1] - bend[-1]) + 3 * float(np.max(u95[near]))
    doubt += EDITED_SHARE * abs(float(bend[-1]))
    return float(bend[-1]), float(doubt)


def in_sightings(spin: Document, data: bytes) -> Iterator[Disagreement]:
    """Hold ``sightings.npz`` against ``spin.json``."""
    name = "sightings.npz"
    frames = spin["recording"]["frames"]
    try:
        lengths = {len(array) for array in read_arrays(data).values()}
    except (ValueError, TypeError) as error:
        yield Disagreement(name, f"it is damaged ({plain(str(error))})")
        return
    if lengths != {frames}:
        yield Disagreement(name, f"it has {lengths} entries, spin.json says {frames} frames")


def with_manifest(
    spin: Document, manifest: Document, given: Document | None
) -> Iterator[Disagreement]:
    """Hold ``manifest.json`` against ``spin.json`` and ``challenge.json``, which may be None."""
    name = "manifest.json"
    ours, theirs = spin["recording"]["chapters"], manifest["recording"]["chapters"]
    facts = [[(c["name"], c["bytes"], c["sha256"]) for c in one] for one in (ours, theirs)]
    if facts[0] != facts[1]:
        yield Disagreement(name, "it names another recording than spin.json")
    if manifest["challenge"] != freshness(spin.get("challenge"), given):
        says = "it does not say the same of the challenge as spin.json and challenge.json"
        yield Disagreement(name, says)


def in_bag_info(manifest: Document, data: bytes) -> Iterator[Disagreement]:
    """Hold ``bag-info.txt`` against ``manifest.json``."""
    name = "bag-info.txt"
    lines = [one.partition(":") for one in data.decode("utf-8", "replace").splitlines()]
    stated = [value.strip() for label, _, value in lines if label.lower() == "filmed-after"]
    fresh = manifest["challenge"]
    if any(one != (fresh and fresh["filmed_after"]) for one in stated):
        yield Disagreement(name, "it dates the challenge otherwise than manifest.json")


# -------------------------------------------------------------------------- reports


class _Page(HTMLParser):
    """Collects what a reader sees, and the data blocks."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.seen: list[str] = []
        self.blocks: list[str] = []
        self.stated: list[str] = []  # hashes of spin.json that the page says it was made from
        self._inside: list[str] = []
        self._is_data = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "meta" and ("name", RESULT_HASH) in attrs:
            self.stated += [value or "" for key, value in attrs if key == "content"]
        if tag in ("script", "style"):
            self._inside.append(tag)
            self._is_data = tag == "script" and ("type", "application/json") in attrs
            if self._is_data:
                self.blocks.append("")

    def handle_endtag(self, tag: str) -> None:
        if self._inside and tag == self._inside[-1]:
            self._inside.pop()
            self._is_data = False

    def handle_data(self, data: str) -> None:
        if self._is_data:
            self.blocks[-1] += data
        elif not self._inside:
            self.seen.append(data)


def in_page(spin: Document, spin_hash: str, data: bytes, name: str) -> Iterator[Disagreement]:
    """Hold the HTML report against ``spin.json``: what is seen and what is carried along."""
    page = _Page()
    try:
        page.feed(data.decode("utf-8"))
        page.close()
    except (ValueError, AssertionError) as error:
        yield Disagreement(name, f"it is damaged ({plain(str(error))})")
        return
    seen = " ".join(page.seen)
    yield from _states(spin, seen, name)
    if any(one != spin_hash for one in page.stated) or spin_hash not in _packed(seen):
        yield Disagreement(name, "it was made from another spin.json: it does not bear its hash")
    for block in page.blocks:
        try:
            carried = json.loads(block)
        except (ValueError, RecursionError):
            yield Disagreement(name, "a block of data in it is damaged")
            continue
        for document in _spins_in(carried):
            if not _same(document, spin):
                yield Disagreement(name, "it carries another spin.json than the dossier")


def _spins_in(value: Any) -> Iterator[Document]:
    """Find whole results in the data of a page."""
    if isinstance(value, dict):
        if value.get("schema") == SPIN_SCHEMA:
            yield value
        else:
            for part in value.values():
                yield from _spins_in(part)
    elif isinstance(value, list):
        for part in value:
            yield from _spins_in(part)


def _same(one: Document, other: Document) -> bool:
    """Compare all but the list of files, which grows while reports are made."""
    kept = [{key: part for key, part in d.items() if key != "files"} for d in (one, other)]
    return kept[0] == kept[1]


def in_paper(
    spin: Document, data: bytes, attached: Mapping[str, bytes], short_hash: str, name: str
) -> Iterator[Disagreement]:
    """Hold the PDF report against the dossier: text, attachments, the hash on its pages."""
    logging.getLogger("pypdf").setLevel(logging.CRITICAL)  # it tells of each oddity otherwise
    try:
        reader = pypdf.PdfReader(io.BytesIO(data))
        if len(reader.pages) > MOST_PAGES:
            yield Disagreement(name, "it has far too many pages")
            return
        texts = [page.extract_text() for page in reader.pages]
        files = {key: list(parts) for key, parts in reader.attachments.items()}
    except Exception as error:  # the library raises whatever its parser stumbles over
        yield Disagreement(name, f"it cannot be read ({plain(str(error))})")
        return
    for key, content in attached.items():
        if key not in files:
            yield Disagreement(name, f"{key} is not attached to it")
        elif any(part != content for part in files[key]):
            yield Disagreement(name, f"the {key} attached to it is not the dossier's")
    whole = " ".join(texts)
    yield from _states(spin, whole, name)
    if hashlib.sha256(attached.get("spin.json", b"")).hexdigest() not in _packed(whole):
        yield Disagreement(name, "it does not print the SHA-256 of spin.json")
    without = [n for n, text in enumerate(texts, 1) if short_hash not in _packed(text)]
    if without:
        yield Disagreement(name, f"page {without[0]} does not bear the hash {short_hash}")


def _states(spin: Document, text: str, name: str) -> Iterator[Disagreement]:
    """Look for the headline figures, whatever kind of space or line end is between digits."""
    packed = _packed(text)
    for what, figure in headline(spin).items():
        if _packed(figure) not in packed:
            yield Disagreement(name, f"it does not state the {what} of spin.json, {figure}")


def _packed(text: str) -> str:
    """Take out spaces of every kind and places to break a line; one sign for the minus."""
    return re.sub(r"[\s\u200b\u2060]", "", text).replace("\u2212", "-")
