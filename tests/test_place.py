"""The place of the top in the picture: rows read at another time, and another side seen."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from vidspin.calibration.place import FOLLOWED, SIDE_DOUBT, Placed, Places, placed
from vidspin.records import Ellipse, FloatArray

COLUMNS, ROWS = 640.0, 360.0
TILT, FOCAL = 0.3, 0.75 * COLUMNS  # a phone's usual lens


def told(
    x: FloatArray, y: FloatArray, angle: FloatArray, *, omega: float = 150.0, marks: int = 1,
    elevation: float = 0.8, setting: tuple[FloatArray, FloatArray] | None = None,
) -> Placed:  # fmt: skip
    """Place of a top seen at x, y, with what the setting did."""
    glances = None
    if setting is not None:
        moved = [np.asarray(v, np.float32) for v in setting]
        glances = SimpleNamespace(shift_x=moved[0], shift_y=moved[1])
    ring = Ellipse(320.0, 180.0, 80.0, 80.0 * np.sin(elevation), TILT)
    places = Places(x, y, np.ones(len(x), bool), glances, ring, (COLUMNS, ROWS))  # type: ignore[arg-type]
    return placed(places, angle, np.full(len(x), omega), marks)


def test_lower_rows_are_read_later() -> None:
    y = 180 + np.array([0.0, 0, 0, 3.6, -7.2])
    out = told(0 * y, y, 0 * y)
    # a hundredth of the picture farther down, a hundredth of the readout later
    assert out.turned_rad(0.02) == pytest.approx(
        FOLLOWED * 150 * 0.02 * np.array([0, 0, 0, 1, -2]) / 100
    )
    assert out.turned_rad(-0.02) == pytest.approx(-out.turned_rad(0.02))


def test_frames_without_a_place_have_no_doubt_of_it() -> None:
    y = np.array([180.0, 180, 180, np.nan, 183])
    out = told(y, y, np.array([0.1, np.nan, 0.2, 0.3, 0.4]))
    assert np.isfinite(out.by_readout_rad_s).all() and np.isfinite(out.side_rad).all()
    assert out.by_readout_rad_s[3] == 0 and not out.side_rad[3].any()


def seen_angle(p: FloatArray, aside: float, along: float, elevation: float) -> FloatArray:
    """Angle on the usual ring, about its own middle, of marks at p on a disc that has moved.

    A pinhole of unit focal length at unit distance above a plane, exact; the disc is small.
    """
    r = 1e-4
    c, s = np.cos(elevation), np.sin(elevation)

    def project(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        depth = 1.0 - y * c  # the plane's y points at the camera
        return x / depth, y * s / depth

    y0 = along / (s + along * c)  # where the disc must lie for its middle to be seen that far off
    x0 = aside * (1.0 - y0 * c)
    u, v = project(x0 + r * np.cos(p), y0 + r * np.sin(p))
    u0, v0 = project(np.array(x0), np.array(y0))
    return np.asarray(np.arctan2((v - v0) / s, u - u0))


@pytest.mark.parametrize(("aside", "along"), [(0.01, 0.0), (0.0, 0.01), (-0.008, 0.006)])
@pytest.mark.parametrize("elevation", [0.5, 0.9, 1.3])
def test_other_sides_are_seen_as_exact_projections_say(aside, along, elevation) -> None:
    p = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    off = np.angle(np.exp(1j * (seen_angle(p, aside, along, elevation) - p)))
    a, b = aside * FOCAL, along * FOCAL
    c, s = np.cos(TILT), np.sin(TILT)
    # more frames at the middle, which is the median, than aside
    x = np.repeat([320.0, 320.0 + c * a - s * b], [25, 24])
    y = np.repeat([180.0, 180.0 + s * a + c * b], [25, 24])
    out = told(x, y, np.concatenate([np.zeros(25), p + TILT]), elevation=elevation)
    assert not out.side_rad[:25].any()
    both = out.side_rad[25:].sum(axis=1) / SIDE_DOUBT
    size = np.hypot(aside, along)
    assert np.abs(off).max() > 0.1 * size
    assert np.abs(both - off).max() < 3 * size**2 / np.sin(elevation) ** 2


def test_two_marks_see_the_same_sides_and_three_only_their_mean() -> None:
    n = 200
    angle = 3.1 * np.arange(n) / 30
    x = 320 + np.where(np.arange(n) > 150, 3.0, 0.0)
    one, two, three = (told(x, 180 + 0 * x, angle, marks=m).side_rad for m in (1, 2, 3))
    assert np.allclose(one, two) and np.std(one[151:, 0]) > 1e-4
    assert np.std(three[151:], axis=0) == pytest.approx(0.0, abs=1e-12)
    assert np.mean(three[151:, 0]) == pytest.approx(
        -SIDE_DOUBT * np.cos(0.8) * 3.0 * np.cos(TILT) / FOCAL / 2
    )


def test_a_camera_that_turns_shows_the_same_side() -> None:
    rng = np.random.default_rng(1)
    n = 300
    sway = [np.cumsum(rng.standard_normal(n)) * 0.2 for _ in range(2)]
    own = [np.cumsum(rng.standard_normal(n)) * 0.05 for _ in range(2)]
    angle = 3.1 * np.arange(n) / 30
    x, y = 320 + sway[0] + own[0], 180 + sway[1] + own[1]
    alone = told(320 + own[0], 180 + own[1], angle).side_rad
    seen = told(x, y, angle, setting=(sway[0], sway[1])).side_rad
    assert np.abs(seen - alone).max() < 0.35 * np.abs(alone).max()  # medians differ
    blind = told(x, y, angle).side_rad
    nothing = np.zeros(n)
    assert np.array_equal(told(x, y, angle, setting=(nothing, nothing)).side_rad, blind)
    assert np.abs(blind).max() > 2 * np.abs(alone).max()
    # rows were read where the picture shows them, whoever moved
    assert np.array_equal(
        told(x, y, angle, setting=(sway[0], sway[1])).by_readout_rad_s,
        told(x, y, angle).by_readout_rad_s,
    )
