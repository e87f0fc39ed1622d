"""What did a person decide, and how does the result keep it?"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from vidspin.errors import UsageError

ENDS = ("release", "topple")
CONFIRMED, OVERRULED = "confirmed", "overruled"
LONGEST_REASON = 500  # as the schema of spin.json says
_KEYS = ("event", "action", "frame", "reason", "of")


@dataclass(frozen=True, slots=True)
class Decision:
    """What a person decided about one end of the spin.

    Attributes
    ----------
    event : str
        "release" or "topple".
    action : str
        "confirmed" or "overruled".
    frame : int
        Row of the frame that was shown, counted from 0; the new instant when overruled.
    reason : str
        May be empty only when confirmed.
    of : str
        SHA-256 of the ``spin.json`` that was looked at.
    """

    event: str
    action: str
    frame: int
    reason: str
    of: str


def read_decision(body: bytes, frames: int) -> Decision:
    """Read a decision as the page sends it; whatever else comes is refused.

    Parameters
    ----------
    body : bytes
        JSON.
    frames : int
        Number of frames that can be shown.

    Raises
    ------
    UsageError
        It is no decision, or it lacks its reason.
    """
    try:
        said: Any = json.loads(body)
    except (ValueError, RecursionError):
        said = None
    if not isinstance(said, dict) or set(said) != set(_KEYS):
        raise _refused("this is no decision of the review page")
    event, action, frame, reason, of = (said[key] for key in _KEYS)
    if event not in ENDS or action not in (CONFIRMED, OVERRULED) or not isinstance(of, str):
        raise _refused("this is no decision of the review page")
    if not isinstance(frame, int) or isinstance(frame, bool) or not 0 <= frame < frames:
        raise _refused("there is no such frame")
    if not isinstance(reason, str):
        raise _refused("the reason is no text")
    reason = " ".join("".join(c if c.isprintable() else " " for c in reason).split())
    if len(reason) > LONGEST_REASON:
        raise UsageError(
            f"it has more than {LONGEST_REASON} letters", where="reason", do="say it shorter"
        )
    if action == OVERRULED and not reason:
        raise UsageError("it is missing", where="reason", do="say why the instant is another one")
    return Decision(event, action, frame, reason, of)


def _refused(what: str) -> UsageError:
    return UsageError(what, where="review page", do="load the page again")


def instant_of(document: Mapping[str, Any], event: str) -> float | None:
    """Return an end's instant, scene seconds; None where it is not seen in the recording."""
    end = document[event]
    if end is None or not end["seen"] or end["time_s"] is None:
        return None
    return float(end["time_s"])


def with_review(
    document: Mapping[str, Any], decision: Decision, *, at: str, before: Mapping[str, Any]
) -> dict[str, Any]:
    """Return a document whose history ends with a decision; earlier entries stay.

    Parameters
    ----------
    document : mapping
        ``spin.json`` as it is after the decision.
    decision : Decision
    at : str
        When it was decided, RFC 3339, UTC.
    before : mapping
        ``spin.json`` that was looked at.
    """
    entry = {
        "at": at,
        "event": decision.event,
        "action": decision.action,
        "from_s": _plain(instant_of(before, decision.event)),
        "to_s": _plain(instant_of(document, decision.event)),
        "reason": decision.reason or None,
    }
    return {**document, "reviews": [*before.get("reviews", []), entry]}


def _plain(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else value
