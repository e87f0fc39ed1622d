"""Which bytes stand for a JSON value?

The canonical form of RFC 8785: one value, one sequence of bytes, whoever writes it.
"""

from __future__ import annotations

import json
from typing import Any

import rfc8785


def dumps(value: Any) -> bytes:
    """Write a value in the canonical form of RFC 8785.

    Parameters
    ----------
    value : Any
        Strings, booleans, None, floats, integers up to 2**53, lists, dicts with string keys.

    Returns
    -------
    bytes
        UTF-8, without a line end.

    Raises
    ------
    ValueError
        The value has no canonical form: NaN, infinity, too large an integer, another type.
    """
    try:
        return rfc8785.dumps(value)
    except (rfc8785.CanonicalizationError, RecursionError) as error:
        raise ValueError(f"no canonical form: {error}") from error


def loads(data: bytes) -> Any:
    """Read JSON strictly: UTF-8, no NaN, no key twice, no bottomless nesting.

    Raises
    ------
    ValueError
        The bytes are not such a JSON text.
    """
    try:
        return json.loads(
            data.decode("utf-8"), parse_constant=_refuse, object_pairs_hook=_without_repeats
        )
    except RecursionError as error:
        raise ValueError("nested too deeply") from error


def _refuse(name: str) -> float:
    raise ValueError(f"{name} is not a number")


def _without_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice in one object")
    return found
