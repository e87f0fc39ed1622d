"""What does the maker state about the attempt?

A TOML file that a person fills in.  It goes into the dossier as it is; what it says is also
put into the manifest, so that reports and signatures cover it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from importlib import resources
from typing import Any

from vidspin.documents import read_toml
from vidspin.dossier.sshsig import read_public_line
from vidspin.errors import UsageError
from vidspin.units import parse_duration
from vidspin.wording import plain

LONGEST_FILE = 1 << 18
LONGEST_TEXT = 4000
MOST_WITNESSES = 50

_ROLE = re.compile(r"[a-z][a-z0-9-]{0,30}[a-z0-9]")
_FINGERPRINT = re.compile(r"SHA256:[A-Za-z0-9+/]{43}")
_PERSON = ("name", "key", "statement")
_TABLES: dict[str, tuple[str, ...]] = {
    "": ("title", "date", "place", "rules", "notes"),
    "operator": _PERSON,
    "top": ("name", "maker", "material", "mass_g", "diameter_mm", "height_mm", "tip", "marks"),
    "base": ("name", "maker", "material", "diameter_mm", "shape"),
    "camera": ("model", "mode", "place", "distance_mm"),
    "witness": ("role", *_PERSON, "stopwatch"),
}


@dataclass(frozen=True, slots=True)
class Attempt:
    """The facts of an attempt as somebody stated them.

    Attributes
    ----------
    facts : dict
        Plain JSON; what was left empty is left out.
    keys : dict of str to str
        Role and key fingerprint of everybody whose key was stated.
    raw : bytes
        The file as it was.
    """

    facts: dict[str, Any] = field(default_factory=dict)
    keys: dict[str, str] = field(default_factory=dict)
    raw: bytes = b""


def template() -> str:
    """Return the file to fill in, with a comment for every line."""
    return resources.files("vidspin.dossier").joinpath("attempt-template.toml").read_text("utf-8")


def expected_signers(facts: Mapping[str, Any]) -> list[dict[str, Any]]:
    """List who is to sign, as the facts of an attempt name them.

    Returns
    -------
    list of dict
        ``role`` and ``key`` (fingerprint, None where none was stated) of the operator and each
        witness of whom anything was stated.
    """
    people = [{"role": "operator", **facts["operator"]}] if facts.get("operator") else []
    people += facts.get("witnesses", [])
    nobody = "a witness without a role"  # in no attempt that `read_attempt` has read
    return [{"role": str(one.get("role", nobody)), "key": one.get("key")} for one in people]


def is_role(text: str) -> bool:
    """Tell whether a text can name a role: small letters, digits and dashes."""
    return _ROLE.fullmatch(text) is not None


def read_attempt(raw: bytes, where: str) -> Attempt:
    """Read a filled-in template.

    Parameters
    ----------
    raw : bytes
        The file.
    where : str
        Its name, for messages.

    Raises
    ------
    UsageError
        It is no TOML, or holds something that the template does not have.
    """
    if len(raw) > LONGEST_FILE:
        raise UsageError("far too long", where=where, do="fill in `vidspin dossier --template`")
    try:
        tables = read_toml(raw)
    except ValueError as error:
        raise UsageError(
            f"not a TOML file ({plain(str(error))})", where=where,
            do="fill in `vidspin dossier --template`",
        ) from error  # fmt: skip
    reader = _Reader(where)
    facts = reader.facts(tables)
    return Attempt(facts, reader.keys, raw)


class _Reader:
    """Goes through the tables and remembers keys."""

    def __init__(self, where: str) -> None:
        self._where = where
        self.keys: dict[str, str] = {}

    def facts(self, tables: Mapping[str, Any]) -> dict[str, Any]:
        top = {key: value for key, value in tables.items() if key not in _TABLES}
        facts = self._table("", top)
        for name in ("operator", "top", "base", "camera"):
            part = self._table(name, tables.get(name, {}))
            if name == "operator":
                self._remember_key("operator", part)
            if part:
                facts[name] = part
        witnesses = self._witnesses(tables.get("witness", []))
        if witnesses:
            facts["witnesses"] = witnesses
        return facts

    def _witnesses(self, listed: Any) -> list[dict[str, Any]]:
        if not isinstance(listed, list) or len(listed) > MOST_WITNESSES:
            raise self._fault("witness", "must be written as [[witness]], one block each")
        found = [self._table("witness", one) for one in listed]
        for number, one in enumerate(found, start=1):
            role = one.setdefault("role", f"witness-{number}")
            if not is_role(str(role)):
                raise self._fault("role", "is small letters, digits and dashes: witness-a")
            self._remember_key(str(role), one)
        if len({one["role"] for one in found}) < len(found):
            raise self._fault("role", "stands twice")
        if any(one["role"] == "operator" for one in found):
            raise self._fault("role", "of a witness cannot be operator")
        return [one for one in found if set(one) != {"role"}]

    def _table(self, name: str, values: Any) -> dict[str, Any]:
        if not isinstance(values, dict):
            raise self._fault(name, "must be a table")
        unknown = sorted(set(values) - set(_TABLES[name]))
        if unknown:
            raise self._fault(unknown[0], "is not in the template")
        return {key: kept for key, one in values.items() if (kept := self._value(key, one)) != ""}

    def _value(self, key: str, value: Any) -> str | float:
        if key == "stopwatch" and value not in ("", None):
            try:
                return parse_duration(str(value))
            except ValueError as error:
                raise self._fault(key, "is a time such as 0:41:37.2") from error
        if isinstance(value, bool | list | dict):
            raise self._fault(key, "must be a text or a number")
        if isinstance(value, datetime | date | time):
            return value.isoformat()
        if isinstance(value, int | float):
            if abs(value) > 1e15 or value != value:
                raise self._fault(key, "is no sensible number")
            return float(value)
        text = str(value).strip()
        if len(text) > LONGEST_TEXT:
            raise self._fault(key, f"is longer than {LONGEST_TEXT} characters")
        return text

    def _remember_key(self, role: str, part: dict[str, Any]) -> None:
        """Turn a stated key into its fingerprint."""
        stated = str(part.get("key", ""))
        if not stated:
            return
        if not _FINGERPRINT.fullmatch(stated):
            try:
                stated = read_public_line(stated).fingerprint
            except ValueError as error:
                raise self._fault("key", "is a line ssh-ed25519 AAAA… or SHA256:…") from error
        if stated in self.keys.values():
            raise self._fault("key", "stands twice: everybody signs with a key of their own")
        part["key"] = stated
        self.keys[role] = stated

    def _fault(self, key: str, what: str) -> UsageError:
        return UsageError(
            f"“{plain(key)}” {what}", where=self._where, do="see `vidspin dossier --template`"
        )
