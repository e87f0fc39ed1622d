"""Where is the top in this frame, and how bright is its ring all round?

The top wanders on its base and the camera shakes, by small steps from frame to frame.  A
still of the top without its mark (a median over the recording) is fitted to every frame by
one linear least-squares step in place, brightness and contrast; then the mark's ring is
unrolled about that place.  The mark's own ring is left out of the fit, so that the mark does
not pull the place along.  The contrast may change from row to row: a lamp flickers while the
rows are read one after the other, and its bands go round in step with nothing that turns.

References
----------
B. D. Lucas and T. Kanade, "An iterative image registration technique with an application to
stereo vision", Proc. IJCAI 1981 (the linear step; from memory).
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspin.frames import radial
from vidspin.middle import medians
from vidspin.records import Ellipse, FloatArray, Frame, LumaArray, Survey
from vidspin.ring import even_angles, half_size, radii_at, resized, resized_px, ring_points
from vidspin.top.shift import Still, moved_back

MAX_MAJOR = 224.0  # larger tops are reduced by a whole factor first: no accuracy is lost
REACH = 1.30  # the still reaches so far beyond the ring's middle, in ring radii
LOST = 3.0  # misfit, in units of the usual one, at which the place is looked for afresh
# A top that was lost is looked for again after so many frames, or as soon as the picture is off by
# more than so many usual misfits: two pictures of the same differ by 1.4 times their noise.
SEARCH_AGAIN, ALIKE, ALIKE_LEVELS = 24, 1.5, 0.5
SEARCH_STEP = 1.2  # largest step of the linear fit that is trusted, reduced px
MOST_ELEMENTS = 8000  # of the still that are fitted; more tell the place no better
MARGIN = 4  # elements so near to the picture's edge may hold repeated ones when the top moves
SEARCH_REACH = 0.8  # a lost top is looked for so far from its last place, in ring radii
TEMPLATE_HALF = 32  # the still is reduced to about this half size for the search
BANDS = 3  # orders of the polynomial by which the light changes over the rows of the top
SLOPES = 2  # and over its columns, where a soft shadow passes
CLEAR, CLEAR_AMONG = 2.5, 25  # misfit against that of the clear frames, a percentile of some
LEAST_LIGHT = 0.1  # of any row; less is no band of a lamp
# Ring radii beside the mark's band: so near the mark itself may show, and so far the top goes on.
NEAR_MARK, BESIDE_MARK = 0.03, 0.17
LEAST_SLOPES = 2e3  # grey levels squared, all together; less is nothing to hold on to
LEAST_GAIN = 0.05  # of the still's contrast: less is nothing of the still
TELLING_GAINS = (0.2, 5.0)  # between these a frame can be put into the still's light
SINGULAR = 1e-5  # of the fit's columns, against the largest: what the still cannot tell
MIN_ANGLES = 128
STILL_FRAMES = 16  # frames that make the still
MAX_ANGLES = 512


@dataclass(frozen=True, slots=True)
class View:
    """What the follower reads from one frame."""

    profile: NDArray[np.float32]  # (angles,) ring brightness in the still's grey levels
    x_px: float  # centre of the ring, stored px
    y_px: float
    misfit: float  # RMS of still minus frame outside of the ring, grey levels
    gain: float  # contrast of the frame against the still, rows taken together
    level: float  # mean brightness of the top, grey levels
    moved: bool  # the place jumped or could not be found
    wide: NDArray[np.float32] | None = None  # (radii, angles) unrolled to the ring's whole width


_Coordinates = FloatArray | NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Step:
    """One linear fit of the still to a frame."""

    dx: float  # shift, reduced px
    dy: float
    misfit: float  # RMS, grey levels
    gain: float
    offset: float  # grey levels
    uneven: NDArray[np.float32]  # (U,) change of the gain over the top


class Follower:
    """Follows the top from frame to frame and unrolls the ring of its mark.

    Parameters
    ----------
    survey : Survey
        Ring of the mark and the radii at which it shows.
    frames : sequence of Frame
        Some frames spread over the recording; they make the still.

    Notes
    -----
    A frame costs about 0.2 ms whatever its size: only the top's surroundings are touched, and
    tops larger than `MAX_MAJOR` are reduced by area averaging first.
    """

    def __init__(self, survey: Survey, frames: Sequence[Frame]) -> None:
        ring = survey.ring
        self.factor = max(1, int(np.ceil(ring.major_px / MAX_MAJOR)))
        small = resized(ring, 1 / self.factor)
        self.ring = small
        half_x, half_y = half_size(small, REACH * max(survey.outer, 1.0))
        self.half = (int(np.ceil(half_x)) + 2, int(np.ceil(half_y)) + 2)
        self._map_x, self._map_y, self._share = self._ring_map(survey)
        self.angles = self._map_x.shape[1]
        reach = REACH * max(survey.outer, 1.0)
        self.wide_radii = radial.radii_of(survey.inner, survey.outer, reach)
        self._wide_x, self._wide_y = _grid(small, self.wide_radii, even_angles(radial.ANGLES))
        self._x, self._y = small.x_px, small.y_px  # running place, reduced px
        # the crops are cut at whole elements: the centre lies this far beside their middle
        self._beside = (self._x - round(self._x), self._y - round(self._y))
        self._seen = self._inside(frames[0].luma.shape)
        still = self._make_still(frames)
        self._prepare(still, survey)
        rows = self._share[0] @ self._map_y + self.half[1] + self._beside[1]
        columns = self._share[0] @ self._map_x + self.half[0] + self._beside[0]
        self._ring_light = self._light_at(rows, columns)
        self._usual: float | None = None
        self._clear: float | None = None
        self._looked = np.zeros(0, np.float32)  # by the last step
        self._given_up: NDArray[np.float32] | None = None  # the same of a frame searched in vain
        self._waited = 0  # frames since
        cuts = (self._cut(f.luma, self._x - self._beside[0], self._y - self._beside[1])[0]
                for f in frames)  # fmt: skip
        self._clear = float(np.percentile([self._step(cut).misfit for cut in cuts], CLEAR_AMONG))

    @property
    def identity(self) -> int:
        """Checksum of all that was learnt before the first frame."""
        parts = (self._map_x, self._map_y, self._share, self._still, self._use, self._solve)
        checksum = 0
        for part in parts:
            checksum = zlib.crc32(np.ascontiguousarray(part).tobytes(), checksum)
        return checksum

    def state(self) -> dict[str, NDArray[np.float64]]:
        """Give what changed since the first frame, for a checkpoint."""
        usual = np.nan if self._usual is None else self._usual
        given_up = np.zeros(0) if self._given_up is None else self._given_up.astype(np.float64)
        return {
            "follower": np.array([self._x, self._y, usual, self._waited], np.float64),
            "given_up": given_up,
        }

    def go_on(self, state: Mapping[str, NDArray[np.float64]]) -> None:
        """Take up what `state` gave."""
        self._x, self._y, usual, waited = (float(v) for v in state["follower"])
        given_up, self._waited = state["given_up"].astype(np.float32), int(waited)
        self._given_up = given_up if len(given_up) else None
        self._usual = None if np.isnan(usual) else usual

    # ------------------------------------------------------------------ preparation

    def _ring_map(
        self, survey: Survey
    ) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
        """Offsets from the centre at which the ring is sampled, and the weight of each radius."""
        r = self.ring
        around = 2 * np.pi * r.major_px
        angles = int(np.clip(2 ** np.ceil(np.log2(around)), MIN_ANGLES, MAX_ANGLES))
        seen = survey.weights > 0
        if seen.any():
            low, high = survey.radii[seen].min(), survey.radii[seen].max()
        else:
            low, high = survey.inner, survey.outer
        count = int(np.clip(np.ceil((high - low) * r.major_px), 3, 24))
        radii = np.linspace(low, high, count)
        weight = (
            np.interp(radii, survey.radii, survey.weights)
            if len(survey.radii) > 1
            else np.ones(count)
        )
        weight = weight * radii  # equal noise per picture element: outer radii hold more of them
        angle = even_angles(angles)
        return (*_grid(r, radii, angle), (weight / weight.sum()).astype(np.float32)[None])

    def _inside(self, shape: tuple[int, ...]) -> NDArray[np.bool_]:
        """Elements of a crop about the surveyed place that the picture holds, with a margin."""
        (hx, hy), f = self.half, self.factor
        x = np.arange(2 * hx + 1) + round(self._x) - hx
        y = np.arange(2 * hy + 1) + round(self._y) - hy
        rows, columns = shape[0] // f, shape[1] // f
        inside = ((y >= MARGIN) & (y < rows - MARGIN))[:, None] & (
            (x >= MARGIN) & (x < columns - MARGIN)
        )
        inside[:2], inside[-2:], inside[:, :2], inside[:, -2:] = False, False, False, False
        return inside

    def _make_still(self, frames: Sequence[Frame]) -> NDArray[np.float32]:
        """Median of the top over the recording, after lining the frames up with each other."""
        every = max(1, len(frames) // STILL_FRAMES)
        crops = [self._crop(f.luma, self._x, self._y) for f in frames[::every]]
        base = crops[len(crops) // 2]
        for k in range(2):
            held = Still(base, 0.25 * self.ring.major_px)
            shifts = [held.shift(crop) or (0.0, 0.0) for crop in crops]
            aligned = [moved_back(c, shift) for c, shift in zip(crops, shifts, strict=True)]
            stack = np.stack(aligned)
            misfit = np.abs(stack - medians(stack, 0)).mean(axis=(1, 2))
            usual = misfit <= 2 * np.median(misfit) + 1e-6
            base = medians(stack[usual], 0)
            mean = -np.asarray(shifts)[usual].mean(axis=0)  # by which the frames were moved
            if k == 0:
                first = mean
        # the survey's place is that of the mean frame, the still's that of the first base
        x, y = self._beside
        self._beside = (x + float(first[0]), y + float(first[1]))
        return base

    def _prepare(self, still: NDArray[np.float32], survey: Survey) -> None:
        """Pseudo-inverse of the linear step, on the elements that show the top but no mark."""
        smooth = _softened(still)
        gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3) / 8
        gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3) / 8
        rows, columns = still.shape
        yy, xx = np.mgrid[0:rows, 0:columns]
        rho = radii_at(
            self.ring, xx - self.half[0] - self._beside[0], yy - self.half[1] - self._beside[1]
        )
        outside = (rho > survey.outer + NEAR_MARK) & (rho < survey.outer + BESIDE_MARK)
        use = ((rho < survey.inner - NEAR_MARK) | outside) & self._seen
        edge = np.hypot(gx, gy)[use]
        if float((edge**2).sum()) < LEAST_SLOPES:  # nothing to hold on to: take the ring as well
            use = (rho < survey.outer + BESIDE_MARK) & self._seen
        self._use = np.flatnonzero(use.ravel())
        self._use = self._use[:: max(1, len(self._use) // MOST_ELEMENTS)]
        level = smooth.ravel()[self._use]
        self._still = level
        bands = level[:, None] * self._light_at(yy.ravel()[self._use], xx.ravel()[self._use])
        place = np.stack([gx.ravel()[self._use], gy.ravel()[self._use]], 1)
        design = np.column_stack([level, np.ones_like(level), place, bands]).astype(np.float32)
        self._solve, self._plain = (
            np.linalg.pinv(part.astype(np.float64), SINGULAR).astype(np.float32)
            for part in (design, design[:, : 4 + BANDS])
        )
        self._design = design
        q = self._coarse = max(1, max(self.half) // TEMPLATE_HALF)
        size = (columns // q, rows // q)
        cut = smooth[: size[1] * q, : size[0] * q]
        self._template = cv2.resize(cut, size, interpolation=cv2.INTER_AREA)

    def _light_at(self, row: _Coordinates, column: _Coordinates) -> NDArray[np.float32]:
        """Shapes of uneven light at places of the crop, one column each.

        Chebyshev polynomials 1 to `BANDS` down the rows, as a lamp that flickers lights them; and
        for a soft shadow that passes 1 to `SLOPES` along them and the product of the first two.
        """
        down = np.asarray(row, np.float64) / self.half[1] - 1.0
        along = np.asarray(column, np.float64) / self.half[0] - 1.0
        bands, slopes = (
            np.polynomial.chebyshev.chebvander(place, most)[:, 1:]
            for place, most in ((down, BANDS), (along, SLOPES))
        )
        return np.column_stack([bands, slopes, down * along]).astype(np.float32)

    # ---------------------------------------------------------------------- frames

    def read(self, luma: LumaArray, *, wide: bool = False) -> View:
        """Find the top in a frame and unroll its ring.

        Parameters
        ----------
        luma : (rows, columns) uint8 or uint16 array
            Stored luma; 16-bit values are taken as 10-bit samples.
        wide : bool
            Unroll the ring's whole width as well, `wide_radii`.

        Returns
        -------
        View
        """
        # so cut, the still lies within half an element of its place in the crop
        x, y = self._x - self._beside[0], self._y - self._beside[1]
        part, x0, y0 = self._cut(luma, x, y)
        crop = _levels(part)
        fit, moved = self._step(part), False
        if abs(fit.dx) > SEARCH_STEP or abs(fit.dy) > SEARCH_STEP or self._is_lost(fit.misfit):
            seen = self._looked
            if self._is_lost(fit.misfit) and self._looks_as_when_given_up(seen):
                moved = True
            else:
                part, x0, y0, fit, moved = self._search(luma, part, x0, y0, fit.misfit)
                crop = _levels(part)
                self._given_up, self._waited = (seen if moved else None), 0
        gain, misfit = fit.gain, fit.misfit
        if not moved:
            self._x = x0 + self.half[0] + self._beside[0] + fit.dx
            self._y = y0 + self.half[1] + self._beside[1] + fit.dy
            self._usual = self._usual_with(misfit)
        place = self._x - x0, self._y - y0
        raw = self._unroll(crop, *place)
        # the lamp's flicker and the camera's exposure go out with what they do to the still
        profile = self._lit_evenly(raw, fit) if TELLING_GAINS[0] < gain < TELLING_GAINS[1] else raw
        f = self.factor
        return View(
            profile=profile,
            x_px=resized_px(self._x, f),
            y_px=resized_px(self._y, f),
            misfit=misfit,
            gain=gain,
            level=float(raw.mean()),
            moved=moved,
            wide=self._all_across(crop, place, fit) if wide else None,
        )

    def _all_across(
        self, crop: NDArray[np.float32], place: tuple[float, float], fit: _Step
    ) -> NDArray[np.float32]:
        """Unroll the ring's whole width, in the still's light."""
        x, y = self._wide_x + np.float32(place[0]), self._wide_y + np.float32(place[1])
        raw = cv2.remap(crop, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        gain = fit.gain if TELLING_GAINS[0] < fit.gain < TELLING_GAINS[1] else 1.0
        return np.asarray((raw - np.float32(fit.offset)) / np.float32(gain), np.float32)

    def _lit_evenly(self, raw: NDArray[np.float32], fit: _Step) -> NDArray[np.float32]:
        """Take the light of the frame out of a profile, row by row."""
        light = np.float32(fit.gain) + self._ring_light @ fit.uneven
        if float(light.min()) < LEAST_LIGHT * fit.gain:
            light = np.full_like(light, fit.gain)
        return np.asarray((raw - np.float32(fit.offset)) / light, np.float32)

    def _looks_as_when_given_up(self, seen: NDArray[np.float32]) -> bool:
        """Say whether the last frame that was searched in vain, not long ago, looked the same.

        A fallen top lies for hours, a hand holds one for minutes: a search would find no more.
        """
        if self._given_up is None or self._usual is None or self._waited >= SEARCH_AGAIN:
            return False
        self._waited += 1
        away = seen - self._given_up
        return float(np.sqrt(away @ away / len(away))) < ALIKE * self._usual + ALIKE_LEVELS

    def _usual_with(self, misfit: float) -> float:
        """Return the usual misfit with that of one more frame in which the top was followed.

        It never passes what is lost against the clear frames: a recording may begin with the top
        lying, and at many frames a second a fall is slow enough to get used to.
        """
        usual = misfit if self._usual is None else 0.99 * self._usual + 0.01 * misfit
        if self._clear is None:
            return usual
        # the first may fit so well that all clear ones would be lost: something else turns by
        if self._usual is None and self._clear > LOST * misfit + 1.0:
            usual = self._clear
        return min(usual, LOST * self._clear + 1.0)

    def _is_lost(self, misfit: float) -> bool:
        """Say whether the place does not fit; one with nothing of the still never does."""
        if not np.isfinite(misfit):
            return True
        return self._usual is not None and misfit > LOST * self._usual + 1.0

    def _crop(self, luma: LumaArray, x: float, y: float) -> NDArray[np.float32]:
        """Cut the top's surroundings out as float grey levels."""
        return _levels(self._cut(luma, x, y)[0])

    def _cut(
        self, luma: LumaArray, x: float, y: float, reach: int = 0
    ) -> tuple[LumaArray, int, int]:
        """Cut the top's surroundings out, reduced, as stored; edges are continued."""
        f = self.factor
        hx, hy = self.half[0] + reach, self.half[1] + reach
        x0, y0 = round(x) - hx, round(y) - hy
        width, height = 2 * hx + 1, 2 * hy + 1
        rows, columns = luma.shape
        top, left = y0 * f, x0 * f
        bottom, right = (y0 + height) * f, (x0 + width) * f
        part = luma[
            max(0, top) : max(0, min(rows, bottom)), max(0, left) : max(0, min(columns, right))
        ]
        if part.size == 0:
            return np.zeros((height, width), luma.dtype), x0, y0
        if part.shape != (height * f, width * f):
            below, beyond = max(0, bottom - max(rows, top)), max(0, right - max(columns, left))
            edge = cv2.BORDER_REPLICATE
            part = _luma(cv2.copyMakeBorder(part, max(0, -top), below, max(0, -left), beyond, edge))
        if f > 1:
            part = _luma(cv2.resize(part, (width, height), interpolation=cv2.INTER_AREA))
        return part, x0, y0

    def _step(self, part: LumaArray) -> _Step:
        """One linear fit of the still.

        What covers the top has no light of its own to be taken out: slopes are for clear frames.
        """
        self._looked = seen = _levels(_softened(part).ravel()[self._use])
        p, misfit = self._fitted(seen, self._solve)
        if self._clear is not None and misfit > CLEAR * self._clear + 1.0:
            p, misfit = self._fitted(seen, self._plain)
        gain = float(p[0])
        if gain < LEAST_GAIN:
            return _Step(0.0, 0.0, float("inf"), gain, float(p[1]), p[4:])
        # frame(x) = gain * still(x - shift) + offset, so the gradient terms are -gain * shift
        return _Step(-float(p[2]) / gain, -float(p[3]) / gain, misfit, gain, float(p[1]), p[4:])

    def _fitted(
        self, seen: NDArray[np.float32], solve: NDArray[np.float32]
    ) -> tuple[NDArray[np.float32], float]:
        """Parameters of the still by one pseudo-inverse, all others 0, and what they leave."""
        p = np.zeros(self._design.shape[1], np.float32)
        p[: len(solve)] = solve @ seen
        left = seen - self._design @ p
        return p, float(np.sqrt(left @ left / len(left)))

    def _search(
        self, luma: LumaArray, part: LumaArray, x0: int, y0: int, misfit: float
    ) -> tuple[LumaArray, int, int, _Step, bool]:
        """Look for the top again near its last place; gives up when nothing fits better."""
        hx, hy = self.half
        even = np.zeros(self._ring_light.shape[1], np.float32)
        best = (part, x0, y0, _Step(0.0, 0.0, misfit, 1.0, 0.0, even), True)
        x, y = self._likeliest(luma, x0 + hx, y0 + hy)
        for _ in range(4):
            again, ax, ay = self._cut(luma, x, y)
            fit = self._step(again)
            if abs(fit.dx) < SEARCH_STEP and abs(fit.dy) < SEARCH_STEP and fit.misfit < np.inf:
                return again, ax, ay, fit, self._is_lost(fit.misfit)
            if abs(fit.dx) > hx or abs(fit.dy) > hy or fit.gain < LEAST_GAIN:
                break
            x, y = ax + hx + float(np.clip(fit.dx, -3, 3)), ay + hy + float(np.clip(fit.dy, -3, 3))
        return best

    def _likeliest(self, luma: LumaArray, x: float, y: float) -> tuple[float, float]:
        """Centre of the crop near a place that is most like the still, to a coarse element."""
        q, reach = self._coarse, int(np.ceil(SEARCH_REACH * self.ring.major_px))
        wide, left, top = self._cut(luma, x, y, reach)
        size = (wide.shape[1] // q, wide.shape[0] // q)
        # cut to whole coarse elements: the scales of the two pictures must be the same
        wide = wide[: size[1] * q, : size[0] * q]
        small = _levels(_luma(cv2.resize(wide, size, interpolation=cv2.INTER_AREA)))
        likeness = cv2.matchTemplate(small, self._template, cv2.TM_CCOEFF_NORMED)
        row, column = np.unravel_index(int(np.argmax(likeness)), likeness.shape)
        return left + float(column) * q + self.half[0], top + float(row) * q + self.half[1]

    def _unroll(self, crop: NDArray[np.float32], cx: float, cy: float) -> NDArray[np.float32]:
        samples = cv2.remap(
            crop, self._map_x + np.float32(cx), self._map_y + np.float32(cy), cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )  # fmt: skip
        profile: NDArray[np.float32] = np.asarray(self._share @ samples, np.float32)[0]
        return profile

    @property
    def row_offset_px(self) -> FloatArray:
        """Stored rows between each ring angle and the ring's centre (angles,), downwards."""
        middle = np.asarray(self._share[0] @ self._map_y, np.float64)
        return middle * self.factor


def _softened(picture: NDArray[Any]) -> NDArray[Any]:
    """Blur a little: noise counts less, and the linear step reaches farther."""
    return _luma(cv2.GaussianBlur(picture, (5, 5), 1.0))


def _levels(part: NDArray[Any]) -> NDArray[np.float32]:
    """Turn stored luma into 8-bit grey levels; 16-bit values are 10-bit samples."""
    levels = part.astype(np.float32)
    return levels * np.float32(0.25) if part.dtype == np.uint16 else levels


def _luma(picture: NDArray[Any]) -> LumaArray:
    """Tell the type checker that OpenCV keeps a picture's type."""
    return picture


def _grid(
    ring: Ellipse, radii: FloatArray, angle: FloatArray
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Offsets from a ring's centre at radii and angles, (radii, angles) each."""
    at = Ellipse(0.0, 0.0, ring.major_px, ring.minor_px, ring.tilt_rad)
    grid = np.stack([np.stack(ring_points(at, float(q), angle)) for q in radii])
    return (
        np.ascontiguousarray(grid[:, 0], np.float32), np.ascontiguousarray(grid[:, 1], np.float32)
    )  # fmt: skip
