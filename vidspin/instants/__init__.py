"""When was it released, touched, toppled?

From the free spin outwards to its two ends.
"""
