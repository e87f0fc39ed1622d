"""Where is kept what of all frames together takes much room: ring profiles, rows of numbers?

A profile is stored as 16-bit steps of 1/128 grey level: finer than any camera's noise, and half
the room of floats.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from vidspin.records import Float32Array, Rows

STEPS_PER_LEVEL = 128.0
LOWEST_LEVEL = -128.0  # contrast normalisation can carry dark rings below zero
BLOCK = 512  # profiles an array


class Profiles(Protocol):
    """Ring profiles in the order of frames."""

    def __len__(self) -> int: ...

    def append(self, profile: NDArray[np.float32]) -> None:
        """Add the next frame's profile, (N,)."""
        ...

    def read(self, first: int, last: int) -> NDArray[np.float32]:
        """Profiles of frames ``first`` to ``last - 1``, (F, N)."""
        ...


class KeptRows(Rows, Protocol):
    """Rows of numbers that are added one after the other, and read when all are there."""

    def append(self, rows: Float32Array) -> None:
        """Add the next rows, (K, q)."""
        ...


def packed(profile: NDArray[np.float32]) -> NDArray[np.uint16]:
    """Turn grey levels into steps."""
    steps = (profile - LOWEST_LEVEL) * STEPS_PER_LEVEL + 0.5
    return np.asarray(np.clip(steps, 0, 65535), np.uint16)


def unpacked(steps: NDArray[np.uint16]) -> NDArray[np.float32]:
    """Turn steps into grey levels."""
    return steps.astype(np.float32) / np.float32(STEPS_PER_LEVEL) + np.float32(LOWEST_LEVEL)


class MemoryProfiles:
    """Profiles kept in memory: for short recordings and for tests."""

    def __init__(self) -> None:
        self._blocks: list[NDArray[np.uint16]] = []
        self._count = 0

    def __len__(self) -> int:
        return self._count

    def append(self, profile: NDArray[np.float32]) -> None:
        """Add the next frame's profile, (N,)."""
        row = self._count % BLOCK
        if row == 0:
            self._blocks.append(np.empty((BLOCK, len(profile)), np.uint16))
        self._blocks[-1][row] = packed(profile)
        self._count += 1

    def read(self, first: int, last: int) -> NDArray[np.float32]:
        """Profiles of frames ``first`` to ``last - 1``, (F, N)."""
        last = min(last, self._count)
        parts = [
            self._blocks[b][max(0, first - b * BLOCK) : last - b * BLOCK]
            for b in range(first // BLOCK, (max(last, first + 1) - 1) // BLOCK + 1)
        ]
        return unpacked(np.concatenate(parts))
