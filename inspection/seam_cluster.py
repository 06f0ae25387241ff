"""Sections measured on a Dask cluster: its executor where the processes of this machine would stand.

The scheduler gives the work of a worker that is lost to the others. Only this module knows of Dask.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from functools import partial
from importlib.metadata import PackageNotFoundError, version
from typing import Any, cast

from core.errors import UnreadableFile, UsageError

SECONDS = 10


@contextmanager
def cluster(address: str) -> Iterator[tuple[int, Callable[[int], Executor]]]:
    """Hold a cluster; gives the number of its threads, and what makes an executor on it.

    Parameters
    ----------
    address
        Of the scheduler: ``tcp://host:8786``.

    Raises
    ------
    UsageError
        When the extra is not installed, nobody answers, or the workers cannot run this program.
    """
    try:
        import distributed
    except ImportError:
        raise UsageError("--cluster needs Dask: install it with pip install 'toeline[cluster]'.") from None
    for name in [known for known in logging.root.manager.loggerDict if known.split(".")[0] == "distributed"]:
        logging.getLogger(name).setLevel(logging.CRITICAL)  # each of its loggers has a level of its own
    try:
        client = cast(Any, distributed).Client(address, timeout=SECONDS, set_as_default=False)
    except (OSError, ValueError, TimeoutError):
        raise UsageError(
            f"--cluster {address}: no scheduler answers there: give its address as in tcp://host:8786."
        ) from None
    try:
        threads = sum(client.nthreads().values())
        _greet(client, address)
        yield threads, lambda _: _OnCluster(client)
    finally:
        client.close()


def _greet(client: Any, address: str) -> None:
    """Make sure that the workers there are run this version, and that each works with one thread a section."""
    try:
        versions = set(client.run(_ready).values())
    except ImportError as error:
        raise UsageError(
            f"--cluster {address}: a worker lacks {error.name or 'a package'}: install the same Toeline there."
        ) from None
    if not versions:
        raise UsageError(f"--cluster {address}: the scheduler has no workers: start some.")
    if versions != {_version()}:
        raise UsageError(
            f"--cluster {address}: the workers run another version of Toeline: install {_version()} there."
        )


def _ready() -> str:
    """Return the version that a worker runs; done on the worker."""
    import cv2

    import inspection.seam  # noqa: F401

    cv2.setNumThreads(1)
    return _version()


def _version() -> str:
    try:
        return version("toeline")
    except PackageNotFoundError:
        return "unknown"


class _OnCluster(Executor):
    """The cluster's executor, with its ways to fail told as those of a local one."""

    def __init__(self, client: Any) -> None:
        self._inner = client.get_executor(pure=False)

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        outer: Future[Any] = Future()
        self._inner.submit(fn, *args, **kwargs).add_done_callback(partial(_pass_on, outer, str(args[0])))
        return outer

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        self._inner.shutdown(wait=wait and not cancel_futures)


def _pass_on(outer: Future[Any], name: str, inner: Future[Any]) -> None:
    from distributed import KilledWorker

    if inner.cancelled():
        if not outer.done():
            outer.set_exception(UnreadableFile("the cluster was lost: what was measured so far is kept."))
        return
    error = inner.exception()
    if isinstance(error, KilledWorker):
        outer.set_result(UnreadableFile(f"{name}: several workers of the cluster died over it: measure it alone."))
    elif error is not None:
        outer.set_exception(error)
    else:
        outer.set_result(inner.result())
