"""How were the pictures of the filming guide made? `python docs/filming_pictures.py` makes them.

Frames of `vidspin simulate`, good and bad side by side.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import av
import cv2
import numpy as np

FOLDER = Path(__file__).parent / "img"
GOOD = "--exposure 1/1000 --mark-size 0.11 --contrast -125"
# Picture: panels of caption and options; what comes later wins.
PICTURES = {
    "filming-mark": [
        ("good: large, dark, near the rim", ""),
        ("poor: hardly darker than the top", "--contrast -12"),
        ("poor: small, far inside", "--mark-size 0.035 --mark-radius 0.6"),
    ],
    "filming-light": [
        ("good: bright, 1/1000 s", ""),
        ("poor: 1/60 s smears the mark away", "--exposure 1/60"),
        ("poor: dark and noisy", "--gain 0.12 --noise 8"),
        ("poor: too bright, with glare", "--gain 2.6 --highlight 1"),
    ],
    "filming-room": [
        ("good: room on all sides", ""),
        ("poor: too small", "--axes 34,25"),
        ("poor: will wander out of the picture", "--centre 545,250"),
    ],
}


def frame(options: str, folder: Path) -> np.ndarray:
    """Return the seventh frame of a simulated clip, colours in the order of OpenCV."""
    clip = folder / "clip.mp4"
    words = f"{GOOD} --rpm 1900 --seconds 0.3 --crf 10 --seed 3 {options}".split()
    command = [sys.executable, "-m", "vidspin", "simulate", str(clip), "--overwrite", "--quiet"]
    subprocess.run([*command, *words], check=True)
    with av.open(str(clip)) as container:
        pictures = [f.to_ndarray(format="bgr24") for f in container.decode(video=0)]
    return np.asarray(pictures[6])


def panel(caption: str, picture: np.ndarray) -> np.ndarray:
    """Return a small picture, cut to the top's surroundings, with its caption below."""
    small = cv2.resize(picture, (384, 216), interpolation=cv2.INTER_AREA)
    strip = np.full((26, 384, 3), 255, np.uint8)
    font, ink = cv2.FONT_HERSHEY_SIMPLEX, (40, 40, 40)
    cv2.putText(strip, caption, (4, 18), font, 0.55, ink, 1, cv2.LINE_AA)
    return np.pad(np.vstack([small, strip]), ((4, 4), (4, 4), (0, 0)), constant_values=255)


def main() -> None:
    """Make all pictures."""
    with tempfile.TemporaryDirectory() as folder:
        for name, panels in PICTURES.items():
            made = [panel(caption, frame(o, Path(folder))) for caption, o in panels]
            columns = 2 if len(made) == 4 else len(made)
            rows = [np.hstack(made[k : k + columns]) for k in range(0, len(made), columns)]
            path = FOLDER / f"{name}.jpg"
            cv2.imwrite(str(path), np.vstack(rows), [cv2.IMWRITE_JPEG_QUALITY, 72])


if __name__ == "__main__":
    main()
