"""The sound: it speaks for the true order, never for another, and keeps quiet without a top."""

from __future__ import annotations

import json
from pathlib import Path

import av
import numpy as np
import pytest
from fabricate import fabricate
from fabricate_sound import RATE_HZ, ROOMS, TURN, Spin, pieces, room, times, top
from test_alias import evidence, log_odds, vote

from vidspin.footage.frames import Recording
from vidspin.measure import measure
from vidspin.order.alias import decide
from vidspin.records import Result, Settings, SoundBlock, SoundCurve
from vidspin.speed.sound import CAP, LEAST_BLOCKS, _window_shape, listen, sound_curve
from vidspin.store import to_json

SAMPLE = Path(__file__).parents[1] / "sample_clips" / "dipper_start_only.mp4"
LOG_1000 = float(np.log(1000.0))
TOP = Spin(33.0)
ORDERS = range(-3, 4)


def told(samples: np.ndarray, spin: Spin = TOP) -> dict[int, float]:
    heard = listen(pieces(samples), spin.turning())
    return {n: heard.log_likelihood(n) for n in ORDERS}


# ------------------------------------------------------------------------------ the top


@pytest.mark.parametrize(
    "sound",
    [top(TOP, (0.02,)), top(TOP, (0.0, 0.02)), top(TOP, swell=0.3)],
    ids=["line at the spin rate", "line at twice the rate", "noise that swells once a turn"],
)
@pytest.mark.parametrize("kind", ["hiss", "mains 60", "knocks"])
def test_the_top_s_own_sound_favours_its_order(sound: np.ndarray, kind: str) -> None:
    logs = told(sound + 0.5 * room(kind, TOP.seconds, 3))
    true = logs.pop(TOP.order)
    assert true - max(logs.values()) > LOG_1000
    assert true <= CAP


def test_two_marks_double_the_orders_and_the_true_one_is_found() -> None:
    spin = Spin(33.0, marks=2)
    logs = told(top(spin, (0.02,)), spin)
    assert spin.order == 2
    assert max(logs, key=lambda n: logs[n]) == 2


def test_a_line_with_the_slope_of_another_multiple_does_not_count() -> None:
    # 66 Hz falling as twice the spin does is no top of 66 turns a second
    logs = told(top(TOP, (0.0, 0.05)) + room("hiss", TOP.seconds, 1))
    assert logs[2] < 0.5


# ------------------------------------------------------------------------------ the room


@pytest.mark.parametrize("kind", ROOMS[1:])
@pytest.mark.parametrize("seed", range(3))
def test_a_room_without_a_top_favours_no_order(kind: str, seed: int) -> None:
    # tones within 3 Hz of the top's rate: the hardest case
    logs = told(room(kind, TOP.seconds, seed, near=TOP))
    assert max(logs.values()) < LOG_1000 / 3


def test_hum_at_the_top_s_own_rate_and_a_hardly_slowing_top_favour_nothing() -> None:
    spin = Spin(50.0, loss=1e-5, dry_hz_s=1e-3)
    logs = told(room("mains 50", spin.seconds, 2), spin)
    assert max(logs.values()) < 0.5


def test_silence_and_too_little_sound_are_not_heard() -> None:
    turning = TOP.turning()
    assert listen(pieces(room("silence", TOP.seconds, 0)), turning).blocks == 0
    assert listen(iter(()), turning).blocks == 0
    short = listen(pieces(top(TOP, (0.1,))[: int(5 * RATE_HZ)]), turning)
    assert 0 < short.blocks < LEAST_BLOCKS
    assert short.lines(1) == []


def test_a_gap_in_the_sound_is_not_heard_across() -> None:
    sound = top(TOP, (0.05,)) + room("hiss", TOP.seconds, 4)
    late = [SoundBlock(b.time_s + (0.5 if b.time_s > 6 else 0.0), b.rate_hz, b.samples)
            for b in pieces(sound)]  # fmt: skip
    whole, broken = listen(pieces(sound), TOP.turning()), listen(late, TOP.turning())
    assert broken.blocks < whole.blocks


def test_memory_does_not_grow_with_the_length() -> None:
    short, long = (listen(pieces(0.01 * np.random.default_rng(1).standard_normal(int(s * RATE_HZ))),
                          Spin(33.0, seconds=s).turning()) for s in (12.0, 40.0))  # fmt: skip
    assert short.turned.shape == long.turned.shape


# ------------------------------------------------------------------------ speed by sound


def test_speed_by_sound_is_right_within_its_uncertainty() -> None:
    ratio = []
    for seed in range(4):
        spin = Spin(20.0 + 6 * seed, seconds=20.0)
        sound = top(spin, (0.01, 0.01), swell=0.1, seed=seed) + room("mains 50", 20.0, seed)
        heard = listen(pieces(sound), spin.turning())
        curve = sound_curve(pieces(sound), spin.turning(), heard, spin.order)
        assert curve is not None
        error = curve.speed_rad_s / TURN - spin.speed_hz(curve.time_s)
        ratio += list(error / (curve.u_speed_rad_s / TURN))
        # lines 25 times above the floor: 1.5 sqrt(6 / 25) / 4 s / 2 pi = 0.029 turns a second
        assert np.median(curve.u_speed_rad_s / TURN) < 0.029
    assert len(ratio) > 20
    # blocks overlap by half and the floor of u is a judgement: no more than 1.5 times, not a tenth
    assert 0.1 < np.sqrt(np.mean(np.square(ratio))) < 1.5
    assert np.mean(np.abs(ratio) < 2) > 0.9


def test_no_speed_by_sound_without_a_line() -> None:
    sound = room("hiss", TOP.seconds, 5)
    heard = listen(pieces(sound), TOP.turning())
    assert sound_curve(pieces(sound), TOP.turning(), heard, TOP.order) is None


def test_window_shape_is_the_hann_window_s_own() -> None:
    n, off = 512, 0.3
    tone = np.exp(2j * np.pi * (20 + off) * np.arange(n) / n)
    seen = np.abs(np.fft.fft(tone * np.hanning(n + 1)[:n])) ** 2
    bins = np.arange(-4, 5)
    shape = _window_shape(bins - off)
    assert seen[20 + bins] / seen[20] == pytest.approx(shape / shape[4], rel=1e-3, abs=1e-6)
    assert _window_shape(np.array([-1.0, 0.0, 1.0])) == pytest.approx([0.25, 1.0, 0.25], rel=1e-3)


# ---------------------------------------------------------------------------- the verdict


def test_sound_resolves_what_nothing_else_does() -> None:
    e = evidence()
    assert not decide(e, None).resolved
    heard = type(e)(**{f: getattr(e, f) for f in e.__dataclass_fields__}
                    | {"sound": {n: 13.0 * (n == 1) for n in range(-4, 5)},
                       "sound_words": {1: "a line follows"}})  # fmt: skip
    verdict = decide(heard, None)
    assert verdict.resolved and verdict.candidates[0].order == 1
    assert vote(verdict, "sound").note == "a line follows"
    assert log_odds(verdict, "sound")[0] == -13.0


def test_without_sound_the_cue_says_so() -> None:
    assert vote(decide(evidence(), None), "sound").says == "abstains"
    assert "not heard" in vote(decide(evidence(), None), "sound").note


# ----------------------------------------------------------------------- a file with sound


def with_sound(clip: Path, samples: np.ndarray, out: Path) -> Path:
    """Copy a clip's pictures and add sound as phones write it."""
    with av.open(str(clip)) as source, av.open(str(out), "w") as target:
        pictures = target.add_stream_from_template(source.streams.video[0])
        sound = target.add_stream("aac", rate=int(RATE_HZ))
        sound.layout = "mono"
        for first in range(0, len(samples) - 1023, 1024):
            part = samples[None, first : first + 1024].astype(np.float32)
            frame = av.AudioFrame.from_ndarray(part, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = int(RATE_HZ), first
            target.mux(sound.encode(frame))
        target.mux(sound.encode(None))
        for packet in source.demux(source.streams.video[0]):
            if packet.dts is not None:
                packet.stream = pictures
                target.mux(packet)
    return out


@pytest.fixture(scope="module")
def spun() -> tuple[np.ndarray, np.ndarray]:
    """True speed of the sample clip: seconds and turns a second."""
    truth = json.loads(SAMPLE.with_suffix("").with_suffix(".truth.json").read_text("utf-8"))
    rows = np.array(truth["rpm"], float)
    return rows[:, 0], rows[:, 1] / 60


def test_sound_of_a_file_comes_on_the_scene_clock(tmp_path: Path) -> None:
    t = times(11.0)
    knock = np.where((t > 4.0) & (t < 4.05), 0.5, 0.0) * np.sin(TURN * 440 * t)
    recording = Recording.open([with_sound(SAMPLE, knock, tmp_path / "dipper.mp4")])
    blocks = list(recording.sound())
    energy = np.array([float(np.sum(b.samples**2)) for b in blocks])
    at = float(np.average([b.time_s for b in blocks], weights=energy))
    assert at == pytest.approx(4.0, abs=0.12)  # the codec's own delay is 1 to 2 frames of 46 ms
    assert {b.rate_hz for b in blocks} == {RATE_HZ}
    half = recording.on_clock(0.0)
    assert half is recording
    assert list(Recording.open([SAMPLE]).sound()) == []


def measured(clip: Path, **stated: float) -> Result:
    return measure(
        Recording.open([clip]), Settings(**stated), version="0", created="2030-01-01T00:00:00Z"
    )


def test_start_only_clip_resolves_by_its_sound_and_not_without_it(
    spun: tuple[np.ndarray, np.ndarray], tmp_path: Path
) -> None:
    t = times(11.9)
    speed = np.interp(t, *spun)
    angle = TURN * np.cumsum(speed) / RATE_HZ
    rng = np.random.default_rng(8)
    sound = 0.02 * np.sin(angle) + 0.05 * rng.standard_normal(len(t)) * (1 + 0.3 * np.cos(angle))
    # one row only: how far apart they are is no matter of the sound's
    heard = measured(with_sound(SAMPLE, sound, tmp_path / "dipper.mp4"), every_s=10.0)
    mute = measured(SAMPLE)
    assert heard.alias.resolved and not mute.alias.resolved
    votes = [next(v for v in r.alias.votes if v.cue == "sound") for r in (heard, mute)]
    assert "follows the spin" in votes[0].note
    assert votes[1].says == "abstains" and "no sound" in votes[1].note
    assert heard.sound is not None and mute.sound is None
    error = heard.sound.speed_rad_s / TURN - np.interp(heard.sound.time_s, *spun)
    assert np.all(np.abs(error) < 4 * heard.sound.u_speed_rad_s / TURN)
    assert any(c.name == "speed by sound" and c.state == "pass" for c in heard.checks)


# -------------------------------------------------------------------------------- result


def curve_like(result: Result, off: float) -> SoundCurve:
    rows = np.flatnonzero(np.isfinite(result.curve.speed_rad_s))[2:12]
    u = np.full(len(rows), 0.05)
    speed = result.curve.speed_rad_s[rows] + off
    return SoundCurve(result.curve.time_s[rows], speed, u, 1, "a line of the sound")


def test_document_holds_the_speed_by_sound_only_while_resolved() -> None:
    for kind, there in (("resolved", True), ("unresolved", False)):
        plain = fabricate(kind, duration_s=20.0)  # type: ignore[arg-type]
        fields = {f: getattr(plain, f) for f in plain.__dataclass_fields__}
        result = Result(**fields | {"sound": curve_like(plain, 0.0)})
        assert (to_json(result)["sound"] is not None) is there
