"""Where the store is: a file of the user's data folder, a file that is named, or a PostgreSQL server."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from core.errors import UsageError

if TYPE_CHECKING:
    from sqlalchemy import URL

FILE_NAME = "records.db"
VARIABLE = "TOELINE_RECORDS"


@dataclass(frozen=True, slots=True)
class Location:
    """A place for the store: its URL, its file where it is one, and how it is called in messages (no password)."""

    url: URL
    path: Path | None
    shown: str


def default_location() -> Path:
    """Return the file of the store: TOELINE_RECORDS when that names a file, else one in the user's data folder."""
    chosen = os.environ.get(VARIABLE, "")
    if chosen and "://" not in chosen:
        return Path(chosen)
    return _data_folder() / FILE_NAME


def locate(where: str | Path | None) -> Location:
    """Return the place that is meant: a path, a ``postgresql://`` or ``sqlite:///`` URL, None for the default.

    Raises
    ------
    UsageError
        When it is a URL of something else, or no URL at all.
    """
    if where is None:
        chosen = os.environ.get(VARIABLE, "")
        where = chosen if "://" in chosen else default_location()
    if isinstance(where, Path) or "://" not in where:
        return _file(Path(where))
    from sqlalchemy import make_url
    from sqlalchemy.exc import ArgumentError

    try:
        url = make_url(where)
    except (ArgumentError, ValueError):
        raise UsageError("the URL of the store cannot be read: write postgresql://USER@HOST/DATABASE.") from None
    kind = url.drivername.partition("+")[0]
    if kind == "sqlite" and url.database:
        return _file(Path(url.database))
    if kind in ("postgresql", "postgres"):
        return Location(url.set(drivername="postgresql+psycopg"), None, url.render_as_string(hide_password=True))
    raise UsageError(f"a store of kind {url.drivername!r} is not served: name a file or a postgresql:// URL.")


def _file(path: Path) -> Location:
    from sqlalchemy import URL

    if not str(path).strip() or "\0" in str(path):
        raise UsageError("the name of the store is empty: name a file or a postgresql:// URL.")
    try:
        absolute = path.expanduser().absolute()
    except RuntimeError:
        raise UsageError(f"{path}: there is no such home folder: name the file in full.") from None
    return Location(URL.create("sqlite", database=str(absolute)), absolute, str(path))


def _data_folder() -> Path:
    """Return the user's data folder by the rules of the platform (XDG base directories on Linux)."""
    home = Path.home()
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local") / "Toeline"
    if sys.platform == "darwin":
        return home / "Library" / "Application Support" / "Toeline"
    named = os.environ.get("XDG_DATA_HOME", "")
    # Relative paths in this variable are invalid by that specification and are ignored.
    return (Path(named) if Path(named).is_absolute() else home / ".local" / "share") / "toeline"
