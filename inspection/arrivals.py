"""Files that arrive in a folder: told when they are whole, each once."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from core.errors import UnreadableFile
from inspection.batch import is_wanted
from vision.frames import natural_key

SETTLE_S = 1.0
"""A file whose size and time have not changed for this long is taken to be whole."""

Stamp = tuple[int, int]


@dataclass
class Arrivals:
    """What has been seen in a folder.

    Attributes
    ----------
    folder
        Where files arrive.
    settle_s
        How long a file must lie unchanged.
    """

    folder: Path
    settle_s: float = SETTLE_S
    clock: Callable[[], float] = time.monotonic
    _seen: dict[Path, tuple[Stamp, float]] = field(default_factory=dict)
    _told: dict[Path, Stamp] = field(default_factory=dict)

    def whole(self, *, empty: bool = False) -> list[Path]:
        """Return the files that have become whole since the last look, in the order of their names.

        A file that changes after it was told is told again: a camera may write a preview first. An empty one is waited
        for, its content may come, unless ``empty`` says that nobody waits.

        Raises
        ------
        UnreadableFile
            When the folder cannot be listed.
        """
        now = self.clock()
        ready = []
        try:
            entries = [entry for entry in self.folder.iterdir() if is_wanted(entry)]
        except OSError as error:
            raise UnreadableFile(f"{self.folder}: the folder cannot be listed: {error.strerror}.") from None
        for path in entries:
            try:
                status = path.stat()
            except OSError:  # gone again between two looks
                continue
            stamp = (status.st_size, status.st_mtime_ns)
            if self._told.get(path) == stamp:
                continue
            before = self._seen.get(path)
            if before is None or before[0] != stamp:
                self._seen[path] = (stamp, now)
            elif (stamp[0] > 0 or empty) and now - before[1] >= self.settle_s:
                ready.append(path)
                self._told[path] = stamp
                del self._seen[path]
        gone = self._seen.keys() - set(entries)
        for path in gone:
            del self._seen[path]
        return sorted(ready, key=lambda path: natural_key(path.name))

    @property
    def waiting(self) -> int:
        """Number of files that have been seen but not yet lain still."""
        return len(self._seen)


def watched(arrivals: Arrivals, *, every_s: float = 0.5, once: bool = False) -> Iterator[Path]:
    """Yield files as they become whole; with ``once``, stop when all that is there has been told."""
    while True:
        ready = arrivals.whole(empty=once)
        yield from ready
        if once and not ready and not arrivals.waiting:
            return
        time.sleep(every_s)
