"""What does the mark look like, and at which angle is it in one ring profile?

Nothing here knows a speed: a still, a visibility and a mark are learnt, and one profile is read.
"""
