"""Which release speed does a target need, and when will a spin that is going on end?

python docs/examples/what_will_it_take.py results 60
"""

import math
import sys
from pathlib import Path

from vidspin import read_attempt
from vidspin.store import find_results
from vidspin.workshop.attempt import cut_at
from vidspin.workshop.forecast import forecast
from vidspin.workshop.rundown import forms_of_power
from vidspin.workshop.topple import expected_topple


def main(folder: str, target_s: float) -> None:
    attempts = [read_attempt(path) for path in find_results([Path(folder)])]
    laws = forms_of_power("3/2")  # air on a disc, laminar; leave it out to try every law
    outlook = forecast(attempts, forms=laws)
    half, sure = outlook.release_for(target_s)
    if math.isfinite(half):
        told = f"{sure:.0f}" if math.isfinite(sure) else "a speed that nothing tells"
        print(f"{target_s:.0f} s: one start in two from {half:.0f} rev/min, 39 of 40 from {told}")
    else:
        print(f"{target_s:.0f} s: beyond all that the starts so far tell")

    # The first finished attempt once more, as if its recording had ended half way.
    finished = [a for a in attempts if a.resolved and a.fell_s is not None]
    if not finished:
        print("no attempt shows its topple: none to try a forecast on")
        return
    first, *others = finished
    half_way = cut_at(first, 0.5 * first.fell_s)
    expected = expected_topple(half_way, repeats=others, forms=laws)
    print(
        f"{first.name}: expected to fall at {expected.time_s:.1f} s "
        f"({expected.low_s:.1f} to {expected.high_s:.1f}), fell at {first.fell_s:.1f} s"
    )


if __name__ == "__main__":
    main(sys.argv[1], float(sys.argv[2]))
