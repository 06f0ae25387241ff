"""Many files in one call: what a folder holds, and work spread over processes with its results in order."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from contextlib import suppress
from pathlib import Path
from typing import Generic, TypeVar

from core.errors import UnreadableFile
from inspection.workers import process_pool
from vision.frames import natural_key

Item = TypeVar("Item")
Result = TypeVar("Result")

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".bmp", ".heic", ".heif", ".csv", ".npy", ".x3p")
"""What `files_in` takes for a picture or a profile."""

OWN = ("-overlay.png", "-overlay.svg")
"""Endings of files that the program writes itself."""

AHEAD = 4
"""Pieces of work handed out for each worker before the first result is fetched: memory stays flat."""


def files_in(paths: Sequence[Path]) -> list[Path]:
    """Return the files, with every folder replaced by the pictures and profiles in it, in the order of their names.

    Numbers in names count as numbers: 9 comes before 10. Hidden files and overlays of the program are left out.

    Raises
    ------
    UnreadableFile
        When a folder cannot be listed, or holds no picture and no profile.
    """
    found: list[Path] = []
    for path in paths:
        if not path.is_dir():
            found.append(path)
            continue
        try:
            inside = [entry for entry in path.iterdir() if is_wanted(entry)]
        except OSError as error:
            raise UnreadableFile(f"{path}: the folder cannot be listed: {error.strerror}.") from None
        if not inside:
            raise UnreadableFile(f"{path}: the folder holds no picture and no profile: name another.")
        found += sorted(inside, key=lambda entry: natural_key(entry.name))
    return found


def is_wanted(path: Path) -> bool:
    """Tell whether a file of a folder is one to measure."""
    name = path.name.lower()
    return not name.startswith(".") and name.endswith(SUFFIXES) and not name.endswith(OWN) and path.is_file()


def in_order(
    work: Callable[[Item], Result],
    items: Iterable[Item],
    workers: int,
    *,
    pool: Callable[[int], Executor] | None = None,
) -> Iterator[Result | UnreadableFile]:
    """Yield the result of each item in the order of the items; with several workers they are made at the same time.

    Items are fetched as they are needed and results given out as they come, so that memory does not grow with their
    number. A worker process that dies (no memory left, killed) gives an `UnreadableFile` in the place of its result,
    and the others go on.

    Parameters
    ----------
    work
        A function of a module, or a partial of one, so that it can be sent to another process.
    pool
        Makes the executor for a number of workers: processes of this machine when left out.
    """
    if workers == 1 and pool is None:
        yield from map(work, items)
        return
    crew = _Crew(work, workers, pool or process_pool)
    try:
        for item in items:
            crew.give(item)
            if len(crew.waiting) >= AHEAD * workers:
                yield crew.take()
        while crew.waiting:
            yield crew.take()
    finally:
        crew.executor.shutdown(wait=False, cancel_futures=True)


class _Crew(Generic[Item, Result]):
    """An executor and what it is working on, in order; made anew when a worker has died."""

    def __init__(self, work: Callable[[Item], Result], workers: int, pool: Callable[[int], Executor]) -> None:
        self.work, self.workers, self.pool = work, workers, pool
        self.executor = pool(workers)
        self.waiting: deque[tuple[Item, Future[Result] | None]] = deque()

    def give(self, item: Item) -> None:
        future = None
        with suppress(BrokenExecutor):  # broken by an earlier item: told when its turn comes
            future = self.executor.submit(self.work, item)
        self.waiting.append((item, future))

    def take(self) -> Result | UnreadableFile:
        item, future = self.waiting.popleft()
        try:
            if future is not None:
                return future.result()
        except BrokenExecutor:
            pass
        # Which of the items under way broke it is not told: the first of them is tried alone.
        left = [waiting for waiting, _ in self.waiting]
        self.executor.shutdown(wait=False, cancel_futures=True)
        result = self._alone(item)
        self.executor = self.pool(self.workers)
        self.waiting.clear()
        for other in left:
            self.give(other)
        return result

    def _alone(self, item: Item) -> Result | UnreadableFile:
        with self.pool(1) as single:
            try:
                return single.submit(self.work, item).result()
            except BrokenExecutor:
                text = f"{item}: the worker process died over it, perhaps for want of memory: measure it alone."
                return UnreadableFile(text)
