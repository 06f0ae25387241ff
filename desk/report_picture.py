"""The picture of a report with its dimensions, drawn anew from what was kept where that still gives the same values."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from core.errors import ToelineError
from core.units import UnitSystem

if TYPE_CHECKING:
    from desk.drawing import Drawing
    from records.store import Record, Store

SAME_VALUE = 0.005
"""Values nearer to each other, mm, are the same on a page (half of the last digit of most of them)."""


def drawn_from_store(store: Store, record: Record, units: UnitSystem) -> tuple[Drawing | None, str]:
    """Draw what a record holds from the picture and the calibration kept with it."""
    body = record.current
    entry = {name: body.get(name) for name in ("source", "calibration", "settings")} | {"welds": [body["weld"]]}
    first = next(entry for entry in record.entries if entry.kind == "measured")
    entry["welds"] = [first.body["weld"]]
    moved = body.get("moved")
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        calibration = None
        try:
            for name, digest in first.attachments.items():
                data = store.attachment(digest)
                if name == "calibration":
                    calibration = folder / "calibration.json"
                    calibration.write_bytes(data)
                else:
                    target = folder / Path(str(body["source"].get("name") or body["source"]["path"])).name
                    target.write_bytes(data)
                    entry["source"] = dict(body["source"]) | {"path": str(target)}
        except (ToelineError, OSError) as error:
            return None, str(error)
        return drawn(entry, folder, calibration, moved, units, shown=body["weld"])


def drawn(
    entry: Mapping[str, Any],
    folder: Path,
    calibration: Path | None,
    moved: Any,
    units: UnitSystem,
    shown: Mapping[str, Any] | None = None,
) -> tuple[Drawing | None, str]:
    """Return the drawing of the one weld of an entry, or why it cannot be drawn.

    ``shown`` is the weld whose values stand on the page, when it is not that of the entry: a drawing with other
    values than the table beside it would be worse than none.
    """
    from desk.overlay import draw_overlay
    from inspection.session import open_session
    from vision.found import FoundWelds
    from vision.picture import read_colour

    try:
        session = open_session(entry, folder=folder, calibration=calibration)
        index = session.numbers.index(str(entry["welds"][0]["id"]))
        points = {str(part["name"]): part["to"] for part in moved or ()}
        again = session.measure(index, session.moves(index, points) if points else {})
        if not _same_values(shown or entry["welds"][0], again.entry):
            return None, (
                "The picture is not shown: this version of the program measures other values in it than those below."
            )
        picture = None if session.picture is None else read_colour(session.picture)
        outlines = session.outlines_px if session.picture is not None else ()
        paper = () if session.picture is not None else tuple(session.frame.to_mm(line) for line in session.outlines_px)
        found = FoundWelds((again.weld,), outlines, paper)
        return (
            draw_overlay(picture, found, (again.values,), units=units, calibration=session.calibration, enlarged=1.9),
            "",
        )
    except (ToelineError, ValueError, KeyError, TypeError) as error:
        return None, f"The picture is not shown: {error}"


def _same_values(shown: Mapping[str, Any], again: Mapping[str, Any]) -> bool:
    """Tell whether the values of a page are those measured again for its drawing, to half of the last digit shown."""
    for name, item in shown["measurements"].items():
        now = again["measurements"].get(name, {}).get("value")
        if item["value"] is not None and now is not None and abs(item["value"] - now) > SAME_VALUE:
            return False
    return True
