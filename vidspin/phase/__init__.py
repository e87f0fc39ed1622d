"""Is the phase one piece: where does it break, step, or miss time?

Of sightings with their whole turns; no speed is stated here.
"""
