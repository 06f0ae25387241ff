"""Write docs/commands.md from the program itself: ``python docs/make_commands.py``."""

from __future__ import annotations

import inspect
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
if str(HERE.parent) not in sys.path:
    sys.path.insert(0, str(HERE.parent))

import typer  # noqa: E402

from cli.main import app  # noqa: E402
from core import errors  # noqa: E402

HEAD = """# Commands

Written from the program by `python docs/make_commands.py`; a test compares the two. The same text, for the width of a
terminal, comes from `toeline COMMAND --help`. A length carries its unit on the command line (`"3 mm"`, `"3/8 in"`).
An option that stands with `...` may be repeated. Options that a configuration file may set have the same names there
([Defaults](../README.md#defaults)).
"""

FILES = """\
## Files

| file | what it is |
| --- | --- |
| `*.cal.json` | a calibration, readable JSON; `calibrate check` adds a dated line |
| result file (`--json`, `--output`) | JSON, in mm and degrees ([README](../README.md#files-and-exit-status)) |
| overlay (`--overlay`, `--output`) | the picture with what was found, `.png` or `.svg` |
| points of a laser line (`--points`) | `.csv`: each point in mm with its standard uncertainty and its pixel |
| marks (`--marks`) | JSON with toes and plate points that a person gives, in pixels ([README](../README.md#measure)) |
| profile | `.csv` with x and z in mm, or with the unit in the name of the column; `.npy`, N x 2 |
| template (`--template`) | TOML with the fields of the trade ([records.md](records.md)) |
| own limits (`--criteria`) | TOML ([limits.md](limits.md#the-drawings-own-limits)) |
| configuration | TOML with defaults of options ([README](../README.md#defaults)) |
| records (`--records`) | one SQLite file, or a PostgreSQL database ([records.md](records.md)) |
"""

VARIABLES = {
    "TOELINE_CONFIG": "the configuration file, in place of `toeline/config.toml` in the user's configuration folder",
    "TOELINE_RECORDS": "the store of records, in place of `records.db` in the user's data folder",
    "XDG_CONFIG_HOME": "the user's configuration folder, `~/.config` when it is not set",
    "XDG_DATA_HOME": "the user's data folder, `~/.local/share` when it is not set",
    "NO_COLOR": "when set, no colours on the terminal",
}
"""What the environment may hold. The test looks for each name in the sources of the program or its terminal library."""

KINDS = {int: "WHOLE NUMBER", float: "NUMBER", Path: "PATH"}
"""What stands for the value of an option that has no name for it."""


def page() -> str:
    """Return docs/commands.md as the program of this checkout gives it."""
    parts = [HEAD, _contents()]
    for words, command in leaves():
        parts.append(_section(words, command))
    parts += [_statuses(), "", FILES, _variables()]
    return "\n".join(parts)


def leaves() -> Iterator[tuple[str, Any]]:
    """Yield the words and the command object of each command that does something, in the order of the program."""

    def walk(command: Any, words: tuple[str, ...]) -> Iterator[tuple[str, Any]]:
        children = getattr(command, "commands", {})
        if not children:
            yield " ".join(words), command
        for name, child in children.items():
            yield from walk(child, (*words, name))

    yield from walk(typer.main.get_command(app), ())


def _contents() -> str:
    rows = ["| command | what it does |", "| --- | --- |"]
    for words, command in leaves():
        first = inspect.cleandoc(command.help or "").split("\n\n")[0].replace("\n", " ")
        rows.append(f"| [`toeline {words}`](#toeline-{words.replace(' ', '-')}) | {_cell(first)} |")
    return "\n".join(rows) + "\n"


def _section(words: str, command: Any) -> str:
    lines = [f"## toeline {words}", ""]
    shown = [parameter for parameter in command.params if not getattr(parameter, "hidden", False)]
    arguments = [parameter for parameter in shown if parameter.param_type_name == "argument"]
    options = [parameter for parameter in shown if parameter.param_type_name == "option" and parameter.name != "help"]
    usage = " ".join(
        [f"toeline {words}", *(_argument(argument) for argument in arguments), *(["[OPTIONS]"] if options else [])]
    )
    lines += ["```text", usage, "```", "", inspect.cleandoc(command.help or ""), ""]
    rows = [(f"`{_cell(_argument(argument))}`", argument) for argument in arguments]
    rows += [(_option(option), option) for option in options]
    if rows:
        lines += ["| argument, option | meaning |", "| --- | --- |"]
        lines += [f"| {name} | {_cell(_explained(parameter))} |" for name, parameter in rows]
        lines.append("")
    if command.epilog:
        lines += [inspect.cleandoc(command.epilog), ""]
    return "\n".join(lines)


def _argument(argument: Any) -> str:
    name = (argument.metavar or argument.name.upper()).strip("[]")
    name += "..." if argument.nargs == -1 and not name.endswith("...") else ""
    return name if argument.required else f"[{name}]"


def _option(option: Any) -> str:
    names = ", ".join(f"`{name}`" for name in (*option.opts, *option.secondary_opts))
    if option.is_flag:
        return names
    kind = option.type_descriptor.annotation
    value = option.metavar or KINDS.get(kind, "TEXT")
    return f"{names} {_cell(value)}" + (" ..." if option.multiple else "")


def _explained(parameter: Any) -> str:
    text = inspect.cleandoc(parameter.help or "").replace("\n", " ")
    shown = getattr(parameter, "show_default", True)
    default = parameter.default
    if parameter.required and parameter.param_type_name == "option":
        return f"{text} Required."
    if (
        default in (None, (), [], "", False)
        or callable(default)
        or shown is False
        or getattr(parameter, "is_flag", False)
    ):
        return text
    return f"{text} Default: `{default}`."


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def _statuses() -> str:
    statuses: dict[int, list[str]] = {}
    for error in vars(errors).values():
        if isinstance(error, type) and issubclass(error, errors.ToelineError) and error is not errors.ToelineError:
            meaning = inspect.cleandoc(error.__doc__ or "").split("\n\n")[0].replace("\n", " ").rstrip(".")
            statuses.setdefault(error.exit_status, []).append(meaning)
    statuses.setdefault(0, []).append("Done")
    statuses.setdefault(5, []).append("A value does not meet a limit (only with `--fail-on-reject`)")
    statuses.setdefault(130, []).append("Interrupted")
    rows = [f"| {status} | {_cell('; '.join(statuses[status]))} |" for status in sorted(statuses)]
    head = "One line on the standard error says what is wrong and what to do. Of several files the worst status counts."
    return "\n".join(["## Exit status", "", head, "", "| status | meaning |", "| --- | --- |", *rows])


def _variables() -> str:
    rows = [f"| `{name}` | {meaning} |" for name, meaning in VARIABLES.items()]
    return "\n".join(["## Environment", "", "| variable | meaning |", "| --- | --- |", *rows]) + "\n"


if __name__ == "__main__":
    (HERE / "commands.md").write_text(page(), encoding="utf-8")
