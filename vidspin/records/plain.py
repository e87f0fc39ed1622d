"""Kinds of arrays, and a value with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Float32Array = NDArray[np.float32]
FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
ByteArray = NDArray[np.uint8]
LumaArray = NDArray[np.uint8] | NDArray[np.uint16]


class Rows(Protocol):
    """Rows of numbers that are read some at a time: an array, or what a file holds."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Rows and columns."""
        ...

    def __getitem__(self, rows: slice, /) -> Float32Array | FloatArray:
        """Take rows that follow each other."""
        ...


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value with its standard uncertainty and where it came from."""

    value: float
    u: float
    how: str = ""
