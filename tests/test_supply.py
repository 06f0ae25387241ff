"""What the program stands on: locks that cover everything declared, hashes, and licences that are open."""

import re
import runpy
import tomllib
from importlib.metadata import PackageNotFoundError, metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
LICENCES = runpy.run_path(str(ROOT / "docs" / "make_licences.py"))
RUNTIME, DEV = ROOT / "requirements.lock", ROOT / "requirements-dev.lock"
EXTRAS = PROJECT["optional-dependencies"]
LOCKED = LICENCES["locked"](RUNTIME)


@pytest.mark.parametrize(
    ("lock", "declared"),
    [(RUNTIME, PROJECT["dependencies"]), (DEV, [*PROJECT["dependencies"], *EXTRAS["dev"], *EXTRAS["shop"]])],
    ids=["runtime", "dev"],
)
def test_the_lock_holds_everything_that_is_declared(lock: Path, declared: list[str]) -> None:
    versions = {canonicalize_name(name): version for name, version in LICENCES["locked"](lock).items()}
    missing = [
        text
        for text in declared
        for wanted in [Requirement(text)]
        if canonicalize_name(wanted.name) not in versions
        or not wanted.specifier.contains(versions[canonicalize_name(wanted.name)])
    ]
    assert not missing, f"{lock.name} does not serve {missing}: run .ci/lock"


@pytest.mark.parametrize("lock", [RUNTIME, DEV], ids=["runtime", "dev"])
def test_every_locked_package_has_hashes_and_no_place_it_comes_from(lock: Path) -> None:
    text = lock.read_text(encoding="utf-8")
    packages = [part for part in re.split(r"\n(?=[A-Za-z0-9])", text) if not part.startswith("#")]
    assert len(packages) > 40
    for package in packages:
        assert re.match(r"[A-Za-z0-9._-]+==\S+ \\\n", package), package[:80]
        assert re.search(r"--hash=sha256:[0-9a-f]{64}", package), package[:80]
    assert not re.search(r"://|--(extra-)?index-url|--find-links|@ file", text)


def test_the_development_lock_agrees_with_the_runtime_lock() -> None:
    development = LICENCES["locked"](DEV)
    assert {name: development.get(name) for name in LOCKED} == LOCKED


def test_every_runtime_package_has_an_open_licence() -> None:
    table = dict(re.findall(r"^\| (\S+) \| \S+ \| (.+) \|$", (ROOT / "docs" / "licences.md").read_text(), re.MULTILINE))
    del table["package"], table["---"]
    assert set(table) == set(LOCKED)
    shut = {name: licence for name, licence in table.items() if not LICENCES["is_open"](licence)}
    assert not shut


def test_the_list_says_what_the_installed_packages_say() -> None:
    text = (ROOT / "docs" / "licences.md").read_text(encoding="utf-8")
    seen = 0
    for name, version in LOCKED.items():
        try:
            installed = metadata(name)["Version"]
        except PackageNotFoundError:
            continue
        if installed == version:
            seen += 1
            assert f"| {name} | {version} | {LICENCES['licence'](name)} |" in text
    assert seen, "none of the locked versions is installed"


@pytest.mark.parametrize(
    ("expression", "is_open"),
    [
        ("MIT", True),
        ("Apache-2.0 OR Proprietary", True),
        ("MIT AND Proprietary", False),
        ("(MIT OR GPL-3.0-only) AND BSD-3-Clause", True),
        ("Apache-2.0 WITH LLVM-exception", True),
        ("", False),
        ("UNKNOWN", False),
    ],
)
def test_a_licence_that_nobody_knows_is_not_open(expression: str, is_open: bool) -> None:
    assert LICENCES["is_open"](expression) is is_open
