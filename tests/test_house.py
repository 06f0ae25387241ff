"""The house itself: what is installed, what is promised in README, what is declared, what is loaded at the start."""

import ast
import importlib
import json
import re
import subprocess
import sys
import tomllib
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import pytest
import typer

from cli.main import app, run

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("core", "calibration", "vision", "measurement", "criteria", "inspection", "records", "desk", "cli")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
IMPORT_NAMES = {"opencv-python-headless": "cv2", "pillow": "PIL", "pillow-heif": "pillow_heif", "fpdf2": "fpdf"}
README = (ROOT / "README.md").read_text(encoding="utf-8")
GROUPS = ("calibrate", "records")
MODULES = sorted(
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for room in ROOMS
    for path in (ROOT / room).rglob("*.py")
)


def commands() -> dict[str, tuple[str, ...]]:
    """Return every command by its words, with the options it takes."""
    found = {}

    def walk(command, words):
        for name, child in getattr(command, "commands", {}).items():
            walk(child, (*words, name))
        options = tuple(
            option for parameter in command.params for option in (*parameter.opts, *parameter.secondary_opts)
        )
        found[" ".join(words)] = options

    walk(typer.main.get_command(app), ())
    return found


def documented() -> list[str]:
    """Return every command line of README and of the story of the samples."""
    text = README + (ROOT / "sample_images" / "README.md").read_text(encoding="utf-8")
    blocks = [line for block in re.findall(r"```\n(.*?)```", text, re.DOTALL) for line in block.splitlines()]
    inline = re.findall(r"`(toeline [^`]*)`", text.replace("\n  ", " "))
    return [line for line in (*blocks, *inline) if line.startswith("toeline ")]


def declared(requirements: list[str]) -> set[str]:
    """Return the names under which the required distributions are imported."""
    names = [re.match(r"[A-Za-z0-9._-]+", requirement).group().lower() for requirement in requirements]
    return {IMPORT_NAMES.get(name, name) for name in names}


def test_console_script_and_rooms_belong_to_us() -> None:
    """Short module names are at risk of being another distribution's: what runs must be ours."""
    try:
        ours = distribution("toeline")
    except PackageNotFoundError:
        pytest.skip("the package is not installed")
    scripts = {entry.name: entry.value for entry in ours.entry_points if entry.group == "console_scripts"}
    assert scripts == PROJECT["project"]["scripts"]
    assert ours.version == PROJECT["project"]["version"]
    for room in ROOMS:
        assert Path(importlib.import_module(room).__file__).parent == ROOT / room
    direct = json.loads(ours.read_text("direct_url.json") or "{}")
    if direct.get("dir_info", {}).get("editable"):
        assert direct["url"] == ROOT.as_uri()


def test_every_command_has_help_and_every_option_is_explained() -> None:
    def walk(command, words):
        assert command.help, words
        for parameter in command.params:
            assert getattr(parameter, "help", None), (words, parameter.name)
        for name, child in getattr(command, "commands", {}).items():
            walk(child, f"{words} {name}")

    walk(typer.main.get_command(app), "toeline")


@pytest.mark.parametrize("words", [words for words in commands() if words])
def test_help_of_every_command(words: str, capsys: pytest.CaptureFixture) -> None:
    assert run([*words.split(), "--help"]) == 0
    assert f"Usage: toeline {words}" in capsys.readouterr().out


@pytest.mark.parametrize("line", documented())
def test_documented_command_lines_exist(line: str) -> None:
    known = commands()
    words = line.split()
    name = " ".join(words[1:3]) if words[1] in GROUPS else words[1]
    assert name in known
    for option in re.findall(r"(?<=\s)--[a-z-]+", line):
        assert option in (*known[name], "--help"), option


def test_every_command_is_in_readme() -> None:
    lines = " ".join(documented())
    for words in commands():
        if words and words not in GROUPS:
            assert f"toeline {words}" in lines + README


def test_files_that_documents_point_to_exist() -> None:
    """Anchors within pages are looked up in tests/test_docs.py."""
    pages = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *ROOT.glob("*/README.md"), *(ROOT / "docs").glob("*.md")]
    assert len(pages) > 10
    for page in pages:
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), (page, target)


def test_flags_and_errors_are_documented() -> None:
    from core import errors

    page = (ROOT / "docs" / "how-it-measures.md").read_text(encoding="utf-8")
    sources = "".join(
        path.read_text(encoding="utf-8") for room in ("vision", "inspection") for path in (ROOT / room).glob("*.py")
    )
    codes = set(re.findall(r"Flag\(\s*\"([a-z_]+)\"", sources))
    assert len(codes) >= 5
    for code in codes:
        assert f"`{code}`" in page, code
    table = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for error in vars(errors).values():
        if isinstance(error, type) and issubclass(error, errors.ToelineError) and error is not errors.ToelineError:
            assert re.search(rf"\| `{error.__name__}` \|.*\| {error.exit_status} \|", table), error


@pytest.mark.parametrize("module", MODULES)
def test_modules_are_importable_and_say_what_they_are(module: str) -> None:
    assert importlib.import_module(module).__doc__


def test_dependencies_are_those_imported() -> None:
    imported = set()
    for room in ROOMS:
        for path in (ROOT / room).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Import):
                    imported |= {alias.name.split(".")[0] for alias in node.names}
                elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
                    imported.add(node.module.split(".")[0])
    needed = declared(PROJECT["project"]["dependencies"])
    extras = PROJECT["project"]["optional-dependencies"]
    optional = set().union(*(declared(names) for extra, names in extras.items() if extra != "dev"))
    assert imported - set(sys.stdlib_module_names) - set(ROOMS) - (optional - needed) == needed
    assert declared(extras["cluster"]) <= imported


def test_dependencies_have_a_lower_and_an_upper_bound() -> None:
    extras = PROJECT["project"]["optional-dependencies"].values()
    for requirement in [*PROJECT["project"]["dependencies"], *(name for extra in extras for name in extra)]:
        assert re.fullmatch(r"[A-Za-z0-9._-]+>=[0-9.]+,<[0-9.]+", requirement), requirement


def test_every_package_of_the_rooms_is_shipped_and_nothing_else() -> None:
    from setuptools import find_packages

    settings = PROJECT["tool"]["setuptools"]["packages"]["find"]
    shipped = set(find_packages(str(ROOT), include=settings["include"]))
    folders = {path.parent.relative_to(ROOT) for room in ROOMS for path in (ROOT / room).rglob("*.py")}
    assert shipped == {".".join(folder.parts) for folder in folders}


@pytest.mark.parametrize(
    "arguments", [["--help"], ["--version"], ["measure", "--help"], ["calibrate", "board", "--help"]]
)
def test_start_loads_nothing_heavy(arguments: list[str]) -> None:
    """pydantic is left out: the command line library itself loads it where it is installed."""
    code = (
        f"import sys; from cli.main import run; status = run({arguments!r});"
        "heavy = {'cv2', 'numpy', 'pint', 'PIL', 'tifffile', 'fpdf', 'scipy', 'matplotlib'};"
        "print('loaded:', *sorted(heavy & set(sys.modules)));"
        "sys.exit(status)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    if arguments == ["--version"] and "PackageNotFoundError" in done.stderr:
        pytest.skip("the package is not installed")
    assert (done.returncode, done.stdout.splitlines()[-1]) == (0, "loaded:")
