"""How large is a JPEG picture? Read from its header (ITU-T T.81, table B.1 and B.2.2)."""

from __future__ import annotations

_FRAME_HEADERS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}


def jpeg_size(content: bytes) -> tuple[int, int]:
    """Return width and height in px; (1, 1) when the header cannot be read."""
    place = 2
    while place + 9 < len(content) and content[place] == 0xFF:
        marker = content[place + 1]
        if marker in _FRAME_HEADERS:
            height = int.from_bytes(content[place + 5 : place + 7], "big")
            width = int.from_bytes(content[place + 7 : place + 9], "big")
            return max(width, 1), max(height, 1)
        place += 2 + int.from_bytes(content[place + 2 : place + 4], "big")
    return 1, 1
