"""How a number and its uncertainty, an instant and odds are put into words.

One way for terminal, pictures and reports, so that the same figure looks the same
everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from vidspin.records import Ellipse
from vidspin.units import format_duration

# Digits of an uncertainty that are worth printing (JCGM 100, 7.2.6).
UNCERTAINTY_DIGITS = 2
# Decimals that are worth printing when no uncertainty is known.
PLAIN_DECIMALS = 1
# What a check may answer, in words; `answer` says which of them it is.
ANSWERS = {
    "pass": "passed",
    "look": "to be looked at",
    "fail": "failed",
    "unchecked": "could not be checked",
}
ONE_TURNS = "one thing turns"  # name of the check
MAY_BE = "it may be another top, a fan, or the top in a mirror"  # what else turns in a picture
UNSEEN_BEFORE = "s of free spin before it may be unseen, so the lower bound need not hold"
# Beyond this, odds are only "over": no model of the evidence is that good.
TELLING_ODDS = 1e9


def decimals_for(u95: float | None) -> int:
    """Return how many decimals show `UNCERTAINTY_DIGITS` digits of an uncertainty."""
    if u95 is None or not math.isfinite(u95) or u95 <= 0:
        return PLAIN_DECIMALS
    return max(0, UNCERTAINTY_DIGITS - 1 - math.floor(math.log10(u95)))


def alone(u: float) -> str:
    """Write an uncertainty by itself, with the digits that are worth printing: ``0.30``."""
    return f"{u:.{decimals_for(u)}f}" if u > 0 and math.isfinite(u) else f"{u:g}"


def elsewhere(rings: Iterable[Ellipse]) -> str:
    """Say where other things turn: ``about (120, 80) and (300, 90)``, stored px."""
    places = [f"({ring.x_px:.0f}, {ring.y_px:.0f})" for ring in rings]
    return f"about {' and '.join(places)}"


def uncounted(*, turns_lack: bool, stated: bool) -> str:
    """Say why no number of turns is told: some may lack, or an end lies beyond what was seen."""
    if turns_lack:
        return "turns may be missing or counted twice where the mark's angle steps"
    if stated:
        return "a stated end lies beyond what was seen"
    return "too little of the spin is seen"


def between_chapters(seconds: float, u95_s: float) -> str:
    """Say what of a spin time lies between chapters, by the spin itself."""
    size = with_u95(abs(seconds), u95_s, "s")
    if -u95_s <= seconds <= 0:
        return f"the chapters follow without a gap, to ± {alone(u95_s)} s"
    if seconds < 0:
        return f"{size} that two chapters both hold are counted once"
    return f"{size} of it lie between chapters, filmed by nobody"


def side_of(apart_s: float, u95_s: float | None) -> str:
    """Say on which side of an event an instant lies: "before", "within" its ± or "after".

    Parameters
    ----------
    apart_s : float
        Instant minus that of the event, seconds.
    u95_s : float or None
        Expanded uncertainty of the event; without one no instant is within it.
    """
    if u95_s is not None and abs(apart_s) <= u95_s:
        return "within"
    return "after" if apart_s >= 0 else "before"


def apart_from(apart_s: float, u95_s: float | None) -> str:
    """Say how long before or after an event an instant is, and whether within its ±."""
    words = f"{abs(apart_s):.3f} s {'after' if apart_s >= 0 else 'before'}"
    return f"{words}, within ±" if side_of(apart_s, u95_s) == "within" else words


def with_u95(value: float, u95: float | None, unit: str = "") -> str:
    """Write a value with its expanded uncertainty: ``1834.21 ± 0.35 rev/min``.

    Parameters
    ----------
    value : float
        Value, finite.
    u95 : float or None
        Expanded uncertainty in the same unit; None, NaN or 0 when it is not known.
    unit : str
        Unit to put behind.
    """
    decimals = decimals_for(u95)
    text = f"{value:.{decimals}f}"
    if u95 is not None and math.isfinite(u95) and u95 > 0:
        text += f" ± {u95:.{decimals}f}"
    return f"{text} {unit}".rstrip()


def instant(time_s: float, u95_s: float | None = None) -> str:
    """Write an instant as h:mm:ss with the decimals that its uncertainty deserves.

    Parameters
    ----------
    time_s : float
        Scene seconds from the first frame, finite.
    u95_s : float or None
        Expanded uncertainty in seconds; put behind when it is known.
    """
    known = u95_s is not None and math.isfinite(u95_s) and u95_s > 0
    decimals = min(decimals_for(u95_s), 4)
    text = format_duration(time_s, decimals)
    return f"{text} ± {u95_s:.{decimals}f} s" if known else text


def at_least(value: float, unit: str, decimals: int = 2) -> str:
    """Write a lower limit: ``at least 9.96 s``; cut, never rounded up."""
    return f"at least {cut(value, decimals):.{decimals}f} {unit}"


def cut(value: float, decimals: int) -> float:
    """Leave out the further decimals of a lower limit."""
    step = 10**decimals
    return float(math.floor(value * step + 1e-9) / step)


def odds(value: float) -> str:
    """Write odds as ``46 000:1``, with two digits that count."""
    if math.isnan(value):
        return "not known"
    if value >= TELLING_ODDS:
        return "over 1e9:1"
    if value < 1:
        return f"1:{odds(1 / value)[:-2]}" if value > 0 else "none"
    if value < 99.5:  # from here on two digits are 100, which would be written 1e+02
        return f"{value:.2g}:1"
    return f"{float(f'{value:.2g}'):_.0f}:1".replace("_", " ")


def percent(probability: float) -> str:
    """Write a probability in per cent; tiny and near-certain ones do not become 0 or 100."""
    share = 100 * probability
    if 0 < share < 0.1:
        return "< 0.1 %"
    if share > 99.9:  # also where the others are below what a float can tell from none
        return "> 99.9 %"
    return f"{share:.1f} %" if share < 10 or share > 99 else f"{share:.0f} %"


def milliseconds(seconds: float | None) -> str:
    """Write a short time in ms, or a dash when it is not known."""
    if seconds is None or not math.isfinite(seconds):
        return "–"
    return f"{1000 * seconds:.1f} ms"


def plain(text: str, *, longest: int = 300) -> str:
    """Make text from a file harmless to show: it is data, whatever it looks like.

    Parameters
    ----------
    text : str
        Such as a title or the name of a file.
    longest : int
        Characters kept; an ellipsis stands for the rest.

    Returns
    -------
    str
        One line.  Control characters, escapes of terminals, marks that turn the direction of
        writing and whatever else does not print are written as their code points.
    """
    shown = text if len(text) <= longest else text[: longest - 1] + "…"
    return "".join(c if c.isprintable() else f"\\u{{{ord(c):x}}}" for c in shown)


def answer(state: str, *, look: bool) -> str:
    """Name the answer of a check: its state, or ``look`` where a person should judge a pass.

    Such a check found nothing that is wrong by itself, but something that only a person can
    judge: it is no plain pass.
    """
    return "look" if state == "pass" and look else state


def counted(answers: Iterable[str], *, failed: str = "failed") -> str:
    """Count the answers of checks in words: ``24 passed, 1 to be looked at``.

    Parameters
    ----------
    answers : iterable of str
        As `answer` names them.
    failed : str
        Word for those that failed.
    """
    names = list(answers)
    words = {**ANSWERS, "fail": failed}
    said = [f"{names.count(name)} {words[name]}" for name in words if name in names]
    return ", ".join(said) or "none made"


def searched(
    from_s: float,
    to_s: float,
    pushes_to_s: float | None,
    gaps_s: Sequence[tuple[float, float]],
) -> list[str]:
    """Say from when to when touches were looked for; arguments as in `records.TouchSearch`.

    Returns
    -------
    list of str
        Where any touch would have been found; where only a hard push, if there is such a stretch.
    """
    text = f"from {instant(from_s)} to {instant(to_s)}"
    if gaps_s:
        lost = sum(stop - start for start, stop in gaps_s)
        text += f" but for {lost:.1f} s unseen between"
    if pushes_to_s is None:
        return [text]
    return [text, f"later only hard pushes are told from the fall, to {instant(pushes_to_s)}"]


def signed(order: int) -> str:
    """Write an alias order with its sign: ``+1``, ``0``, ``-2``."""
    return f"{order:+d}" if order else "0"


def seen_by(*, mirrored: bool) -> str:
    """Say whose view a sense of rotation belongs to: pictures are measured as stored."""
    if mirrored:
        return "as the stored pictures show it; players mirror this file, and show the other sense"
    return "as the camera sees it"


def plural(count: int, noun: str) -> str:
    """Write ``1 mark`` or ``2 marks``."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def unseen_before(late_s: float) -> str:
    """Say how much of the free spin may have gone unseen before its first sighting."""
    return f"up to {late_s:.1f} {UNSEEN_BEFORE}"


def told_unseen(notes: Iterable[str]) -> str:
    """Find what `unseen_before` said in the notes of a verdict's votes; empty: nothing."""
    said = (note.rpartition("; ")[2] for note in notes if note.endswith(UNSEEN_BEFORE))
    return next(said, "")
