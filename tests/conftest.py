"""Nothing of the person who runs the tests reaches them: neither configuration nor records."""

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
