"""Where does what lie in a dossier?"""

from __future__ import annotations

RESULT, RECORDING = "data/result", "data/recording"
MANIFEST_JSON = "data/manifest.json"
ATTEMPT_TOML, CHALLENGE_JSON = "data/attempt.toml", "data/challenge.json"
SPIN_JSON = "spin.json"
HOW_TO_CHECK, CHECKER = "HOW-TO-CHECK.txt", "check_dossier.py"

# Bytes of one file: what a dossier takes in, its checks must read.
LONGEST_RESULT_FILE = 1 << 30  # as much as `store` reads of the sightings
LONGEST_FOR_SCRIPT = 1 << 26  # of what check_dossier.py reads whole
