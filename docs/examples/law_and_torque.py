"""Where does the energy go?  The law of one run-down, its torque, and the floor that air sets.

python docs/examples/law_and_torque.py wren.spin
"""

import sys
from pathlib import Path

from vidspin import read_attempt
from vidspin.workshop.drag import air
from vidspin.workshop.mechanics import Body, drag_of
from vidspin.workshop.rundown import fit_rundown


def main(folder: str) -> None:
    attempt = read_attempt(Path(folder))
    found = fit_rundown(attempt)
    for fit in found.fits:
        terms = zip(fit.names, fit.values, fit.u95, strict=True)
        law = ", ".join(f"{name} = {value:.6g} ± {u95:.1g}" for name, value, u95 in terms)
        print(f"{fit.weight:.2f}  {fit.form.name}: {law}")

    # A moment of inertia known to 2 %, a top of 45 mm, air at 20 °C.
    drag = drag_of(found, Body(2.0e-5, u_inertia=0.02, diameter_m=0.045), air(20.0, 1013.25))
    for speed, torque, ratio in zip(drag.speed_rpm, drag.torque_un_m, drag.ratio, strict=True):
        print(f"{speed:6.0f} rev/min  {torque:7.3f} µN·m  {ratio:5.2f} times a smooth disc")


if __name__ == "__main__":
    main(sys.argv[1])
