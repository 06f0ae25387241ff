"""How far a long piece of work has come: a bar with a time estimate on a terminal, nothing anywhere else."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TypeVar

Item = TypeVar("Item")


class Bar:
    """A bar on the standard error; what is printed to the standard output goes between."""

    def __init__(self, total: int | None, what: str) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        console = Console(stderr=True)
        self._progress = Progress(
            *columns, console=console, transient=True, redirect_stdout=False, redirect_stderr=False
        )
        self._task = self._progress.add_task(what, total=total)
        self._progress.start()

    def step(self) -> None:
        self._progress.advance(self._task)

    @contextmanager
    def out_of_the_way(self) -> Iterator[None]:
        """Take the bar off the terminal while something is printed."""
        self._progress.stop()
        try:
            yield
        finally:
            self._progress.start()

    def close(self) -> None:
        self._progress.stop()


def shown(total: int | None, what: str) -> Bar | None:
    """Return a bar where a person watches and there is more than one thing to wait for."""
    return Bar(total, what) if sys.stderr.isatty() and (total is None or total > 1) else None


@contextmanager
def printing(bar: Bar | None) -> Iterator[None]:
    """Print without a bar in between."""
    if bar is None:
        yield
        return
    with bar.out_of_the_way():
        yield


def stepping(items: Iterable[Item], bar: Bar | None) -> Iterator[Item]:
    """Yield the items and move the bar on after each; the bar goes when they end or are left."""
    try:
        for item in items:
            yield item
            if bar is not None:
                bar.step()
    finally:
        if bar is not None:
            bar.close()


def counted(count: int, one: str, many: str) -> str:
    """Return a number with its word."""
    return f"{count} {one if count == 1 else many}"
