"""The processes that measure beside this one: how many, what they are copied from, how one starts and ends.

Nothing large is imported here: a command asks for the processes first, and they load while it does.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, ProcessPoolExecutor
from multiprocessing import get_context, parent_process
from typing import TypeVar

from core.errors import UsageError

Result = TypeVar("Result")

COPIED = sys.platform == "linux"
"""Workers are copied from a clean process: a copy of this one could hang on a lock that one of its threads held."""

LOADED = ("inspection.picture", "inspection.seam", "inspection.laser_frame", "vision.find",
          "vision.find_profile", "vision.frames",
          "measurement", "numpy.random")  # fmt: skip
"""What measuring imports, the first time it is needed: loaded once, and not in each worker over its first frame."""


def workers_of(wanted: int | None) -> int:
    """Return the number of worker processes; None takes one for each processor that is free to use.

    Raises
    ------
    UsageError
        Below 1, or beyond what any machine has.
    """
    if wanted is None:
        return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    if not 1 <= wanted <= 256:
        raise UsageError(f"--workers takes a number from 1 to 256, got {wanted}.")
    return wanted


def get_ready(*modules: str) -> None:
    """Let the process that workers are copied from load what they need while this one does something else.

    It is started with the first worker otherwise. ``modules`` are loaded besides those of measuring.
    """
    if COPIED:
        from multiprocessing import forkserver

        get_context("forkserver").set_forkserver_preload([*LOADED, *modules])
        forkserver.ensure_running()


def process_pool(workers: int) -> ProcessPoolExecutor:
    """Return an executor of so many processes of this machine."""
    context = get_context("forkserver" if COPIED else "spawn")
    if COPIED:
        context.set_forkserver_preload([*LOADED])  # of no effect where it is loaded already
    return ProcessPoolExecutor(workers, mp_context=context, initializer=_start_worker)


def begun(work: Callable[[], Result]) -> Callable[[], Result]:
    """Begin a piece of work in a process of its own, and return what waits for its result.

    ``work`` is a function of a module, or a partial of one. It is done here when that process dies.
    """
    executor = process_pool(1)
    future = executor.submit(work)

    def result() -> Result:
        try:
            return future.result()
        except BrokenExecutor:
            return work()
        finally:
            executor.shutdown(wait=False)

    return result


def _start_worker() -> None:
    """One thread a process: the files are what is worked on at the same time."""
    import signal
    import threading

    import cv2

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent stops the work
    threading.Thread(target=_end_with_parent, daemon=True).start()
    cv2.setNumThreads(1)


def _end_with_parent() -> None:
    """A worker whose parent was killed would wait for work for ever: the other workers keep its pipe open."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
