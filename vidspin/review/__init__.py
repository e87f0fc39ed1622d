"""What does a person see when looking through a result, and what did they decide?

A page on this machine alone: frames with what was fitted drawn over them, and decisions on the
ends of the spin.  Nothing here opens a recording or writes a result; both are handed in.
"""

from vidspin.review.history import Decision as Decision
from vidspin.review.history import with_review as with_review
from vidspin.review.pictures import Pictures as Pictures
from vidspin.review.scene import Scene as Scene
from vidspin.review.server import Review as Review
