"""The welds of a result go into the store, each as a record that waits for a person.

A call that was stopped can be made again: what it has kept already is found, and not kept twice.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from core.errors import ToelineError
from records.body import measured_body
from records.identification import Identification, missing_for_macro_report
from records.store import MAX_ATTACHMENT_BYTES, Store
from vision.picture import read_bytes

Entry = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Kept:
    """A record that was opened.

    Attributes
    ----------
    record, source, weld
        Its name, the file it is of, and the weld's number in it.
    missing
        Labels of the fields that a macro examination report would lack.
    notes
        What could not be kept beside it, one sentence each.
    again
        Whether it was there already, the same in everything, and nothing was added.
    """

    record: str
    source: str
    weld: str
    missing: tuple[str, ...]
    notes: tuple[str, ...]
    again: bool = False


@dataclass
class Earlier:
    """The records that a store holds when a call begins, and those that the call adds, by source and weld.

    Rejected ones are left out: what was rejected may be measured again.
    """

    store: Store
    _ids: dict[tuple[str | None, str | None], list[str]] | None = field(default=None, init=False)

    def same(self, body: Mapping[str, Any]) -> str | None:
        """Return the record that was opened with the very same content, None when there is none."""
        if self._ids is None:
            self._ids = {}
            for line in self.store.records():
                if line.state != "rejected":
                    self._ids.setdefault((line.source, line.weld), []).append(line.id)
        wanted = json.loads(json.dumps(body))
        for record in self._ids.get(_key(body), ()):
            if self.store.record(record).entries[0].body == wanted:
                return record
        return None

    def add(self, record: str, body: Mapping[str, Any]) -> None:
        """Note a record that was added."""
        if self._ids is not None:
            self._ids.setdefault(_key(body), []).append(record)


def _key(body: Mapping[str, Any]) -> tuple[str | None, str | None]:
    return str(body["source"]["name"]), str(body["weld"]["id"])


def keep_results(
    store: Store,
    results: Sequence[Entry],
    *,
    who: str,
    identification: Identification,
    tool: Entry | None = None,
    with_picture: bool = True,
    folder: Path | None = None,
    earlier: Earlier | None = None,
) -> Iterator[Kept]:
    """Add each weld of some results to a store, and tell of each as soon as it is there.

    Parameters
    ----------
    results
        Entries of a result document; those without a weld give no record.
    who, identification
        The person who measured, and the fields of the trade.
    tool
        What measured, where it was not this program.
    with_picture
        Whether the picture itself is kept, or only its hash.
    folder
        Where files are looked for that are not where the result says, as when it was moved along with them.
    earlier
        What the store holds, shared by the calls of a batch; looked up when left out.
    """
    earlier = earlier or Earlier(store)
    for result in results:
        if result["welds"]:
            yield from _keep_result(store, earlier, result, who, identification, tool, with_picture, folder)


def _keep_result(
    store: Store,
    earlier: Earlier,
    result: Entry,
    who: str,
    identification: Identification,
    tool: Entry | None,
    with_picture: bool,
    folder: Path | None,
) -> Iterator[Kept]:
    source = result["source"]
    data, notes = _file(source["path"], source["sha256"], folder)
    scale = (result.get("settings") or {}).get("calibration")
    calibration = None
    if scale is not None:
        calibration, more = _file(scale, (result.get("calibration") or {}).get("sha256"), folder)
        notes += more
    files = {} if calibration is None else {"calibration": calibration}
    if data is not None and with_picture:
        if len(data) > MAX_ATTACHMENT_BYTES:
            notes.append(
                f"{source['path']} is kept by its hash alone: it has {len(data) / 2**20:.0f} MB, "
                f"pictures up to {MAX_ATTACHMENT_BYTES >> 20} MB are kept."
            )
        else:
            files["profile" if source["kind"] == "profile" else "picture"] = data
    for weld in result["welds"]:
        body = measured_body(
            result,
            weld,
            identification=identification,
            limits=result.get("assessment"),
            calibration_file=None if calibration is None else json.loads(calibration),
            size_bytes=None if data is None else len(data),
            tool=tool,
        )
        there = earlier.same(body)
        if there is not None:
            yield Kept(there, str(source["path"]), str(weld["id"]), (), (), again=True)
            continue
        entry = store.add(None, "measured", body, who=who, attachments=files)
        earlier.add(entry.record, body)
        of_macro = source["kind"] == "macro" and weld["joint"] != "groove"  # a groove is no etched section
        missing = missing_for_macro_report(identification) if of_macro else []
        yield Kept(entry.record, str(source["path"]), str(weld["id"]), tuple(missing), tuple(notes))


def _file(name: str, sha256: str | None, folder: Path | None) -> tuple[bytes | None, list[str]]:
    """Return a file that still is what was measured, or say why it is not kept."""
    places = [Path(name)] + ([] if folder is None else [folder / Path(name).name])
    for place in places:
        if not place.exists():
            continue
        try:
            data = read_bytes(place)
        except ToelineError as error:
            return None, [f"{error} Its hash alone is kept."]
        if hashlib.sha256(data).hexdigest() == sha256:
            return data, []
    found = "has changed since it was measured" if any(place.exists() for place in places) else "was not found"
    return None, [f"{name} {found}: its hash alone is kept."]
