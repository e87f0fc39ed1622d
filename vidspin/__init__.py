"""Measure a spinning top's speed from phone footage.

The public names below are loaded when they are first used, so that importing the package,
and asking the command line for help, costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vidspin.errors import VidspinError
    from vidspin.records import Result, Settings
    from vidspin.store import read_attempt, read_result, to_json, write_result
    from vidspin.summary import summarise

__version__ = "0.1.0"

__all__ = [
    "Result",
    "Settings",
    "VidspinError",
    "__version__",
    "read_attempt",
    "read_result",
    "summarise",
    "to_json",
    "write_result",
]

_HOMES = {
    "Result": "vidspin.records",
    "Settings": "vidspin.records",
    "VidspinError": "vidspin.errors",
    "read_attempt": "vidspin.store",
    "read_result": "vidspin.store",
    "summarise": "vidspin.summary",
    "to_json": "vidspin.store",
    "write_result": "vidspin.store",
}


def __getattr__(name: str) -> Any:
    """Load a public name from the module that holds it."""
    if name not in _HOMES:
        raise AttributeError(f"module 'vidspin' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    """List the public names."""
    return sorted(__all__)
