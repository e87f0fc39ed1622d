"""What commands share: options declared once, numbers that people type, progress.

Numbers arrive as text and are read here, so that a bad one is told in a line that names the
option and says what to type.  What is slow to import is imported where it is used.
"""

from __future__ import annotations

import ctypes
import gc
import math
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from fractions import Fraction
from pathlib import Path
from threading import Event, Thread
from types import TracebackType
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vidspin.errors import ExitCode, FootageError, UsageError

if TYPE_CHECKING:
    from vidspin.records import Result, Settings

OutOption = Annotated[
    Path | None,
    typer.Option(
        "--out", metavar="DIR", help="Folder for the result folders [beside the recording]."
    ),
]
OverwriteOption = Annotated[
    bool, typer.Option("--overwrite", help="Replace results that are there already.")
]
QuietOption = Annotated[
    bool, typer.Option("--quiet", help="No progress and no summary, errors only.")
]
JsonOption = Annotated[
    bool, typer.Option("--json", help="Print one line of JSON for each result instead of words.")
]
FactOption = Annotated[
    list[str] | None,
    typer.Option("--fact", metavar="KEY=VALUE", help="A fact of the attempt, such as tip=carbide."),
]

# Decimals of a rate that stand for a multiple of 1000/1001, as film and broadcast write them.
_BROADCAST = Fraction(1000, 1001)

# Beyond these, what is typed is a slip of the finger; their squares and cubes are still numbers.
SMALLEST, LARGEST = 1e-12, 1e12
MOST_DIGITS = 9  # of a count
MOST_SIDE_DIGITS = 5  # of a picture's side
MOST_MARKS = 4  # that are tried on a top; with more, speeds lie too close to be told apart
LEAST_EVERY_S = 0.01  # rows share sightings long before; of an hour these are 360,000
MOST_WORDS = 12  # of a name with spaces
FASTEST_RPM = 1e6  # nothing that a camera sees turns faster; every alias order up to it is tried

# Of the GNU allocator: blocks of this size and more come from the system and go back to it.
_THRESHOLD_SETTING, _THRESHOLD_BYTES = -3, 1 << 20


def give_pictures_back() -> None:
    """Have freed pictures given back at once, as a worker of a batch has it by its environment.

    The GNU allocator otherwise learns to keep freed pictures of 4K: 150 MiB of them.  What the
    libraries brought along stays for good, so that `give_freed_back` need not look it through.
    """
    gc.freeze()
    if sys.platform == "linux" and "MALLOC_MMAP_THRESHOLD_" not in os.environ:
        with suppress(OSError, AttributeError):  # another allocator has no such setting
            ctypes.CDLL(None).mallopt(_THRESHOLD_SETTING, _THRESHOLD_BYTES)


def give_freed_back() -> None:
    """Have the system take back what was freed in small pieces, or only waits to be."""
    gc.collect()
    if sys.platform == "linux":
        with suppress(OSError, AttributeError):  # another allocator knows no such call
            ctypes.CDLL(None).malloc_trim(0)


def parse_number(text: str, option: str, *, low: float = -math.inf, above: bool = False) -> float:
    """Read a number that a person typed.

    Parameters
    ----------
    text : str
        The number.
    option : str
        Name of the option, for the error.
    low : float
        Smallest value allowed.
    above : bool
        The value must be above `low`, not at it.

    Raises
    ------
    UsageError
        When the text is no finite number or is too small.
    """
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(f"{text!r} is not a number", where=option, do="give one such as 12.5")
    if value and not SMALLEST <= abs(value) <= LARGEST:
        raise UsageError(f"{text!r} cannot be meant", where=option, do="give one such as 12.5")
    if value > low if above else value >= low:
        return value
    bound = f"above {low:g}" if above else f"of {low:g} or more"
    raise UsageError(f"{value:g} is out of range", where=option, do=f"give a number {bound}")


def parse_count(text: str, option: str) -> int:
    """Read a whole number, 1 or more."""
    digits = text.strip()
    if not (digits.isascii() and digits.isdigit() and len(digits) <= MOST_DIGITS and int(digits)):
        raise UsageError(f"{text!r} is not a count", where=option, do="give 1, 2, 3 and so on")
    return int(digits)


def parse_marks(text: str, option: str = "--marks") -> int:
    """Read how many equal marks there are."""
    count = parse_count(text, option)
    if count > MOST_MARKS:
        raise UsageError(f"{count} is out of range", where=option, do=f"give 1 to {MOST_MARKS}")
    return count


def parse_every(text: str, option: str = "--every") -> float:
    """Read the distance of the rows of ``speed.csv``, seconds."""
    return parse_number(text, option, low=LEAST_EVERY_S)


def parse_ratio(text: str, option: str) -> float:
    """Read a number or a ratio, such as 0.002 or 1/500.

    Raises
    ------
    UsageError
        When the text is neither, or no number that can be meant.
    """
    above, sign, below = text.partition("/")
    try:  # not by way of Fraction, which writes 1e999999999 out
        value = float(above) / float(below) if sign else float(text)
    except (ValueError, ZeroDivisionError):
        value = math.nan
    if not (value == 0.0 or SMALLEST <= abs(value) <= LARGEST):
        raise UsageError(f"{text!r} is not a number", where=option, do="give 0.002 or 1/500")
    return value


def parse_size(text: str) -> tuple[int, int]:
    """Read the size of a picture, such as ``1920x1080``."""
    columns, sign, rows = (part.strip() for part in text.lower().partition("x"))
    good = all(part.isdecimal() and len(part) <= MOST_SIDE_DIGITS for part in (columns, rows))
    if not (sign and good):
        raise UsageError(f"{text!r} is not a size", where="--size", do="give one such as 1920x1080")
    return int(columns), int(rows)


def parse_pair(text: str, option: str, *, low: float = -math.inf) -> tuple[float, float]:
    """Read two numbers with a comma between, such as ``960,540``."""
    parts = text.split(",")
    if len(parts) != 2:
        raise UsageError(
            f"{text!r} is not two numbers", where=option, do="give two such as 960,540"
        )
    return parse_number(parts[0], option, low=low), parse_number(parts[1], option, low=low)


def code_of(result: Result) -> ExitCode:
    """Tell a measurement's exit code: without a speed first, then with a failed check."""
    if not result.alias.resolved:
        return ExitCode.UNRESOLVED
    failed = any(check.state == "fail" for check in result.checks)
    return ExitCode.CHECK_FAILED if failed else ExitCode.DONE


def told(files: Sequence[str]) -> list[str]:
    """List the files of a result: what to read first, the many stills as one."""
    stills = [name for name in files if name.startswith("still-")]
    rest = [name for name in files if name not in {"report.html", *stills}]
    many = [f"{len(stills)} stills"] if stills else []
    return [*(["report.html"] if "report.html" in files else []), "spin.json", *rest, *many]


def parse_instant(text: str, option: str) -> float:
    """Read an instant as seconds or h:mm:ss from the first frame."""
    from vidspin.units import parse_duration

    try:
        return parse_duration(text)
    except ValueError as error:
        raise UsageError(
            f"{text!r} is no time", where=option, do="give 12.5, 41:37 or 0:41:37"
        ) from error


def read_radii(text: str) -> tuple[float, float]:
    """Read semi-axes, the longer one first."""
    long, short = parse_pair(text, "--radii", low=1.0)
    if short > long:
        raise UsageError("the first radius is the longer one", where="--radii", do="swap them")
    return long, short


def read_bounds(between: tuple[str, str]) -> tuple[float, float]:
    """Read bounds on the speed, rev/min, the lower one first."""
    low, high = (parse_number(text, "--between", low=0.0) for text in between)
    if high > FASTEST_RPM:
        raise UsageError(
            f"{high:g} is out of range", where="--between", do=f"give up to {FASTEST_RPM:g} rev/min"
        )
    if low >= high:
        raise UsageError(
            f"{low:g} to {high:g} rev/min holds no speed", where="--between", do="give LOW HIGH"
        )
    return low, high


def check_instants(settings: Settings) -> None:
    """Refuse instants in the wrong order, without a reason, and a reason for nothing."""
    stated = [t for t in (settings.release_s, settings.topple_s) if t is not None]
    if len(stated) == 2 and stated[0] >= stated[1]:
        raise UsageError("it is not after --release", where="--topple", do="correct one of them")
    if settings.overrule_reason and not stated:
        raise UsageError(
            "it explains nothing", where="--reason", do="state --release or --topple with it"
        )
    if stated and not settings.overrule_reason.strip():
        raise UsageError(
            "an instant is stated without one", where="--reason",
            do="say why; it is kept in the result, beside what the program found",
        )  # fmt: skip


def parse_capture_rate(text: str, option: str = "--captured-at") -> Fraction:
    """Read a frame rate; decimals that film and broadcast use stand for the exact ratio.

    ``29.97`` means 30000/1001, ``239.76`` means 240000/1001 and ``23.98`` 24000/1001; any
    other number is taken as it stands.
    """
    from vidspin.units import parse_rate

    try:
        rate = parse_rate(text)
    except ValueError as error:
        raise UsageError(
            f"{text!r} is not a frame rate", where=option, do="give 240, 239.76 or 240000/1001"
        ) from error
    decimals = len(text.strip().partition(".")[2])
    exact = round(rate / _BROADCAST) * _BROADCAST
    if decimals >= 2 and round(exact, decimals) == rate:
        return exact
    return rate


def can_ask() -> bool:
    """Tell whether somebody can be asked for a secret: at standard input, or at the terminal."""
    if sys.stdin is not None and sys.stdin.isatty():
        return True
    try:
        with open("/dev/tty", "rb"):
            return True
    except OSError:
        return False


def read_passphrase(path: Path | None, *, ask: bool, twice: bool) -> bytes | None:
    """Read the passphrase of a key from a file, or ask for it; None when there is none."""
    if path is not None:
        try:
            lines = path.read_bytes().splitlines()
        except OSError as error:
            raise UsageError(
                f"{path} cannot be read ({error.strerror or error})",
                where="--passphrase-file", do="check the name",
            ) from error  # fmt: skip
        if not lines or not lines[0]:
            raise UsageError(f"{path} is empty", where="--passphrase-file", do="write one line")
        return lines[0]
    if not ask:
        return None
    if not can_ask():
        raise UsageError(
            "no terminal to ask on", where="--passphrase", do="use --passphrase-file"
        )  # fmt: skip
    return str(
        typer.prompt("Passphrase of the key", hide_input=True, confirmation_prompt=twice, err=True)
    ).encode()


_COUNTED = "{desc} {percentage:3.0f} % |{bar}| {remaining} left"
_UNCOUNTED = "{desc}, {elapsed}"
_TICK_S = 1.0


def _tick(bar: Any, over: Event) -> None:
    """Let the time of a stage that tells nothing meanwhile go on, as a sign of life."""
    while not over.wait(_TICK_S):
        bar.refresh()


class Progress:
    """Progress with the time left, on stderr, where that is a terminal.

    Call it as ``progress(stage, done, total)``; each stage gets a bar of its own, which goes
    when the next one starts.  A total of 0 means that nobody knows: then only the stage and the
    time that it has taken are shown, and no share of it.

    Parameters
    ----------
    label : str
        What to put before each stage, such as the name of the recording.
    shown : bool
        False keeps quiet.
    """

    def __init__(self, label: str, *, shown: bool) -> None:
        self._label = label
        self._shown = shown and sys.stderr.isatty()
        self._stage = ""
        self._bar: Any = None
        self._clock: Thread | None = None  # of a stage without a count
        self._over = Event()  # ends it

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Tell how far a stage has come."""
        if not self._shown:
            return
        if stage != self._stage:
            self._start(stage, total)
        if total:
            self._bar.total = total
            self._bar.update(done - self._bar.n)

    def _start(self, stage: str, total: int) -> None:
        from tqdm import tqdm

        self.close()
        self._stage = stage
        self._bar = tqdm(
            total=total or None,
            desc=f"{self._label}: {stage}",
            file=sys.stderr,
            leave=False,
            dynamic_ncols=True,
            bar_format=_COUNTED if total else _UNCOUNTED,
        )
        if not total:
            self._over = Event()
            self._clock = Thread(target=_tick, args=(self._bar, self._over), daemon=True)
            self._clock.start()

    def close(self) -> None:
        """Remove the bar."""
        self._over.set()
        if self._clock is not None:  # else it might draw once more what is removed here
            self._clock.join()
            self._clock = None
        if self._bar is not None:
            self._bar.close()
            self._bar = None

    def __enter__(self) -> Progress:
        """Start without a bar."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Remove the bar, whatever happened."""
        self.close()


def refuse_split_names(recordings: Sequence[Path]) -> None:
    """Refuse a name with spaces that the shell took apart for lack of quotation marks."""
    from vidspin.wording import plain  # not before: it takes numpy along

    for first, start in enumerate(recordings):
        if os.path.lexists(start):
            continue
        for last in range(first + 2, min(first + MOST_WORDS, len(recordings)) + 1):
            whole = " ".join(str(path) for path in recordings[first:last])
            if Path(whole).is_file():
                raise FootageError(
                    "no such file", where=str(start), do=f'put quotation marks: "{plain(whole)}"'
                )
