"""Film and broadcast frame rates as exact rationals, and what time bases do to them.

Read: FFmpeg 5.1.9, libavcodec/mpeg12framerate.c (codes), libavutil/timecode.c (drop-frame, after
SMPTE ST 12-1:2014), libavformat/mpegts.c (33 bits of 1/90000 s).  Ticks a frame: worked out.
"""

from fractions import Fraction as F

import pytest

from vidspin.units import parse_rate

# MPEG frame-rate codes 1 to 8
CODES = ["24000/1001", "24", "25", "30000/1001", "30", "50", "60000/1001", "60"]
DECIMALS = ["23.976024", "24.000000", "25.000000", "29.970030", "30.000000", "50.000000",
            "59.940060", "60.000000"]  # fmt: skip


@pytest.mark.parametrize(("code", "decimal"), list(zip(CODES, DECIMALS, strict=True)))
def test_broadcast_rates_are_read_exactly(code: str, decimal: str) -> None:
    rate = parse_rate(code)
    assert rate == F(code)
    assert f"{float(rate):.6f}" == decimal


@pytest.mark.parametrize(
    ("rate", "printed"),
    [("48000/1001", "47.952048"), ("120000/1001", "119.880120"), ("240000/1001", "239.760240")],
)
def test_high_frame_rates(rate: str, printed: str) -> None:
    assert f"{float(parse_rate(rate)):.6f}" == printed


@pytest.mark.parametrize(
    ("short", "exact", "ppm"),
    [
        ("29.97", "30000/1001", "-1.0"),
        ("23.976", "24000/1001", "-1.0"),
        ("59.94", "60000/1001", "-1.0"),
        ("23.98", "24000/1001", "165.8"),
        ("30", "30000/1001", "1000.0"),
    ],
)
def test_decimal_shorthand_is_taken_as_written(short: str, exact: str, ppm: str) -> None:
    error = parse_rate(short) / parse_rate(exact) - 1
    assert f"{float(error * 10**6):.1f}" == ppm


def test_drop_frame_count() -> None:
    # 17982 frames in ten minutes; two numbers skipped each minute except every tenth
    assert round(600 * parse_rate("30000/1001")) == 17982 == 18000 - 9 * 2


TICKS = [
    (600, "24", "25"), (600, "25", "24"), (600, "30", "20"), (600, "60", "10"), (600, "120", "5"),
    (600, "240", "2.5"), (600, "30000/1001", "20.02"),
    (90000, "24", "3750"), (90000, "30000/1001", "3003"), (90000, "24000/1001", "3753.75"),
    (90000, "60000/1001", "1501.5"), (90000, "120000/1001", "750.75"), (90000, "120", "750"),
    (90000, "240000/1001", "375.375"), (90000, "240", "375"), (90000, "480", "187.5"),
    (90000, "960", "93.75"),
]  # fmt: skip


@pytest.mark.parametrize(("base", "rate", "ticks"), TICKS)
def test_ticks_a_frame(base: int, rate: str, ticks: str) -> None:
    assert base / parse_rate(rate) == F(ticks)


def test_a_coarse_time_base_turns_into_degrees() -> None:
    # 240 frames/s in ticks of 1/600 s: 0, 3, 5, 8, 10 (halves go up); off by up to 0.83 ms,
    # which is 15 degrees at 3000 rev/min
    ticks = [int(i * F(600, 240) + F(1, 2)) for i in range(5)]
    assert ticks == [0, 3, 5, 8, 10]
    worst = max(abs(F(tick, 600) - F(i, 240)) for i, tick in enumerate(ticks))
    assert f"{float(worst) * 1e3:.2f}" == "0.83"
    assert worst * F(3000, 60) * 360 == 15


def test_transport_stream_clock_wraps_after_26_hours() -> None:
    assert f"{float(F(2**33, 90000)):.1f}" == "95443.7"
