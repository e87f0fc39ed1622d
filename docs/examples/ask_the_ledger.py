"""Hundreds of attempts: keep them in a ledger and ask it.

python docs/examples/ask_the_ledger.py results attempts.sqlite
"""

import sys
from pathlib import Path

from vidspin import read_attempt
from vidspin.ledger import Choice, Ledger, entry_columns, entry_of
from vidspin.store import find_results


def main(folder: str, book: str) -> None:
    paths = find_results([Path(folder)])
    with Ledger(Path(book), create=True) as ledger:
        ledger.add(
            entry_of(read_attempt(path), path.resolve(), added="2024-06-01T00:00:00Z")
            for path in paths
        )
        best = ledger.entries(Choice(sort="best", most=3))
        worn = ledger.wear()
    columns = entry_columns(best)  # pandas.DataFrame(columns) works as it stands
    for name, seconds in zip(columns["name"], columns["spin_time_s"], strict=True):
        print(name, seconds)
    for part in worn:
        print(f"{part.part} {part.name}: {part.hours:.2f} h, {part.revolutions:.0f} revolutions")


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
