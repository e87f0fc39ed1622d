"""Which bytes stand for a JSON value?

The canonical form of RFC 8785: one value, one sequence of bytes, whoever writes it.
"""

from __future__ import annotations

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
