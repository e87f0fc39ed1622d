from datetime import UTC, datetime, timedelta, timezone
from fractions import Fraction

import numpy as np
import pytest

from vidspin import units


def test_speeds_and_angles_of_everyday() -> None:
    assert units.rad_s_from_rpm(60.0) == pytest.approx(2 * np.pi, rel=1e-15)
    assert units.rpm_from_rad_s(100 * np.pi) == pytest.approx(3000.0, rel=1e-15)
    assert units.turns_from_rad(np.pi) == pytest.approx(0.5, rel=1e-15)
    assert units.rad_from_turns(0.25) == pytest.approx(np.pi / 2, rel=1e-15)
    assert units.degrees_from_rad(np.pi) == pytest.approx(180.0, rel=1e-15)
    assert units.rad_from_degrees(90.0) == pytest.approx(np.pi / 2, rel=1e-15)


@pytest.mark.parametrize("dtype", [np.float32, np.int16, np.float64])
def test_arrays_come_back_as_float64(dtype: type) -> None:
    converted = units.rad_from_degrees(np.array([[90, 180]], dtype=dtype))
    assert converted.dtype == np.float64
    assert converted == pytest.approx(np.array([[np.pi / 2, np.pi]]), rel=1e-15)


@pytest.mark.parametrize(
    ("seconds", "decimals", "text"),
    [
        (2497, 0, "0:41:37"),
        (0, 0, "0:00:00"),
        (59.9996, 3, "0:01:00.000"),  # carries into the minute
        (3599.96, 1, "1:00:00.0"),  # and into the hour
        (-61.5, 1, "-0:01:01.5"),
        (-0.2, 0, "0:00:00"),  # no minus zero
        (1e-7, 2, "0:00:00.00"),
        (2.5, 0, "0:00:02"),  # half to even
        (360000.25, 2, "100:00:00.25"),
    ],
)
def test_duration_is_written(seconds: float, decimals: int, text: str) -> None:
    assert units.format_duration(seconds, decimals) == text


@pytest.mark.parametrize("seconds", [float("nan"), float("inf")])
def test_no_duration_is_not_written(seconds: float) -> None:
    with pytest.raises(ValueError, match="no duration"):
        units.format_duration(seconds)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("0:41:37", 2497),
        ("41:37", 2497),
        ("41m37s", 2497),
        ("41 min 37 s", 2497),
        ("1h2m3.5s", 3723.5),
        ("2497 s", 2497),
        ("2497", 2497),
        (" 2497.25 ", 2497.25),
        ("90:00", 5400),  # the first field may exceed 59
        ("75m", 4500),
        ("1H", 3600),
        ("0:00:00.1", 0.1),
    ],
)
def test_duration_is_read(text: str, seconds: float) -> None:
    assert units.parse_duration(text) == seconds


@pytest.mark.parametrize("text", ["9" * 40, "99999999999:00", "1000000001", "9" * 50 + "h"])
def test_duration_beyond_all_reason_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="longer than"):
        units.parse_duration(text)
    assert units.format_duration(units.parse_duration("1000000000"), 9)


def test_speed_of_hundreds_of_digits_is_refused() -> None:
    with pytest.raises(ValueError, match="not a speed"):
        units.parse_speed("9" * 400)


@pytest.mark.parametrize(
    "text", ["", "h", "-3", "41:3", "1:75", "1:60:00", "1h75m", "nan", "1 2", "1e3", "٣", "3s1m"]
)
def test_what_is_no_duration_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="not a duration"):
        units.parse_duration(text)


@pytest.mark.parametrize(
    ("text", "rate"),
    [
        ("30000/1001", Fraction(30000, 1001)),
        ("29.97", Fraction(2997, 100)),
        ("240", Fraction(240)),
        (" 60 ", Fraction(60)),
    ],
)
def test_rate_is_read_exactly(text: str, rate: Fraction) -> None:
    assert units.parse_rate(text) == rate


@pytest.mark.parametrize("text", ["", "0", "0/5", "1/0", "-30", "1e3", "nan", "30/1.001", "1_0"])
def test_what_is_no_rate_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="not a frame rate"):
        units.parse_rate(text)


def test_instant_is_written_in_utc() -> None:
    east = timezone(timedelta(hours=2))
    assert units.rfc3339(datetime(2024, 5, 1, 12, 0, tzinfo=UTC)) == "2024-05-01T12:00:00Z"
    assert units.rfc3339(datetime(2024, 5, 1, 1, 0, tzinfo=east)) == "2024-04-30T23:00:00Z"
    with_parts = datetime(2024, 5, 1, 12, 0, 0, 1500, tzinfo=UTC)
    assert units.rfc3339(with_parts) == "2024-05-01T12:00:00.001500Z"


def test_instant_without_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="without a zone"):
        units.rfc3339(datetime(2024, 5, 1))  # noqa: DTZ001 - this is what is tested
