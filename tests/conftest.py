"""What all tests share: nothing of the person who runs them reaches them, and how time is taken.

Neither configuration nor records of that person. Time is the processor's: what else the machine does must not fail a
test of speed.
"""

import time
from collections.abc import Callable
from pathlib import Path

import pytest


@pytest.fixture(scope="session", autouse=True)
def _no_user_folders(tmp_path_factory: pytest.TempPathFactory):
    folder = tmp_path_factory.mktemp("user")
    with pytest.MonkeyPatch.context() as patch:
        for variable, name in (("XDG_CONFIG_HOME", "config"), ("XDG_DATA_HOME", "data")):
            patch.setenv(variable, str(Path(folder) / name))
        for variable in ("TOELINE_CONFIG", "TOELINE_RECORDS"):
            patch.delenv(variable, raising=False)
        yield


@pytest.fixture(scope="session")
def processor_s() -> Callable[[Callable[[], object]], float]:
    """Return what takes the processor time of a piece of work in s: what waits for others does not count."""

    def taken(work: Callable[[], object]) -> float:
        start = time.process_time()
        work()
        return time.process_time() - start

    return taken
