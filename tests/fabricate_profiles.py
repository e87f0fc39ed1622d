"""Ring profiles of a known top, drawn by averaging over the exposure of every place.

Shares no formula with the analysis: each place of the ring is read at its own time, and the
mark's darkness there is averaged over many instants of its exposure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.records import FloatArray

INSTANTS = 64  # of the exposure; a mark is wider than a step of it for smears up to 6 rad


@dataclass(frozen=True, slots=True, kw_only=True)
class Ring:
    """What is true of a top and of its camera; angles and places in rad, times in s."""

    angles: int = 256
    mark_width: float = 0.12  # standard deviation
    mark_depth: float = -40.0  # grey levels
    marks: int = 1
    weakest: float = 1.0  # the mark on the far side, against the strongest one
    half_rows: float = 0.3  # half the ring's extent across the rows, frame heights
    readout_s: float = 0.0
    exposure_s: float = 1e-4
    light: float = 0.3  # how unevenly the ring is lit
    geometry: tuple[tuple[float, float], ...] = ()  # cosine and sine of seen minus true, rad
    noise: float = 0.0

    @property
    def theta(self) -> FloatArray:
        """Places round the ring."""
        return np.arange(self.angles) * (2 * np.pi / self.angles)

    @property
    def rows(self) -> FloatArray:
        """Rows from the frame's middle row, frame heights, downwards."""
        return self.half_rows * np.sin(self.theta)

    @property
    def visibility(self) -> FloatArray:
        """How strongly the mark shows at each place; mean 1."""
        return 1 + self.light * np.cos(self.theta - 0.7)

    @property
    def still(self) -> FloatArray:
        """The ring without its mark, grey levels."""
        return 130 * self.visibility + 12 * np.cos(3 * self.theta + 1)

    def mark(self, angle: FloatArray) -> FloatArray:
        """The unsmeared mark, or all of them, at angles from (one) mark's middle."""
        away = np.mod(self.marks * angle + np.pi, 2 * np.pi) - np.pi
        strength = (1 + self.weakest) / 2 + (1 - self.weakest) / 2 * np.cos(angle)
        return (
            self.mark_depth * strength * np.exp(-0.5 * (away / self.marks / self.mark_width) ** 2)
        )

    def profiles(
        self, phi: FloatArray, omega: FloatArray, rng: np.random.Generator | None = None
    ) -> np.ndarray:
        """Draw frames whose mark is at `phi` when the middle row is half exposed; (F, N)."""
        true = self.theta.copy()
        for h, (c, s) in enumerate(self.geometry, start=1):
            true -= c * np.cos(h * self.theta) + s * np.sin(h * self.theta)
        moment = ((np.arange(INSTANTS) + 0.5) / INSTANTS - 0.5) * self.exposure_s
        when = self.readout_s * self.rows[:, None] + moment  # (N, INSTANTS)
        drawn = np.empty((len(phi), self.angles))
        for k, (at, speed) in enumerate(zip(phi, omega, strict=True)):
            seen = self.mark(true[:, None] - (at + speed * when)).mean(1)
            drawn[k] = self.still + self.visibility * seen
        if self.noise:
            if rng is None:
                raise ValueError("noise needs a generator")
            drawn += rng.normal(0, self.noise, drawn.shape)
        return drawn.astype(np.float32)
