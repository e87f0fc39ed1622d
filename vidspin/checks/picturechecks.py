"""What do whole frames say: hands, jumps of the scene, camera, light, focus, lamp?

One check is one function.  Most of these only ask a person to look: that a recording is whole
is shown by the spin, not by its surroundings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from vidspin.checks.case import Case
from vidspin.checks.spinchecks import rpm
from vidspin.frames.lamp import MAINS_HALF_WIDTH, MAINS_HZ, Lamp
from vidspin.instants.intrusion import TOUCH_REACH, Reaction, Visit, reaction
from vidspin.order.cadence import BLOCK, Pattern
from vidspin.records import BoolArray, Check, Float32Array, FloatArray, SightingFlag
from vidspin.speed.curve import rolled_u
from vidspin.speed.roll import SHARE
from vidspin.speed.roll import SHARED as ROLL_SHARED
from vidspin.uncertainty import NORMAL_95

JUMP_TIMES = 8.0  # the usual change from frame to frame
JUMP_LEAST = 3.0  # grey levels
USUAL_S = 4.0
KNOCK_PX = 3.0  # sudden shift of the setting that a person should see
KNOCK_S = 0.5  # within which it is sudden
ROLL_DEG = 0.5  # sudden turn of the setting that a person should see: a hand holds the camera
SURE_ROLL = 4.0  # standard deviations
LIGHT_STEP = 0.04  # relative, in a frame: an auto-exposure that steps
DARK_SHARE = 0.1
BLUR = 0.6  # of the usual sharpness
BLUR_S = 0.5
LONGEST_LIST = 4
# Conversions move a mark further, nine in ten of them; up to 0.2 was seen in honest recordings.
SURE_RAD = 0.25
FASTEST_HZ = 1000.0  # at which slow motion is captured that is stored at 30
BEATS = 0.25  # cycles by which a lamp's pattern may move within a block of frames


def hands(case: Case) -> Check:
    """Ask what entered the setting between release and topple, and whether the spin reacted."""
    name = "hands"
    if case.readings.glances is None or case.turning is None:
        return Check(name, "unchecked", "", "the setting was not looked at", "picture")
    threshold = "a step of the speed while something is near"
    why = "a hand that does nothing to the spin is for a person to judge"
    said: list[tuple[int, str]] = []
    for visit in case.visits:
        did = None if case.breaks is None else reaction(visit, case.breaks)
        said.append((_weight(visit, did), _visit_words(visit, did)))
    # a list that is cut leaves out those that say least
    kept = sorted(range(len(said)), key=lambda k: -said[k][0])[:LONGEST_LIST]
    told = [said[k][1] for k in sorted(kept)]
    at = tuple(0.5 * (v.from_s + v.to_s) for v in case.visits)
    if not case.visits:
        note = f"nothing came in anew while the spin was free; {_starting_hand(case)}"
        return Check(name, "pass", "0 visits", note, "picture", threshold, why)
    more = f"; {len(case.visits) - LONGEST_LIST} more" if len(case.visits) > LONGEST_LIST else ""
    note = "; ".join(told) + more
    nearest = min(v.nearest for v in case.visits)
    figure = f"{len(case.visits)} visits, the nearest {nearest:.1f} radii of the mark's circle away"
    state = ("pass", "unchecked", "fail")[max(weight for weight, _ in said)]
    return Check(name, state, figure, note, "picture", threshold, why, True, at)


def _starting_hand(case: Case) -> str:
    """Say until when what was in the setting as the free spin began stayed there."""
    first_s = case.free_s[0]
    stayed = [v.to_s for v in case.all_visits if v.from_s <= first_s < v.to_s]
    if stayed:
        return f"the hand that started it was there until {max(stayed):.2f} s"
    return "the hand that started it is not counted, and may be there for longer"


def _weight(visit: Visit, did: Reaction | None) -> int:
    """Say how much a visit tells: 2 where the spin reacts, 1 where that cannot be judged."""
    if visit.nearest > TOUCH_REACH:
        return 0
    return 1 if did is None else 2 if did.step is not None else 0


def _visit_words(visit: Visit, did: Reaction | None) -> str:
    where = (
        "covers the top"
        if visit.nearest == 0
        else f"{visit.nearest:.1f} radii of the mark's circle away"
    )
    text = f"{visit.from_s:.2f} to {visit.to_s:.2f} s, {where}"
    if did is None:
        return f"{text}, the spin cannot be judged there"
    size = f"{rpm(did.rate_rad_s):+.3f} ± {NORMAL_95 * rpm(did.u_rate_rad_s):.3f} rev/min"
    if did.step is None:
        return f"{text}, no reaction of the spin (largest step {size})"
    return f"{text}, THE SPIN REACTS by {size}"


def _free(case: Case) -> BoolArray:
    if case.turning is None:
        return np.ones(len(case.readings.time_s), bool)
    return case.turning.free


def _usual(
    value: FloatArray | Float32Array, frame_s: float, seconds: float = USUAL_S
) -> FloatArray:
    value = np.asarray(value, np.float64)
    size = 2 * int(seconds / frame_s / 2) + 1
    size = min(size, 2 * (len(value) // 2) + 1)
    return np.asarray(ndimage.median_filter(value, max(size, 1), mode="nearest"))


def scene(case: Case) -> Check:
    """Ask whether the whole setting changes from one frame to the next."""
    name = "scene jumps"
    glances, t = case.readings.glances, case.readings.time_s
    if glances is None or len(t) < 8:
        return Check(name, "unchecked", "", "the setting was not looked at", "picture")
    usual = _usual(glances.jump, case.frame_interval_s)
    limit = np.maximum(JUMP_TIMES * usual, JUMP_LEAST)
    there = np.isfinite(glances.near)
    hand = ndimage.binary_dilation(there, iterations=max(1, round(0.3 / case.frame_interval_s)))
    jump = glances.jump.astype(np.float64)
    odd = (jump > limit) & ~hand & _free(case)
    odd[:1] = False
    at = tuple(float(x) for x in t[odd])
    threshold = f"{JUMP_TIMES:g} times the usual change and {JUMP_LEAST:g} grey levels"
    worst = int(np.argmax(np.where(odd, jump, jump / 1e6)))
    figure = f"{len(at)} jumps" if at else f"largest change {jump[1:].max():.2f} grey levels"
    if not at:
        note = "the setting changes smoothly"
        return Check(name, "pass", figure, note, "picture", threshold)
    note = f"the setting changes at once, most at {t[worst]:.2f} s: look there; the spin tells more"
    return Check(name, "pass", figure, note, "picture", threshold, "", True, at)


def camera(case: Case) -> Check:
    """Ask whether the camera moved."""
    name = "camera steady"
    glances, t = case.readings.glances, case.readings.time_s
    if glances is None or len(t) < 8:
        return Check(name, "unchecked", "", "the setting was not looked at", "picture")
    free = _free(case)
    x, y = (_usual(v, case.frame_interval_s, KNOCK_S) for v in (glances.shift_x, glances.shift_y))
    size = max(2, round(KNOCK_S / case.frame_interval_s))
    moved = np.hypot(x[size:] - x[:-size], y[size:] - y[:-size])
    ok = free[size:] & free[:-size]
    if not ok.any():
        return Check(name, "unchecked", "", "the free spin is too short", "picture")
    worst = int(np.argmax(np.where(ok, moved, 0.0)))
    reach = float(np.hypot(np.ptp(x[free]), np.ptp(y[free])))
    figure = f"moves by {moved[worst]:.1f} px in half a second at most, {reach:.1f} px in all"
    threshold = f"{KNOCK_PX:g} px in half a second"
    knock = case.lamp is None and moved[worst] > KNOCK_PX  # bands of flicker look like shifts
    note = "somebody may have knocked the camera" if knock else "the top is followed all the same"
    at = (float(t[worst + size]),) if knock else ()
    turned = _camera_rolls(case)
    if turned is not None:
        figure = f"{figure}; {turned.figure}"
        threshold = f"{threshold}; a turn of {ROLL_DEG:g} deg in half a second, or one that moves"
        threshold = f"{threshold} a speed by more than its own u95"
        if turned.note:
            note = f"{note}; {turned.note}" if knock else turned.note
        at = (*at, *turned.at_s)
    look = bool(knock) or (turned is not None and turned.note != "")
    return Check(name, "pass", figure, note, "picture", threshold, "", look, at)


@dataclass(frozen=True, slots=True)
class _Rolls:
    figure: str
    note: str  # empty where a person need not look
    at_s: tuple[float, ...]


def _camera_rolls(case: Case) -> _Rolls | None:
    """Tell how far the camera turned about its optical axis; None where that is not known."""
    spin, noise, curve = case.turning, case.noise, case.curve
    if spin is None or spin.roll is None or noise is None or curve is None:
        return None
    t, free = case.readings.time_s, _free(case)
    angle = np.degrees(_usual(spin.roll.turn_rad / spin.roll.gain, case.frame_interval_s, KNOCK_S))
    size = max(2, round(KNOCK_S / case.frame_interval_s))
    turned = np.abs(angle[size:] - angle[:-size]) * (free[size:] & free[:-size])
    u = np.degrees(ROLL_SHARED * spin.roll.u_turn_rad / spin.roll.gain)
    sure = turned > np.maximum(ROLL_DEG, SURE_ROLL * np.hypot(u[size:], u[:-size]))
    worst = int(np.argmax(np.where(sure.any() & ~sure, 0.0, turned)))
    figure = f"turns by {turned[worst]:.2f} deg in half a second at most,"
    figure = f"{figure} {np.ptp(angle[free]):.2f} deg in all"
    told = rolled_u(spin, noise, curve.time_s, curve.window_s)
    own = NORMAL_95 * np.sqrt(np.maximum(curve.u_speed_rad_s**2 - told**2, 0.0))
    moved = np.where(np.isfinite(own), told / SHARE, 0.0)
    most = int(np.argmax(moved)) if len(moved) else 0
    if np.any(moved > np.nan_to_num(own, nan=np.inf)):
        note = f"the camera turned, which moves speeds by up to {rpm(moved[most]):.2g} rev/min"
        note = f"{note} and is in their uncertainty: was it held in a hand?"
        return _Rolls(figure, note, (float(curve.time_s[most]),))
    if sure.any():
        note = "the camera turned, and the mark with it: was it held in a hand?"
        return _Rolls(figure, note, (float(t[worst + size]),))
    return _Rolls(figure, "", ())


def light(case: Case) -> Check:
    """Ask whether there is light enough, and whether the exposure steps."""
    name, threshold = "light", f"{100 * DARK_SHARE:g} % of the free spin dark"
    free = _free(case)
    dark = ((case.readings.flags & int(SightingFlag.DARK)) != 0) & free
    share = float(dark.sum() / max(free.sum(), 1))
    figure = f"{100 * share:.1f} % of the free spin too dark"
    note = "there is light enough"
    glances = case.readings.glances
    if glances is not None and len(glances.light) > 2:
        step = np.abs(np.diff(np.log(np.maximum(glances.light.astype(np.float64), 1e-3))))
        steps = int(np.count_nonzero((step > LIGHT_STEP) & free[1:]))
        if steps:
            note = (
                f"the brightness steps {steps} times: auto-exposure or a lamp; light is set apart"
            )
    if share > DARK_SHARE:
        return Check(name, "fail", figure, "the mark cannot be seen", "picture", threshold)
    return Check(name, "pass", figure, note, "picture", threshold)


def focus(case: Case) -> Check:
    """Ask whether the top stays in focus."""
    name = "focus"
    glances, t = case.readings.glances, case.readings.time_s
    if glances is None or len(t) < 8:
        return Check(name, "unchecked", "", "the top's edges were not looked at", "picture")
    free = _free(case)
    sharp, light = (v.astype(np.float64) for v in (glances.sharp, glances.light))
    smooth = _usual(sharp / np.maximum(light, 0.1), case.frame_interval_s, BLUR_S)
    usual = float(np.median(smooth[free])) if free.any() else 0.0
    if usual <= 0:
        return Check(name, "unchecked", "", "the top shows no edges", "picture")
    low = (smooth < BLUR * usual) & free
    share = float(smooth[free].min() / usual)
    figure = f"edges keep {100 * share:.0f} % of their usual steepness"
    threshold = f"{100 * BLUR:g} % for {BLUR_S:g} s"
    if not low.any():
        return Check(name, "pass", figure, "the top stays in focus", "picture", threshold)
    at = (float(t[int(np.argmax(low))]),)
    note = (
        f"the picture is soft for {low.sum() * case.frame_interval_s:.1f} s, from {at[0]:.1f} s on"
    )
    return Check(name, "pass", figure, note, "picture", threshold, "", True, at)


CADENCE_WHY = (
    "what shutter and geometry leave goes with the mark's angle, not with the frame's number"
)


def _pattern_words(pattern: Pattern) -> tuple[str, str]:
    """Figure and note of frames that were not taken as their times say."""
    if pattern.skipped:
        figure = (
            f"every {pattern.frames:.3g} frames the phase steps by the mark's own advance in"
            f" {abs(pattern.skipped)} frame interval{'s' * (abs(pattern.skipped) > 1)}"
        )
        how = "left out" if pattern.skipped > 0 else "put in"
        return figure, f"taken at another rate than they are stored with: frames were {how}"
    figure = (
        f"every {pattern.frames:.3g} frames the same ones are early and late, by"
        f" {pattern.off_rad:.2f} rad of the mark's phase"
    )
    return figure, "taken at another rate than they are stored with: repeated, blended or left out"


def _may_be_otherwise(pattern: Pattern, lamp: Lamp | None, interval_s: float) -> bool:
    """Whether a lamp or an encoder may move a mark by such a pattern in an honest recording.

    A faint mark that is smeared far lies a little elsewhere in frames that are told by those
    before and after them, which come by a pattern, and under a lamp whose flicker comes back after
    some frames, since it lights one end of the trace more than the other.
    """
    if pattern.skipped:
        return False
    if lamp is not None:
        turns = pattern.frames * lamp.seen_hz * interval_s
        if abs(turns - round(turns)) * BLOCK / pattern.frames < BEATS:
            return True
    return pattern.off_rad < SURE_RAD


def _as_slow_motion(lamp: Lamp, interval_s: float) -> str:
    """Name the usual stretch of slow motion, stored at a slower rate, that would make the line.

    The line is known but for whole frame rates and their mirror image.
    """
    rate = 1.0 / interval_s
    for factor in (8, 4, 2):
        for mains in MAINS_HZ:
            stored_hz = 2 * mains / factor
            apart = min(
                abs(off - rate * round(off / rate))
                for off in (lamp.seen_hz - stored_hz, lamp.seen_hz + stored_hz)
            )
            if apart <= MAINS_HALF_WIDTH * stored_hz and factor * rate <= FASTEST_HZ:
                return (
                    f"; slow motion captured at {factor * rate:.4g} frames/s would look so: then"
                    f" state --captured-at {factor * rate:.4g}"
                )
    return ""


def retiming(case: Case) -> Check:
    """Ask whether the frames came as their times say, by their pattern and the lamp's flicker."""
    name, found = "re-timing", case.lamp
    off = found is not None and abs(found.deviation) > found.u95
    pattern = case.pattern
    # a lamp that itself runs wrong excuses no pattern, and says more than one that may be excused
    excused = pattern is not None and (
        bool(case.mark_in_doubt) or _may_be_otherwise(pattern, found, case.frame_interval_s)
    )
    if pattern is not None and not (off and excused):
        figure, note = _pattern_words(pattern)
        threshold, state = f"{SURE_RAD:g} rad", "fail"
        if excused:
            note = (
                f"{note}; or a faint mark under such a lamp or encoder: no speed is taken from it"
            )
            state = "unchecked"
        return Check(name, state, figure, note, "picture", threshold, CADENCE_WHY, True)
    if found is None:
        note = "no flicker of a lamp is seen that could tell whether the times are stretched"
        return Check(name, "unchecked", "", note, "picture")
    figure = (
        f"{100 * found.deviation:+.2f} ± {100 * found.u95:.2f} % by a lamp on {found.mains_hz:g} Hz"
        f" (flicker at {found.seen_hz:.2f} Hz, {100 * found.depth:.1f} % deep)"
    )
    threshold = f"± {100 * found.u95:.2f} %"
    why = "the mains keep to 0.4 %; a line is taken for the nearest one that it may be"
    if off:
        pace = "fast" if found.deviation < 0 else "slow"
        note = f"if the lamp is on the mains, the file runs {pace}: its times were stretched"
        note += _as_slow_motion(found, case.frame_interval_s)
        return Check(name, "fail", figure, note, "picture", threshold, why, True)
    note = "consistent with true times; no proof: other flicker may look alike"
    return Check(name, "pass", figure, note, "picture", threshold, why)
