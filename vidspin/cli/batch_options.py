"""Options of a batch's recordings, from ``vidspin.toml`` files.

A file holds the options of ``vidspin measure`` by their names without the dashes; a table that
is named as a file of the folder holds options for that recording alone.  ``camera`` is a path
from the file that names it; ``reference`` belongs to one recording, so that only a table has it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from vidspin.cli.common import (
    check_instants,
    parse_capture_rate,
    parse_every,
    parse_instant,
    parse_marks,
    parse_number,
    parse_pair,
    read_bounds,
    read_radii,
)
from vidspin.cli.references import parse_references
from vidspin.cli.told import facts_beside, read_toml
from vidspin.errors import UsageError
from vidspin.facts import facts_from_table, parse_facts, printable
from vidspin.records import CameraProfile, Fact, Reference, Settings
from vidspin.store.cameras import read_profile
from vidspin.units import rad_from_degrees

NAME = "vidspin.toml"


def _bounds(text: str, option: str) -> tuple[float, float]:
    parts = text.split(",")
    if len(parts) != 2:
        raise UsageError(f"{text!r} is not two speeds", where=option, do="write [0, 4000]")
    return read_bounds((parts[0], parts[1]))


# Option of `vidspin measure`: field of `Settings`, reader of its text.
_READERS: dict[str, tuple[str, Callable[[str, str], Any]]] = {
    "centre": ("centre_px", parse_pair),
    "radii": ("radii_px", lambda text, _: read_radii(text)),
    "tilt": ("tilt_rad", lambda text, option: rad_from_degrees(parse_number(text, option))),
    "marks": ("marks", parse_marks),
    "between": ("bounds_rpm", _bounds),
    "captured-at": ("captured_at", parse_capture_rate),
    "release": ("release_s", parse_instant),
    "topple": ("topple_s", parse_instant),
    "reason": ("overrule_reason", lambda text, _: text),
    "every": ("every_s", parse_every),
    "diameter": (
        "diameter_mm", lambda text, option: parse_number(text, option, low=0.0, above=True),
    ),
    "camera": ("camera", lambda text, _: _profile(Path(text))),
}  # fmt: skip
_REFERENCES = ("reference", "reference-within")  # one field of `Settings`, of one recording


def _profile(path: Path) -> CameraProfile:
    """Read a camera's profile; a batch waits for no pipe."""
    if path.exists() and not path.is_file():
        raise UsageError("it is no file", where=str(path), do="name a camera's profile")
    return read_profile(path)


@dataclass(frozen=True, slots=True)
class Told:
    """What was told of one recording."""

    settings: Settings = field(default_factory=Settings)
    facts: dict[str, Fact] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class OptionsFile:
    """One ``vidspin.toml`` as read."""

    where: str
    options: Mapping[str, Any]
    single: Mapping[str, Mapping[str, Any]]  # by file name


def read_options(path: Path) -> OptionsFile:
    """Read a file of options; an empty one where there is none.

    Raises
    ------
    UsageError
        It cannot be read, is no TOML, or holds a key that is no option.
    """
    where = str(path)
    if not path.is_file():
        return OptionsFile(where, {}, {})
    table = read_toml(path, of="options", example="between = [0, 4000]")
    single = {k: v for k, v in table.items() if isinstance(v, dict) and k != "fact"}
    options = {key: value for key, value in table.items() if key not in single}
    _refuse_common_references(options, where)
    _refuse_unknown(options, where)
    for name, inside in single.items():
        if not (path.parent / name).is_file() or "/" in name:
            raise UsageError(
                f"[{printable(name, most=60)}] is no file beside it",
                where=where,
                do="name the table as the recording's file, with its ending, in quotes",
            )
        _refuse_unknown(inside, f"{where} [{printable(name, most=60)}]", chapters=False)
    options = _from_here(options, path.parent)
    single = {name: _from_here(inside, path.parent) for name, inside in single.items()}
    found = OptionsFile(where, options, single)
    chapters_of(found)
    for told in ({}, *single.values()):
        _told({**options, **told}, where)
    return found


def _from_here(table: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """Options of which the path of a camera's profile starts in the file's own folder."""
    camera = table.get("camera")
    return {**table, **({"camera": str(folder / camera)} if isinstance(camera, str) else {})}


def _refuse_common_references(table: Mapping[str, Any], where: str) -> None:
    for key in _REFERENCES:
        if key in table:
            raise UsageError(
                "it belongs to one recording",
                where=f"{where}, {key}",
                do='write it below a table such as ["IMG_0001.mp4"]',
            )


def _refuse_unknown(table: Mapping[str, Any], where: str, *, chapters: bool = True) -> None:
    known = [*_READERS, "fact", *(["chapters"] if chapters else _REFERENCES)]
    for key in table:
        if key not in known:
            raise UsageError(
                f"{printable(key, most=40)!r} is no option of vidspin measure",
                where=where,
                do=f"use {', '.join(known)}",
            )


def chapters_of(file: OptionsFile) -> list[list[str]]:
    """File names of the recordings that the file says are made of several chapters."""
    stated = file.options.get("chapters", [])
    good = isinstance(stated, list) and all(
        isinstance(one, list) and len(one) > 1 and all(isinstance(name, str) for name in one)
        for one in stated
    )
    if not good:
        raise UsageError(
            "chapters is not a list of lists of file names",
            where=file.where,
            do='write chapters = [["a.mp4", "b.mp4"]]',
        )
    names = [name for one in stated for name in one]
    folder = Path(file.where).parent
    for name in names:
        if names.count(name) > 1 or "/" in name or not (folder / name).is_file():
            raise UsageError(
                f"chapters names {printable(name, most=60)!r}, which is no file beside it or is "
                "named twice", where=file.where, do="name each file of the folder once",
            )  # fmt: skip
    return [list(one) for one in stated]


class Options:
    """The options of every recording below a folder; each file is read once.

    Parameters
    ----------
    folder : Path
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._files: dict[Path, OptionsFile] = {}

    def file(self, folder: Path) -> OptionsFile:
        """Return the file of one folder."""
        if folder not in self._files:
            self._files[folder] = read_options(folder / NAME)
        return self._files[folder]

    def told(self, recording: Path) -> Told:
        """Options and facts of a recording: the whole folder's, its own folder's, its own."""
        near = self.file(recording.parent)
        merged: dict[str, Any] = dict(self.file(self._folder).options)
        facts = _facts(merged, near.where)
        for more in (near.options, near.single.get(recording.name, {})):
            merged.update(more)
            facts.update(_facts(more, near.where))
        return Told(_told(merged, near.where), {**facts_beside(recording), **facts})

    def chapters(self, places: list[str]) -> list[list[str]]:
        """Chapters by the files' word, as places below the folder."""
        stated = []
        for below in sorted({place.rpartition("/")[0] for place in places}):
            for names in chapters_of(self.file(self._folder / below)):
                stated.append([f"{below}/{name}" if below else name for name in names])
        return stated


def _facts(options: Mapping[str, Any], where: str) -> dict[str, Fact]:
    stated = options.get("fact", {})
    if isinstance(stated, dict):
        return facts_from_table(stated, where=where)
    listed = stated if isinstance(stated, list) else [stated]
    return parse_facts([str(one) for one in listed], where=where)


def _told(options: Mapping[str, Any], where: str) -> Settings:
    """Read the options with the readers of the command line; an error names the file too."""
    given: dict[str, Any] = {}
    try:
        for key, value in options.items():
            if key in _READERS:
                name, reader = _READERS[key]
                given[name] = reader(_text(value, key), key)
        given["references"] = _references(options)
        settings = replace(Settings(), **given)
        check_instants(settings)
    except UsageError as error:
        raise UsageError(error.what, where=f"{where}, {error.where}", do=error.do) from error
    return settings


def _references(options: Mapping[str, Any]) -> tuple[Reference, ...]:
    """Read what a recording's table says of a better clock."""
    key, within_key = _REFERENCES
    stated, within = options.get(key, []), options.get(within_key)
    texts = stated if isinstance(stated, list) else [stated]
    if not all(isinstance(one, str) for one in texts):
        raise UsageError(
            "not a list of texts", where=key,
            do='write reference = ["12.40=0:00:00.0", "2489.35=0:41:37.2"]',
        )  # fmt: skip
    return parse_references(texts, None if within is None else _text(within, within_key))


def _text(value: Any, key: str) -> str:
    """Bring a TOML value to the text that a person would type."""
    if isinstance(value, list) and all(_is_number(one) for one in value):
        return ",".join(str(one) for one in value)
    if isinstance(value, str) or _is_number(value):
        return str(value)
    raise UsageError("not a number or a text", where=key, do="write it as on the command line")


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
