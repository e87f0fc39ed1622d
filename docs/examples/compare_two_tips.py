"""Did the new tip help?  Starts and run-downs of two tips, with the release speed taken out.

Run it on a folder of results whose facts name the tip:

    python docs/examples/compare_two_tips.py results
"""

import sys
from pathlib import Path

from vidspin import read_attempt
from vidspin.store import find_results
from vidspin.workshop.compare import compare
from vidspin.workshop.starts import starts


def main(folder: str) -> None:
    attempts = [read_attempt(path) for path in find_results([Path(folder)])]

    # How fast were they released?  Doubtful attempts are in `left_out`, in no group.
    released = starts(attempts, by="tip")
    for group in released.groups:
        print(f"{group.label}: {len(group.rpm)} starts, median {group.median:.0f} rev/min")
    for one in released.left_out:
        print(f"left out: {one.name} ({one.why})")

    # How long do they take from one common speed to another?
    coasts = compare(attempts, by="tip", between_rpm=(500.0, 1200.0))
    for group in coasts.groups:
        if group.pooled is not None:
            print(
                f"{group.label}: {group.typical_s:.2f} s, repeats scatter by "
                f"{100 * group.pooled.tau:.2f} %, measurement by "
                f"{100 * group.pooled.u_measurement:.3f} %"
            )
    for difference in coasts.differences:
        print(difference.verdict)

    # Columns of equal length: pandas.DataFrame(coasts.table()) works as it stands.
    for name, column in coasts.table().items():
        print(name, len(column))


if __name__ == "__main__":
    main(sys.argv[1])
