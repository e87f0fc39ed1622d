"""Where is the top, which ring does its mark sweep, how many marks?

From short runs of frames all over the recording, before the one pass.
"""
