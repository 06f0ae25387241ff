"""What the store keeps: entries, the record they make up, and the hash that ties each entry to the one before."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from core.errors import UsageError

Body = dict[str, Any]
State = Literal["waiting", "confirmed", "rejected"]

KINDS = ("measured", "corrected", "confirmed", "rejected", "note", "identified")
NEEDS_WHY = ("corrected", "rejected")
FIRST_PREVIOUS = "0" * 64
"""What stands in the place of the previous hash in the first entry of a store."""

_STATES: dict[str, State] = {
    "measured": "waiting",
    "corrected": "waiting",
    "identified": "waiting",
    "confirmed": "confirmed",
    "rejected": "rejected",
}


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the store; it is never changed.

    Attributes
    ----------
    number
        Place in the chain of the whole store, 1, 2, 3, ... without a gap.
    record, kind
        The record it belongs to, and one of `KINDS`.
    at
        When it was written, UTC, ISO 8601.
    who, why
        The person, and the reason where one was given.
    body, attachments
        The content, and the SHA-256 of each file kept with it, by name.
    previous, hash
        Hash of the entry before, and of this one, see `entry_hash`.
    """

    number: int
    record: str
    kind: str
    at: str
    who: str
    why: str | None
    body: Mapping[str, Any]
    attachments: Mapping[str, str]
    previous: str
    hash: str


@dataclass(frozen=True, slots=True)
class Summary:
    """One record in a list: ``created`` and ``changed`` are UTC, ISO 8601; what is not known is None."""

    id: str
    state: State
    source: str | None
    weld: str | None
    joint: str | None
    job: str | None
    weld_number: str | None
    created: str
    changed: str


@dataclass(frozen=True, slots=True)
class Record:
    """One weld with everything that was ever said about it.

    Attributes
    ----------
    id, entries
        Its name, and its entries in order.
    current
        Body of the latest measured or corrected entry.
    state
        "waiting", "confirmed" or "rejected". A correction or another identification after a decision opens it
        again: the person had decided about something else.
    identification
        Fields of the trade by name: those it was measured with, then what each identification changed.
    """

    id: str
    entries: tuple[Entry, ...]
    current: Mapping[str, Any] = field(init=False)
    state: State = field(init=False)
    identification: Mapping[str, Any] = field(init=False)

    def __post_init__(self) -> None:
        bodies = [entry.body for entry in self.entries if entry.kind in ("measured", "corrected")]
        states = [_STATES[entry.kind] for entry in self.entries if entry.kind in _STATES]
        identification: dict[str, Any] = {}
        for entry in self.entries:
            if entry.kind in ("measured", "identified"):
                identification |= _mapping(entry.body.get("identification"))
        object.__setattr__(self, "current", bodies[-1] if bodies else {})
        object.__setattr__(self, "state", states[-1] if states else "waiting")
        object.__setattr__(self, "identification", identification)

    @property
    def last(self) -> Entry:
        """The latest entry; its hash stands for everything before it in the store."""
        return self.entries[-1]

    @property
    def decision(self) -> Entry | None:
        """The confirmation or rejection in force, None while the record waits."""
        decisions = [entry for entry in self.entries if entry.kind in ("confirmed", "rejected")]
        return decisions[-1] if decisions and self.state != "waiting" else None


@dataclass(frozen=True, slots=True)
class Problem:
    """One place at which the store is not as it was written; ``number`` is the entry's, None for the whole store."""

    message: str
    number: int | None = None
    record: str | None = None


def canonical(content: Any) -> str:
    """Return content as JSON in its one form, which is hashed: sorted keys, no spaces, no NaN."""
    return compact(content, sort_keys=True)


def compact(content: Any, *, sort_keys: bool = False) -> str:
    """Return content as JSON without spaces, in its own order, which is how it is kept: tables follow that order.

    Raises
    ------
    UsageError
        When it holds what JSON has no word for.
    """
    try:
        text = json.dumps(content, sort_keys=sort_keys, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
        text.encode("utf-8")
    except (TypeError, ValueError, RecursionError) as error:
        raise UsageError(f"the entry cannot be kept, its content is no JSON: {error}.", code="bad_entry") from None
    return text


def entry_hash(entry: Entry) -> str:
    """Return the SHA-256 over everything an entry says, which includes the hash of the entry before it."""
    content = {
        "number": entry.number,
        "record": entry.record,
        "kind": entry.kind,
        "at": entry.at,
        "who": entry.who,
        "why": entry.why,
        "body": entry.body,
        "attachments": entry.attachments,
        "previous": entry.previous,
    }
    return hashlib.sha256(canonical(content).encode("utf-8")).hexdigest()


def sealed(entry: Entry) -> Entry:
    """Return the entry with its hash."""
    return replace(entry, hash=entry_hash(entry))


def summary_part(kind: str, body: Mapping[str, Any]) -> Body:
    """Return what one entry adds to the line of its record in a list; kept beside the entry so that lists are quick."""
    part: Body = {}
    if kind in ("measured", "corrected"):
        source, weld = _mapping(body.get("source")), _mapping(body.get("weld"))
        part = {"source": _text(source.get("name")), "weld": _text(weld.get("id")), "joint": _text(weld.get("joint"))}
    if kind in ("measured", "identified"):
        identification = _mapping(body.get("identification"))
        part |= {name: _text(identification[name]) for name in ("job", "weld_number") if name in identification}
    return {name: value for name, value in part.items() if value is not None or name in ("job", "weld_number")}


_SUMMED = ("source", "weld", "joint", "job", "weld_number")


def summaries(rows: Iterable[tuple[str, str, str, Mapping[str, Any]]]) -> list[Summary]:
    """Return one summary a record from (record, kind, at, part) of all entries in order."""
    found: dict[str, Summary] = {}
    for record, kind, at, part in rows:
        known = found.get(record) or Summary(record, "waiting", None, None, None, None, None, at, at)
        told = {name: part[name] for name in _SUMMED if name in part}  # a damaged text may name anything
        found[record] = replace(known, state=_STATES.get(kind, known.state), changed=at, **told)
    return list(found.values())


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _text(value: Any) -> str | None:
    return None if value is None else str(value)
