"""Sound: gaps, silence, steps of the level, and the hum of the mains."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from vidspin.checks.soundchecks import Sound, find_hum, overhear, sound_checks
from vidspin.records import Audible, Check, SoundBlock

RATE = 48000.0
BLOCK = 1024


def pieces(
    samples: np.ndarray, *, lost: tuple[int, ...] = (), rate: float = RATE
) -> Iterator[SoundBlock]:
    for k in range(len(samples) // BLOCK):
        if k not in lost:
            part = samples[k * BLOCK : (k + 1) * BLOCK]
            yield SoundBlock(k * BLOCK / rate, rate, part.astype(np.float32))


def room(
    seconds: float = 12.0, *, hum: dict[float, float] | None = None, seed: int = 1
) -> np.ndarray:
    """Noise of a quiet room, with lines at given frequencies and amplitudes."""
    t = np.arange(int(seconds * RATE)) / RATE
    noise = np.random.default_rng(seed).normal(0, 0.003, len(t))
    for f, size in (hum or {}).items():
        noise = noise + size * np.sin(2 * np.pi * f * t + f)
    return noise


def heard(samples: np.ndarray, **how: object) -> Sound:
    told = overhear(pieces(samples, **how))
    assert told is not None
    return told


def answers(sound: Sound | None) -> dict[str, Check]:
    return {c.name: c for c in sound_checks(sound)}


def test_quiet_room_passes_and_has_no_clock() -> None:
    told = answers(heard(room()))
    assert {n: c.state for n, c in told.items()} == {
        "sound goes on": "pass", "sound level": "pass", "sound clock": "unchecked",
    }  # fmt: skip
    assert not any(c.look for c in told.values())


def test_recording_without_sound_is_told_as_such() -> None:
    assert overhear([]) is None
    (only,) = sound_checks(None)
    assert only.state == "unchecked" and "no sound" in only.note


def test_lost_pieces_are_gaps_of_their_length_and_place() -> None:
    told = answers(heard(room(), lost=(100, 101, 300)))["sound goes on"]
    assert told.look and told.state == "pass"
    assert "2 gaps, most 42.7 ms at 2.13 s" in told.figure
    assert told.at_s == pytest.approx((100 * BLOCK / RATE, 300 * BLOCK / RATE))


def test_digital_silence_is_not_a_quiet_room() -> None:
    samples = room()
    samples[200000:212000] = 0.0
    told = answers(heard(samples))["sound goes on"]
    assert told.look and "digital silence for 0.2" in told.figure


def test_digital_silence_to_the_end_is_told_and_so_is_a_silent_track() -> None:
    samples = room()
    samples[int(4 * RATE) :] = 0.0
    told = answers(heard(samples))["sound goes on"]
    assert told.look and "digital silence for 7.98 s from 4.01 s" in told.figure
    told = answers(heard(0 * samples))["sound goes on"]
    assert told.look and told.at_s == (0.0,) and "digital silence for 11.99 s" in told.figure


def test_background_that_changes_for_good_asks_to_look_and_a_clap_does_not() -> None:
    samples = room()
    samples[int(6.0 * RATE) :] *= 6.0  # 15.6 dB
    told = answers(heard(samples))["sound level"]
    assert told.look and told.at_s[0] == pytest.approx(6.0, abs=0.2)
    assert "+15." in told.figure
    clap = room()
    clap[200000:210000] *= 50.0
    assert not answers(heard(clap))["sound level"].look
    swell = room() * np.exp(np.linspace(0, 2.5, int(12 * RATE)))
    assert not answers(heard(swell))["sound level"].look


@pytest.mark.parametrize("stretch", [1.0, 1.02, 0.98])
@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_hum_tells_how_the_sound_was_stretched(mains, stretch) -> None:
    hum = {h * mains / stretch: 0.002 for h in (1, 2, 3)}
    told = answers(heard(room(hum=hum)))["sound clock"]
    assert told.state == ("pass" if stretch == 1.0 else "fail")
    found = find_hum(*(lambda s: (s.slow, s.slow_hz))(heard(room(hum=hum))))
    assert found is not None and found.mains_hz == mains
    # a line of 12 s is good to a hundredth of 1 / 12 Hz
    assert found.deviation == pytest.approx(stretch - 1, abs=3e-5)


def test_one_line_or_a_played_note_is_no_hum() -> None:
    for lines in ({103.0: 0.01}, {98.0: 0.01, 196.0: 0.005}, {98.0: 0.01, 203.0: 0.01}):
        sound = heard(room(hum=lines))
        assert find_hum(sound.slow, sound.slow_hz) is None


def test_short_sound_says_little() -> None:
    told = answers(heard(room(2.0)))
    assert told["sound level"].state == told["sound clock"].state == "unchecked"


def test_recording_with_sound_is_audible() -> None:
    class Loud:
        def sound(self) -> Iterator[SoundBlock]:
            return pieces(room(1.0))

    assert isinstance(Loud(), Audible) and not isinstance(object(), Audible)
