"""Sets of limits: one file a standard and edition, checked row by row when it is read."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

from core.errors import UnreadableFile, UsageError
from core.units import UnitSystem
from criteria.limit import Given, Limit

FOLDER = Path(__file__).with_name("data")
MOST_NAMED = 8
MAX_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class LimitSet:
    """The limits of one standard and edition, or of one drawing.

    Attributes
    ----------
    name, title, about
        How it is called on the command line, what it is, and what it is for.
    levels
        Quality levels or kinds, one of which ends the name that a person gives; empty where there is but one.
    notes
        What a reader must know of the whole set.
    systems
        Systems of units in which it is written.
    rows
        (level, system) to limits; "" is the level of a set without levels.
    given
        What a drawing's file says of the joint.
    """

    name: str
    title: str
    about: str
    levels: tuple[str, ...]
    notes: tuple[str, ...]
    systems: tuple[UnitSystem, ...]
    rows: Mapping[tuple[str, UnitSystem], tuple[Limit, ...]]
    given: Given = field(default_factory=Given)

    def full_names(self) -> tuple[str, ...]:
        """Return the names that can be given: one a level."""
        return tuple(f"{self.name}-{level}" for level in self.levels) or (self.name,)

    def limits(self, level: str, system: UnitSystem) -> tuple[Limit, ...]:
        """Return the rows of a level, in the system asked for or in the only one there is."""
        other: UnitSystem = "inch" if system == "metric" else "metric"
        return self.rows[level, system if system in self.systems_of(level) else other]

    def systems_of(self, level: str) -> tuple[UnitSystem, ...]:
        """Return the systems in which a level is written; a file of requirements alone serves either."""
        written = [system for system in self.systems if any(row.system == system for row in self.rows[level, system])]
        return tuple(written) or self.systems


@lru_cache(maxsize=1)
def built_in() -> tuple[LimitSet, ...]:
    """Return the sets that come with the program, by name."""
    return tuple(_read(path, built_in=True) for path in sorted(FOLDER.glob("*.toml")))


def find(name: str) -> tuple[LimitSet, str | None]:
    """Return a set and its level from a name such as ``iso5817-2014-C``, or from a ``.toml`` file.

    The level is None where the name stops before it.

    Raises
    ------
    UsageError
        With the names that come nearest.
    """
    if name.lower().endswith(".toml") or "/" in name or "\\" in name:
        return read_set(name), None
    for limits in built_in():
        if name.lower() == limits.name.lower():
            return limits, None
        for level, full in zip(limits.levels, limits.full_names(), strict=False):
            if name.lower() == full.lower():
                return limits, level
    known = [full for limits in built_in() for full in limits.full_names()]
    near = [full for full in known if _is_short_for(name, full)][:MOST_NAMED] or difflib.get_close_matches(
        name.lower(), known, n=3, cutoff=0.5
    )
    hint = f"did you mean {', '.join(near)}? " if near else ""
    raise UsageError(f'no set of limits is called {name!r}: {hint}"toeline limits" lists them; a file ends in .toml.')


def _is_short_for(name: str, full: str) -> bool:
    """Tell whether a name is a part of another as people write it: ``ISO 5817``, ``D1.1``, ``iso5817-C``."""
    (plain, whole) = ("".join(sign for sign in text.lower() if sign.isalnum()) for text in (name, full))
    return bool(plain) and (plain in whole or set(name.lower().split("-")) <= set(full.lower().split("-")))


def chosen_limits(name: str, system: UnitSystem) -> tuple[LimitSet, tuple[Limit, ...]]:
    """Return a set and its rows; a level must be named where there are several."""
    limits, level = find(name)
    if level is None and limits.levels:
        raise UsageError(f"{name!r} has several levels, name one: {', '.join(limits.full_names())}.")
    return limits, limits.limits(level or "", system)


def read_set(path: str | Path) -> LimitSet:
    """Read a file of limits.

    Raises
    ------
    UnreadableFile
        When it is missing, too large or not TOML, or with the first place that is wrong.
    """
    return _read(Path(path), built_in=False)


def evidence(limits: Iterable[Limit]) -> dict[str, int]:
    """Return how many lines rest on which evidence."""
    counts: dict[str, int] = {}
    for limit in limits:
        for case in limit.cases:
            counts[case.verified] = counts.get(case.verified, 0) + 1
    return counts


def _read(path: Path, *, built_in: bool) -> LimitSet:
    from criteria.reading import set_of
    from vision.picture import read_bytes

    data = read_bytes(path)
    if len(data) > MAX_BYTES:
        raise UnreadableFile(f"{path}: a file of limits of {len(data)} bytes is too large: keep it below {MAX_BYTES}.")
    try:
        content = tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise UnreadableFile(
            f"{path}: this is not a file of limits (TOML): it is no UTF-8 text, save it as such."
        ) from None
    except (ValueError, RecursionError) as error:
        reason = "it is nested too deeply" if isinstance(error, RecursionError) else str(error).rstrip(".")
        raise UnreadableFile(f"{path}: this is not a file of limits (TOML): {reason}.") from None
    try:
        return set_of(content, path.stem, path.name if built_in else str(path), built_in=built_in)
    except UsageError as error:
        raise UnreadableFile(str(error)) from None
