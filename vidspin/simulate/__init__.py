"""Simulated clips of a spinning top, with exact truth.

`Scene` says what is in the clip, `render` and `SimulatedFootage` draw it,
`vidspin.simulate.encode.write_clip` writes it to a file.  Shares no formula of smear,
shutter or geometry with the analysis, so that a mistake cannot cancel itself.
"""

from vidspin.simulate.footage import SimulatedFootage
from vidspin.simulate.render import Renderer, render
from vidspin.simulate.scene import FrameTimes, Scene, frame_times, mark_angle, speed, turned_angle
from vidspin.simulate.spin import ConstantSpeed, DragLoss, ExponentialLoss, SpeedLaw, SpeedTable
from vidspin.simulate.truth import truth_of

__all__ = [
    "ConstantSpeed",
    "DragLoss",
    "ExponentialLoss",
    "FrameTimes",
    "Renderer",
    "Scene",
    "SimulatedFootage",
    "SpeedLaw",
    "SpeedTable",
    "frame_times",
    "mark_angle",
    "render",
    "speed",
    "truth_of",
    "turned_angle",
]
