"""Records as results: the welds that are kept, as the result document has them, in their latest form."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from records.entry import Record


def entries_of(records: Iterable[Record]) -> list[dict[str, Any]]:
    """Return the welds of records, one entry a picture; what a person rejected is left out.

    A weld that was recorded twice is in two entries: nobody has said which of them counts.
    """
    entries: list[dict[str, Any]] = []
    for record in records:
        source, weld = record.current.get("source"), record.current.get("weld")
        if record.state == "rejected" or not isinstance(source, dict) or not isinstance(weld, dict):
            continue
        key = (source.get("path"), source.get("sha256"))
        for entry in entries:
            ids = {other["id"] for other in entry["welds"]}
            if (entry["source"].get("path"), entry["source"].get("sha256")) == key and weld["id"] not in ids:
                entry["welds"].append(weld)
                break
        else:
            entries.append({"source": source, "welds": [weld], "error": None})
    return entries
