"""Kinds of arrays, and a value with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Float32Array = NDArray[np.float32]
FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
ByteArray = NDArray[np.uint8]
LumaArray = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value with its standard uncertainty and where it came from."""

    value: float
    u: float
    how: str = ""
