"""The picture for the page: decoded as for measuring, sent as JPEG at full size and as a small one."""

from __future__ import annotations

import hashlib
import threading
from pathlib import Path

import cv2

from core.errors import UnreadableFile
from vision.picture import read_bytes, read_colour

SMALL_PX = 2000
"""Long side of the small picture: quick to show whole, never blurred on a screen."""
QUALITY = 95
KEPT = 2


class Pictures:
    """Encoded pictures by hash and size; the last ones are kept, so that going back is quick."""

    def __init__(self) -> None:
        self._encoded: dict[str, dict[str, bytes]] = {}
        self._lock = threading.Lock()

    def get(self, path: Path, sha256: str, size: str) -> bytes:
        """Return a picture as JPEG, size "full" or "small".

        Raises
        ------
        UnreadableFile
            When it is no longer the picture that was measured.
        """
        with self._lock:
            encoded = self._encoded.pop(sha256, None) or _encode(path, sha256)
            self._encoded[sha256] = encoded
            while len(self._encoded) > KEPT:
                self._encoded.pop(next(iter(self._encoded)))
        return encoded[size]


def _encode(path: Path, sha256: str) -> dict[str, bytes]:
    if hashlib.sha256(read_bytes(path)).hexdigest() != sha256:
        raise UnreadableFile(f"{path.name}: this is no longer the picture that was measured: put the original back.")
    colour = cv2.cvtColor(read_colour(path), cv2.COLOR_RGB2BGR)
    height, width = colour.shape[:2]
    share = min(1.0, SMALL_PX / max(height, width))
    size = (max(1, round(width * share)), max(1, round(height * share)))
    small = colour if share == 1.0 else cv2.resize(colour, size, interpolation=cv2.INTER_AREA)
    settings = [
        cv2.IMWRITE_JPEG_QUALITY,
        QUALITY,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
    ]
    encoded = {}
    for name, pixels in (("full", colour), ("small", small)):
        done, data = cv2.imencode(".jpg", pixels, settings)
        if not done:
            raise UnreadableFile(f"{path.name}: the picture cannot be shown.")
        encoded[name] = data.tobytes()
    return encoded
