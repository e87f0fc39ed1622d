"""Invented results as report data, for tests of page and paper."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from fabricate import Kind, draw_top, fabricate

from vidspin.figures.chart import spin_chart
from vidspin.figures.stills import draw_stills
from vidspin.records import Result, Strip
from vidspin.report import gather, html_report
from vidspin.store import write_result

HOSTILE = (
    "</script><script>alert(1)</script>",
    '"><img src=x onerror=alert(2)>',
    "evil\u202egpj.exe",
    "\x1b[31mred\x1b[0m\x07\x00",
    '#panic("out") *bold* $x$ @ref <label> `raw` #include "/etc/passwd"',
    "../../x",
    "\ud800 alone",
    "x" * 3000,
)


def invented(kind: Kind = "resolved", *, duration_s: float = 60.0, marks: int = 1) -> Result:
    """Return an invented result with whole frames along the way."""
    result = fabricate(kind, duration_s=duration_s, marks=marks)
    times = np.arange(0.0, duration_s, duration_s / 5)
    pictures = tuple(draw_top(0.7 * i, rows=180, columns=320) for i in range(len(times)))
    return dataclasses.replace(result, timeline=Strip("timeline", times, pictures))


def folder_of(result: Result, folder: Path) -> dict[str, bytes]:
    """Write the result with its page and return its files."""
    pictures = {"spinchart.png": spin_chart(result)} | draw_stills(result)
    write_result(result, pictures, folder, report=lambda files: html_report(gather(files)).encode())
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def with_document(
    files: dict[str, bytes], change: Callable[[dict[str, Any]], None]
) -> dict[str, bytes]:
    """Return the files with a changed ``spin.json``."""
    document = json.loads(files["spin.json"])
    change(document)
    return files | {"spin.json": json.dumps(document).encode()}


def with_text_everywhere(files: dict[str, bytes], text: str) -> dict[str, bytes]:
    """Put a text wherever one may come from a file or a person."""

    def change(document: dict[str, Any]) -> None:
        recording = document["recording"]
        recording["name"] = text
        recording["time_scale_from"] = text
        recording["faults"] = [text]
        for chapter in recording["chapters"]:
            chapter["name"] = chapter["codec"] = chapter["container"] = text
            chapter["tags"] = {text: text}
        document["alias"]["reason"] = text
        for cue in document["alias"]["cues"]:
            cue["note"] = cue["name"] = text
        for check in document["checks"]:
            check["note"] = check["figure"] = check["name"] = text
        for line in document["budget"]:
            line["source"] = line["note"] = text
        document["release"] |= {"how": text, "overruled": True, "reason": text}
        document["camera"]["clock_ppm"]["how"] = text
        document["facts"] = {"notes": text}
        document["reviews"] = [
            {"at": text, "event": "release", "action": "overruled", "from_s": None, "to_s": 1.0,
             "reason": text},
        ]  # fmt: skip

    return with_document(files, change)
