"""How an attempt is read from its result folder."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from vidspin.errors import UsageError
from vidspin.facts import printable
from vidspin.store.folder import DOCUMENT, read_result
from vidspin.workshop.attempt import Attempt, attempt_from
from vidspin.workshop.chapters import put_together, seams_within

SUFFIX = ".spin"


def read_attempt(folder: Path) -> Attempt:
    """Read what the analyses need of one result folder.

    Parameters
    ----------
    folder : Path
        A folder that `write_result` wrote.

    Returns
    -------
    Attempt
        Named as the folder, without ``.spin``.

    Raises
    ------
    UsageError
        When the folder is not a result or is damaged.
    """
    stored = read_result(folder)
    name = folder.resolve().name.removesuffix(SUFFIX)
    try:
        drawn = attempt_from(name, stored.document, stored.speed, stored.sightings)
        return put_together(drawn, seams_within(stored.document, stored.sightings))
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
        reason = (str(error) or type(error).__name__).splitlines()[0]
        raise UsageError(
            f"the result does not hold what it must ({printable(reason, most=80)})",
            where=str(folder),
            do="measure the recording again",
        ) from error


def find_results(paths: Iterable[Path]) -> list[Path]:
    """List result folders: those given, and those directly inside the other folders given.

    Raises
    ------
    UsageError
        When a path is neither, or there is nothing in it.
    """
    found: list[Path] = []
    for path in paths:
        inside = sorted(p for p in path.glob(f"*{SUFFIX}") if (p / DOCUMENT).is_file())
        if (path / DOCUMENT).is_file():
            found.append(path)
        elif inside:
            found += inside
        else:
            raise UsageError(
                "no result is there",
                where=str(path),
                do="give folders that `vidspin measure` wrote",
            )
    unique = {path.resolve(): path for path in found}
    return list(unique.values())
