"""The configuration file: defaults for options, which options on the command line override.

Read on every start, so it loads nothing but the TOML reader. Keys are the names of options; a key at the top
serves every command that has the option, a table named after a command serves that command alone.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from core.errors import UnreadableFile, UsageError

MAX_BYTES = 100_000
VARIABLE = "TOELINE_CONFIG"
SHARED = ("units", "operator", "criteria", "rule", "records", "workers")
"""Keys that may stand at the top of the file."""


def location() -> Path:
    """Return where the configuration file lies: TOELINE_CONFIG, else the user's configuration folder."""
    named = os.environ.get(VARIABLE, "")
    if named:
        return Path(named)
    if sys.platform == "win32":
        base = Path(os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        chosen = os.environ.get("XDG_CONFIG_HOME", "")
        base = Path(chosen) if Path(chosen).is_absolute() else Path.home() / ".config"
    return base / "toeline" / "config.toml"


def defaults(command: Any) -> dict[str, Any]:
    """Return the defaults of every command, nested as the commands are; empty without a file.

    Raises
    ------
    UnreadableFile
        When the file cannot be read or is not TOML.
    UsageError
        When a key is no option, or has a value of the wrong kind.
    """
    path = location()
    content = read(path)
    return _for_group(command, content, path) if content else {}


def read(path: Path) -> dict[str, Any]:
    """Return what the configuration file holds; a file that TOELINE_CONFIG names must be there."""
    import tomllib

    try:
        if not path.is_file():
            if os.environ.get(VARIABLE):
                raise UnreadableFile(f"{path}: the configuration file that {VARIABLE} names is not there.")
            return {}
        data = path.read_bytes()
    except OSError as error:
        raise UnreadableFile(f"{path}: the configuration file cannot be read: {error.strerror}.") from None
    if len(data) > MAX_BYTES:
        raise UnreadableFile(
            f"{path}: a configuration file of {len(data)} bytes is too large: keep it below {MAX_BYTES}."
        )
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise UnreadableFile(f"{path}: the configuration file is not TOML: {error}.") from None


def _for_group(command: Any, content: Mapping[str, Any], path: Path) -> dict[str, Any]:
    shared = {key: value for key, value in content.items() if not isinstance(value, dict)}
    for key in shared:
        if key not in SHARED:
            raise UsageError(f"{path}: {key!r} is not known at the top of the configuration, use {', '.join(SHARED)}.")
    own = {key: value for key, value in content.items() if isinstance(value, dict)}
    for key in own:
        if key not in command.commands:
            raise UsageError(f"{path}: [{key}] is no command, use {', '.join(command.commands)}.")
    return {
        name: {**_shared(child, shared, path), **_own(child, own.get(name, {}), f"{path}: [{name}]")}
        for name, child in command.commands.items()
    }


def _shared(command: Any, shared: Mapping[str, Any], path: Path) -> dict[str, Any]:
    if getattr(command, "commands", None):
        return {name: _shared(child, shared, path) for name, child in command.commands.items()}
    options = _options(command)
    return {
        options[key].name: _value(options[key], value, f"{path}: {key}")
        for key, value in shared.items()
        if key in options
    }


def _own(command: Any, content: Mapping[str, Any], where: str) -> dict[str, Any]:
    children = getattr(command, "commands", None) or {}
    options = _options(command)
    chosen: dict[str, Any] = {}
    for key, value in content.items():
        if key in children and isinstance(value, dict):
            chosen[key] = _own(children[key], value, f"{where} {key}")
        elif key in options:
            chosen[options[key].name] = _value(options[key], value, f"{where}: {key}")
        else:
            raise UsageError(f"{where}: {key!r} is no option of this command, use {', '.join((*options, *children))}.")
    return chosen


def _options(command: Any) -> dict[str, Any]:
    """Return the options of a command by their long name without dashes."""
    return {
        name.removeprefix("--"): parameter
        for parameter in command.params
        for name in parameter.opts
        if name.startswith("--") and name not in ("--help", "--version")
    }


def _value(option: Any, value: Any, where: str) -> Any:
    """Return a value as the command line would give it."""
    values = value if isinstance(value, list) else [value]
    if isinstance(value, list) and not option.multiple:
        raise UsageError(f"{where} takes one value, not a list.")
    for item in values:
        if isinstance(item, bool) != bool(option.is_flag) or not isinstance(item, str | int | float | bool):
            kind = "true or false" if option.is_flag else "text or a number"
            raise UsageError(f"{where} takes {kind}, got {item!r}.")
    if option.multiple:
        return [str(item) for item in values]
    return value if option.is_flag else str(value)
