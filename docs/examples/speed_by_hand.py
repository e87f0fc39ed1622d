"""Work speeds, turns and spin time of a result out again, with nothing but numpy.

    python3 speed_by_hand.py RESULT

RESULT is a result folder, in a dossier ``data/result``.  What is compared with the sealed rows of
``speed.csv`` comes from ``sightings.npz`` alone.
"""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path

import numpy as np

SIDES_S = 3.0  # rows so near tell how the slowing itself changes


def main(folder: Path) -> None:
    """Print each row with what comes out here, then the sums."""
    spin = json.loads((folder / "spin.json").read_text("utf-8"))
    seen = np.load(folder / "sightings.npz")
    # the angle of a frame is that of mid-exposure of its middle row
    time = seen["time_s"] + spin["camera"]["centre_row_offset_s"]["value"]
    turned, u = seen["turned_rad"], seen["u_stated_rad"]
    used = (seen["flags"] == 0) & np.isfinite(turned) & np.isfinite(u)
    with (folder / "speed.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["rpm"]]
    print("   time s   by hand rev/min      in speed.csv    u95 without clock    off by u95")
    when = np.array([float(row["time_s"]) for row in rows])
    rates, slopes, lengths = [], [], []
    for at, row in zip(when, rows, strict=True):
        # the sightings of a row are so many as it says, those nearest to its instant
        near = np.flatnonzero(used)[np.argsort(np.abs(time[used] - at))[: int(row["sightings"])]]
        powers = np.vander(time[near] - at, 3, increasing=True) / u[near, None]
        _, rate, bend = np.linalg.lstsq(powers, turned[near] / u[near], rcond=None)[0]
        rates.append(rate)
        slopes.append(2 * bend)
        lengths.append(np.ptp(time[near]))
    off = []
    for k, (at, row) in enumerate(zip(when, rows, strict=True)):
        # where the slope itself changes, by j a second, a quadratic is off by j L**2 / 40
        beside = np.abs(when - at) <= SIDES_S
        jerk = np.polyfit(when[beside], np.array(slopes)[beside], 1)[0] if beside.sum() > 2 else 0.0
        mine = abs(rates[k] - jerk * lengths[k] ** 2 / 40) * 60 / (2 * np.pi)
        rpm, u95 = float(row["rpm"]), float(row["u95_rpm_excl_clock"])
        off.append(abs(mine - rpm) / u95)
        print(f"{at:9.3f} {mine:17.3f} {rpm:17.3f} {u95:20.3f} {off[-1]:13.2f}")
    print(
        f"{len(off)} rows, {np.mean(np.array(off) <= 1):.0%} within u95, largest {max(off):.2f} u95"
    )

    known = np.flatnonzero(used)
    first, last = known[0], known[-1]
    turns = abs(turned[last] - turned[first]) / (2 * np.pi)
    print(f"{turns:.2f} turns from {time[first]:.3f} to {time[last]:.3f} s, by the sightings")
    ends = [spin[name] for name in ("release", "topple")]
    if not all(end and end["seen"] for end in ends) or not rows:
        return
    low, high = (end["time_s"] for end in ends)
    print(
        f"{high - low:.3f} s from release to topple; sealed: {spin['spin_time']['seconds']:.3f} s"
    )
    # between release and first row, last row and topple: the slowing of the next rows goes on
    at, rpm = (np.array([float(row[key]) for row in rows]) for key in ("time_s", "rpm"))
    begin, end = (np.polyval(np.polyfit(at[part], rpm[part], 1), when)
                  for part, when in ((slice(4), low), (slice(-4, None), high)))  # fmt: skip
    whole = np.trapezoid([begin, *rpm, end], [low, *at, high]) / 60
    count, u95 = (spin["revolutions"][key] for key in ("count", "u95"))
    told = "not counted" if count is None else f"{count:.2f} ± {u95:.2f}"
    print(f"{whole:.2f} turns by summing the rows; sealed: {told}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
