"""How many whole turns passed between frames, and what did readout and perspective do to the angle?

One cue of the alias order is one function and one row in a registry.
"""
