"""What does a person tell of an attempt?  Facts: a key and a plain value each.

Facts come as ``key=value`` or from a table of a TOML file.  They are data from outside: keys are
brought to one form, text is freed of what is not printable and bounded in length.

Some keys have a meaning to the analyses: ``top``, ``tip``, ``base``, ``stem`` and ``operator``
name things; ``temperature`` is in degrees Celsius, ``pressure`` in hPa, ``diameter_mm`` in mm,
``inertia_kg_m2`` in kg m²; ``date`` is a day or an instant in ISO 8601 form.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable, Mapping
from datetime import date, datetime, time
from typing import Any

from vidspin.errors import UsageError
from vidspin.records import Fact

MOST_FACTS = 200
LONGEST_KEY = 64
LONGEST_TEXT = 2000
# Tables that say nothing but "here are the facts": their name does not become part of a key.
PLAIN_TABLES = ("attempt", "facts")
# What the table of the top says that has a meaning of its own (see above).
OF_THE_TOP = ("tip", "stem", "diameter_mm", "inertia_kg_m2")
# A number as people write one; 007 and 1e5 are names as likely as numbers, so they stay text.
_NUMBER = re.compile(r"[-+]?(0|[1-9]\d{0,14})(\.\d{1,15})?", re.ASCII)
_KEY = re.compile(r"[a-z0-9_.]+", re.ASCII)


def printable(text: str, *, most: int = LONGEST_TEXT) -> str:
    """Return text on one line, without control characters, cut to `most` letters.

    Accented letters are brought to one form (NFC): typed and copied names look alike in both.
    """
    line = unicodedata.normalize("NFC", " ".join(text.split()))
    return "".join(letter if letter.isprintable() else "\ufffd" for letter in line)[:most]


def fact_key(text: str, *, where: str) -> str:
    """Bring a key to its one form: small letters, digits, ``_`` and ``.``.

    Parameters
    ----------
    text : str
        The key as typed; spaces and hyphens become ``_``.
    where : str
        File or option, for the error.

    Raises
    ------
    UsageError
        When nothing or anything else is in it.
    """
    key = re.sub(r"[\s-]+", "_", text.strip().lower())
    if not _KEY.fullmatch(key) or len(key) > LONGEST_KEY:
        raise UsageError(
            f"{printable(text, most=40)!r} is no key of a fact",
            where=where,
            do="use letters a-z, digits and _, such as tip or room_temperature",
        )
    return key


def read_value(text: str) -> Fact:
    """Read a value as typed: a plain decimal number becomes one, all else stays text."""
    stripped = text.strip()
    return float(stripped) if _NUMBER.fullmatch(stripped) else printable(stripped)


def parse_facts(texts: Iterable[str], *, where: str = "--fact") -> dict[str, Fact]:
    """Read facts written as ``key=value``; the last of one key counts.

    Raises
    ------
    UsageError
        When a text has no ``=``, no key or no value.
    """
    facts: dict[str, Fact] = {}
    for text in texts:
        key, equals, value = text.partition("=")
        if not equals or not value.strip():
            raise UsageError(
                f"{printable(text, most=40)!r} is not key=value",
                where=where,
                do="write tip=carbide",
            )
        facts[fact_key(key, where=where)] = read_value(value)
    return facts


def facts_from_table(table: Mapping[str, Any], *, where: str) -> dict[str, Fact]:
    """Take the facts out of a parsed TOML file.

    Parameters
    ----------
    table : mapping
        What the file holds: plain values, lists of plain values, tables of these.
    where : str
        The file, for the error.

    Returns
    -------
    dict
        Flat: ``mass_g`` of a table ``[top]`` becomes ``top.mass_g``, its ``name`` becomes
        ``top`` and its ``tip`` (and the others of `OF_THE_TOP`) ``tip``; the names in
        `PLAIN_TABLES` are left out; a list becomes one text with ``; `` between; days and times
        become ISO 8601 text.  Empty texts and lists of tables (such as witnesses) are no facts.

    Raises
    ------
    UsageError
        When a key has other letters than a key may have, a number is not finite, or there are
        more than `MOST_FACTS` facts.
    """
    facts = dict(_flat(table, "", where))
    if len(facts) > MOST_FACTS:
        raise UsageError(f"more than {MOST_FACTS} facts", where=where, do="keep what matters")
    return facts


def _flat(table: Mapping[str, Any], before: str, where: str) -> Iterable[tuple[str, Fact]]:
    for name, value in table.items():
        if isinstance(value, Mapping):
            plain = not before and name in PLAIN_TABLES
            yield from _flat(value, "" if plain else f"{before}{name}.", where)
        elif value != "" and not (isinstance(value, list) and any(map(_is_table, value))):
            key = before[:-1] if before and name == "name" else before + name
            key = name if before == "top." and name in OF_THE_TOP else key
            yield fact_key(key, where=where), _plain(value, key, where)


def _is_table(value: Any) -> bool:
    return isinstance(value, Mapping)


def _plain(value: Any, key: str, where: str) -> Fact:
    if isinstance(value, bool):
        return value
    if isinstance(value, int | float) and math.isfinite(value):
        return float(value)
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, list):
        return printable("; ".join(fact_text(_plain(item, key, where)) for item in value))
    raise UsageError(
        f"{printable(key, most=40)} is not a plain value", where=where, do="give text or a number"
    )


def fact_text(value: Fact | None) -> str:
    """Write a fact as people do: ``carbide``, ``21.5``, ``yes``; an empty text for None."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float | int):
        return f"{value:.12g}"
    return unicodedata.normalize("NFC", value)  # results of before hold either form


def has_facts(facts: Mapping[str, Fact], wanted: Mapping[str, Fact]) -> bool:
    """Whether facts are these, as people read them: a text ``21.5`` is the number 21.5."""
    return all(fact_text(facts.get(key)) == fact_text(value) for key, value in wanted.items())


def fact_number(facts: Mapping[str, Fact], key: str) -> float | None:
    """Return a fact that is a number, None where it is absent or text."""
    value = facts.get(key)
    return float(value) if isinstance(value, float | int) and not isinstance(value, bool) else None
