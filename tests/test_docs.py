"""The pages under docs: what they show is what the program does, what they point to is there."""

import importlib.util
import json
import re
import shlex
import shutil
import sys
from pathlib import Path
from types import ModuleType

import cv2
import pytest
import typer

from cli.main import app, run
from measurement.names import inside_names_for, names_for

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "docs"
PAGES = sorted(DOCS.glob("*.md"))
LINKED = [*PAGES, ROOT / "README.md", ROOT / "DEVELOPERS.md", *ROOT.glob("*/README.md")]
SMALL_BYTES, ALL_BYTES = 300_000, 6_000_000
NUMBER = re.compile(r"\d+(?:\.\d+)?(?:e[-+]\d+)?")


def script(name: str) -> ModuleType:
    """Return a script beside the pages as a module."""
    spec = importlib.util.spec_from_file_location(f"docs_{name}", DOCS / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def anchors(page: Path) -> set[str]:
    """Return the anchors of a page's headings, as the usual viewers of Markdown make them."""
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    titles = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", title.lower()).strip().replace(" ", "-") for title in titles}


def consoles(page: Path) -> list[tuple[str, list[str]]]:
    """Return the command lines of a page that show what they print, with that, in order."""
    steps: list[tuple[str, list[str]]] = []
    for block in re.findall(r"```console\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL):
        for line in block.splitlines():
            if line.startswith("$ "):
                steps.append((line[2:], []))
            else:
                steps[-1][1].append(line)
    return steps


def same(shown: str, printed: str) -> bool:
    """Whether two lines say the same: words alike, numbers within a fiftieth; ``...`` at the end leaves the rest."""
    shown, printed = " ".join(shown.split()), " ".join(printed.split())
    if shown.endswith("..."):
        shown = shown[:-3].rstrip()
        wanted = NUMBER.split(shown)
        if not NUMBER.sub("#", printed).startswith(NUMBER.sub("#", shown)):
            return False
        found = NUMBER.findall(printed)[: len(wanted) - 1]
    else:
        if NUMBER.sub("#", shown) != NUMBER.sub("#", printed):
            return False
        found = NUMBER.findall(printed)
    pairs = zip(NUMBER.findall(shown), found, strict=True)
    return all(abs(float(a) - float(b)) <= max(0.02, 0.02 * abs(float(a))) for a, b in pairs)


@pytest.mark.parametrize("page", [page for page in PAGES if consoles(page)], ids=lambda page: page.stem)
def test_what_consoles_show_is_what_the_program_prints(
    page: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    monkeypatch.chdir(tmp_path)
    for name, value in (("COLUMNS", "100"), ("NO_COLOR", "1"), ("XDG_CONFIG_HOME", str(tmp_path / "none"))):
        monkeypatch.setenv(name, value)
    monkeypatch.delenv("TOELINE_CONFIG", raising=False)
    (tmp_path / "sample_images").mkdir()
    for picture in (ROOT / "sample_images").glob("*.jpg"):
        shutil.copy(picture, tmp_path / "sample_images")
    for block in re.findall(r"```toml\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL):
        (tmp_path / "job.toml").write_text(block, encoding="utf-8")
    for command, shown in consoles(page):
        assert run(shlex.split(command)[1:]) == 0, command
        output = capsys.readouterr()
        printed = [line for line in (output.out + output.err).splitlines() if line.strip()]
        for line in shown:
            if line.strip() in ("", "..."):
                continue
            while printed and not same(line, printed[0]):
                printed.pop(0)
            assert printed, (command, line)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_command_lines_name_commands_and_options_that_exist(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    lines = [line.removeprefix("$ ") for block in re.findall(r"```\w*\n(.*?)```", text, re.DOTALL)
             for line in block.splitlines()]  # fmt: skip
    lines += [" ".join(words.split()) for words in re.findall(r"`(toeline [a-z][^`]*)`", text)]
    for line in (re.split(" {3,}", line)[0] for line in lines):
        words = line.split()
        if words[:1] != ["toeline"] or len(words) < 2 or not re.fullmatch("[a-z]+", words[1]):
            continue
        command = typer.main.get_command(app)
        rest = words[1:]
        while rest and rest[0] in getattr(command, "commands", {}):
            command = command.commands[rest.pop(0)]
        assert rest != words[1:], line
        known = {option for parameter in command.params for option in (*parameter.opts, *parameter.secondary_opts)}
        for option in re.findall(r"(?<=\s)--[a-z-]+", line):
            assert option in known | {"--help"}, (line, option)


def test_command_reference_is_that_of_the_program() -> None:
    written = (DOCS / "commands.md").read_text(encoding="utf-8")
    assert written == script("make_commands").page(), "run: python docs/make_commands.py"


def test_command_reference_names_variables_that_are_read() -> None:
    import rich.console

    sources = "".join(
        path.read_text(encoding="utf-8") for room in ("cli", "records") for path in (ROOT / room).glob("*.py")
    )
    sources += Path(rich.console.__file__).read_text(encoding="utf-8")
    variables = script("make_commands").VARIABLES
    for name in variables:
        assert f'"{name}"' in sources, name
    assert set(re.findall(r'"(TOELINE_[A-Z]+)"', sources)) <= set(variables)


@pytest.mark.parametrize("page", LINKED, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_and_anchors_exist(page: Path) -> None:
    text = re.sub(r"```.*?```|`[^`\n]*`", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if target.startswith(("http://", "https://")):
            continue
        name, _, anchor = target.partition("#")
        file = (page.parent / name) if name else page
        assert file.exists(), target
        if anchor:
            assert anchor in anchors(file), (target, sorted(anchors(file)))


def test_index_lists_every_page() -> None:
    index = (DOCS / "README.md").read_text(encoding="utf-8")
    for page in PAGES:
        assert page.name == "README.md" or f"]({page.name})" in index, f"{page.name}: name it in docs/README.md"
    assert "](docs/README.md)" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_pictures_are_small_used_and_described() -> None:
    shown = {}
    for page in LINKED:
        for words, target in re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", page.read_text(encoding="utf-8")):
            assert len(words) > 20, (page.name, target)
            shown[(page.parent / target).resolve()] = words
    pictures = [path for kind in ("png", "jpg", "svg") for path in DOCS.rglob(f"*.{kind}")]
    assert set(pictures) <= set(shown), set(pictures) - set(shown)
    for path in pictures:
        assert path.stat().st_size < SMALL_BYTES, path
    assert sum(path.stat().st_size for path in DOCS.rglob("*") if path.is_file()) < ALL_BYTES


def test_every_value_is_defined_and_no_other() -> None:
    text = (DOCS / "definitions.md").read_text(encoding="utf-8")
    names = {name.name for joint in ("tee", "lap", "butt", "groove") for name in names_for(joint)}
    names |= {name.name for joint in ("tee", "butt") for name in inside_names_for(joint)}
    cells = re.findall(r"^\| (`.+?) \|", text, re.MULTILINE)
    defined = {name for cell in cells for name in re.findall(r"`(\w+)`", cell)}
    assert defined == names


def test_drawings_are_those_of_their_script(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(DOCS))
    for name, draw in script("make_drawings").DRAWINGS.items():
        assert (DOCS / "pictures" / f"{name}.svg").read_text(encoding="utf-8") == draw().svg(), name


def test_what_the_page_on_photographing_quotes_was_said() -> None:
    text = (DOCS / "photographing.md").read_text(encoding="utf-8")
    said = json.loads((DOCS / "pictures" / "said.json").read_text(encoding="utf-8"))
    everything = json.dumps(said, ensure_ascii=False)
    quotes = re.findall(r"^> (.+)$", text, re.MULTILINE)
    assert len(quotes) >= 5
    for quote in quotes:
        assert quote in everything, quote
    sections = re.split(r"^## ", text, flags=re.MULTILINE)
    told = 0
    for section in sections:
        names = [name for name in said if f"pictures/{name.removesuffix('-corrected')}.jpg" in section]
        values = [value for name in names for value in said[name].get("values", {}).values() if len(value) == 2]
        for value, interval in re.findall(r"(\d+\.\d+) ± (\d+\.\d+)", section):
            rounded = {(f"{a:.{places(value)}f}", f"{u:.{places(interval)}f}") for a, u in values}
            assert (value, interval) in rounded, (section[:30], value, interval)
            told += 1
    assert told >= 15


@pytest.mark.parametrize("name", ["coarse"])
def test_a_bad_picture_is_still_measured_as_the_page_says(name: str, tmp_path: Path) -> None:
    """Drawn again: when the program learns to notice what it did not, the page must say so."""
    pictures = script("make_pictures")
    case = next(case for case in pictures.CASES if case.name == name)
    path = tmp_path / f"{name}.png"
    cv2.imwrite(str(path), case.after(pictures.render(case.scene(pictures.sample_tee())).picture))
    now = pictures.said_of(path, tmp_path, pictures.RULE)
    then = json.loads((DOCS / "pictures" / "said.json").read_text(encoding="utf-8"))[name]
    assert now["flags"] == then["flags"]
    for quantity, was in then["values"].items():
        assert now["values"][quantity] == (was if isinstance(was[0], str) else pytest.approx(was, rel=0.02, abs=0.02))


def test_coverage_is_quoted_from_the_results_of_the_benchmark() -> None:
    text = " ".join((DOCS / "uncertainty.md").read_text(encoding="utf-8").split())
    groups = json.loads((ROOT / "benchmarks" / "results.json").read_text(encoding="utf-8"))["photographs"]
    groups = [group for group in groups if group["joint"] == "all"]
    quoted = re.findall(r"(\d+) values, ([\d.]+) % covered", text)
    for kind in ("normal", "camera", "smooth", "hard"):
        own = [group for group in groups if group["kind"] == kind]
        values = sum(group["values"] for group in own)
        held = sum(group["values"] * group["coverage"] for group in own) / values
        assert quoted.pop(0) == (str(values), f"{100 * held:.1f}")
    pictures, silent = (sum(group[name] for group in groups) for name in ("pictures", "silent_pictures"))
    assert f"Of these {pictures} pictures {silent} held a silently wrong value" in text


def places(number: str) -> int:
    return len(number.partition(".")[2])
