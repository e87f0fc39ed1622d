"""What is a challenge, in letters and in words?

A challenge is a random code that somebody other than the maker hands out shortly before an
attempt.  It is shown to the camera at the start, as a QR code, in letters and in words: a
recording that shows it cannot have been made before the code was.  The code says nothing by
itself; what counts is who made it, and when.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
from dataclasses import dataclass
from datetime import UTC, datetime

from vidspin.units import rfc3339

CODE_BYTES = 10  # 80 bits: nobody films beforehand for even a billionth of all codes
PREFIX = "VIDSPIN"
_PUBLIC_DOMAIN = b"vidspin challenge\n"  # keeps the hash apart from any other use of the text
_STAMP = "%y%m%d%H%M"
_TEXT = re.compile(rf"{PREFIX}/([A-Z2-7]{{16}})/([0-9]{{10}})")

# One word for each value of a byte.  Own list: short everyday words, the first four letters
# all different, so that a word half heard or half read is still the same word.
WORDS: tuple[str, ...] = tuple(
    """
    acorn actor adult agent album alley amber angle ankle apple april apron arrow aspen atlas
    attic award axle bacon badge baker banjo barn basil beach bell bench berry bicycle birch
    blanket boat bonus bottle bowl bread brick bubble bucket bugle bunker butter cabin cactus
    camel candle canoe carbon castle cedar cello chair cheese cider cinema circle clay clock
    cloud clover cobalt coffee comet copper coral cotton cousin cradle cricket crown cube
    curtain daisy dancer danger deputy desert diamond dinner doctor dolphin donkey door dragon
    dream drum dune eagle earth easel echo elbow elm ember engine envelope fabric falcon farmer
    feather fence ferry fiddle field finger flag flute forest fossil fountain fox frost fruit
    galaxy garden garlic ginger giraffe glass glove goat golden gravel guitar hammer harbour
    hazel helmet heron hill honey hornet hotel hour ice idea igloo infant island ivory jacket
    jelly jewel jigsaw judge juice jungle kettle keyhole king kitchen kite ladder lagoon lamp
    lantern laurel lemon letter library lily linen lion lizard lobster lotus lunch magnet
    mango maple marble meadow melon metal milk mirror monkey moss mountain museum napkin
    needle nest nickel noodle north nutmeg oak oasis ocean olive onion orange orbit orchid
    otter oven oyster paddle palace panda paper parrot pebble pencil pepper piano pigeon pillow
    pine planet plum pocket pond potato prism puzzle quartz queen quilt rabbit radio raven
    ribbon river robin rocket rope saddle salmon sandal scarf school shadow silver spider
    spoon squirrel summer swan table tailor tiger tomato tunnel turtle umbrella valley velvet
    violin wagon walnut willow window yacht zebra
    """.split()
)


@dataclass(frozen=True, slots=True)
class Challenge:
    """A challenge as it stands on a card.

    Attributes
    ----------
    text : str
        What the QR code holds.
    code : bytes
        The random part, `CODE_BYTES` long.
    made : str
        When it was made by the maker's own clock, RFC 3339 UTC, whole minutes.
    """

    text: str
    code: bytes
    made: str

    @property
    def words(self) -> tuple[str, ...]:
        """The code as words to be read aloud, one a byte."""
        return tuple(WORDS[byte] for byte in self.code)

    @property
    def letters(self) -> str:
        """The code in letters, in groups of four."""
        code = self.text.split("/")[1]
        return " ".join(code[k : k + 4] for k in range(0, len(code), 4))


def new_challenge(code: bytes, made: datetime) -> Challenge:
    """Put a code and the time it was made into a challenge.

    Parameters
    ----------
    code : bytes
        `CODE_BYTES` random bytes, or those of `public_code`.
    made : datetime
        When, with a time zone; told to the whole minute, rounded down.

    Raises
    ------
    ValueError
        A code of another length, a time without a zone or outside 2000 to 2099.
    """
    if len(code) != CODE_BYTES:
        raise ValueError(f"a code has {CODE_BYTES} bytes, not {len(code)}")
    if made.utcoffset() is None or not 2000 <= made.astimezone(UTC).year <= 2099:
        raise ValueError(f"no instant from 2000 to 2099: {made.isoformat()}")
    letters = base64.b32encode(code).decode("ascii")
    text = f"{PREFIX}/{letters}/{made.astimezone(UTC).strftime(_STAMP)}"
    challenge = read_challenge(text)
    if challenge is None:  # cannot be: the text was put together a line above
        raise ValueError(text)
    return challenge


def public_code(text: str) -> bytes:
    """Draw a code from words that everybody can look up and nobody could know before.

    Parameters
    ----------
    text : str
        Such as the numbers of a lottery of that day.  White space at the ends does not count,
        and every other run of it counts as one space.

    Returns
    -------
    bytes
        The first `CODE_BYTES` bytes of SHA-256 over a fixed line and the text in UTF-8.
    """
    words = " ".join(text.split())
    return hashlib.sha256(_PUBLIC_DOMAIN + words.encode()).digest()[:CODE_BYTES]


def read_challenge(text: str) -> Challenge | None:
    """Read what a QR code holds; None when it is no challenge of ours."""
    match = _TEXT.fullmatch(text)
    if match is None:
        return None
    try:
        code = base64.b32decode(match[1])
        made = datetime.strptime(match[2], _STAMP).replace(tzinfo=UTC)
    except (ValueError, binascii.Error):
        return None
    # two digits of a year stand for 2000 to 2099, whatever the C library prefers
    return Challenge(text, code, rfc3339(made.replace(year=2000 + int(match[2][:2]))))
