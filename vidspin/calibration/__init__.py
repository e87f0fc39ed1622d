"""What are the continuous mark angle, the shutter and the exposure of this recording?

Model and angles by turns: each is learnt with what the other says.
"""
