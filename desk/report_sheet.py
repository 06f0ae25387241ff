"""What a report says of one weld, as text and a drawing, before it is known on what it is printed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from core.quantity import COVERAGE_FACTOR
from core.units import UnitSystem
from desk.report_outcomes import Row, outcome_rows
from desk.report_picture import drawn, drawn_from_store
from desk.value_text import scale_kind, value_cells, worded, worded_steps

if TYPE_CHECKING:
    from desk.drawing import Drawing
    from records.store import Record, Store

WAITS = "a proposal that waits for a qualified person"
CAUTIONS = (
    "Values and outcomes are proposals of a program until a qualified person has confirmed them. The governing code in "
    "its valid edition prevails, and a section shows one place of a seam. Decisions on which the safety of a structure "
    "rests belong to licensed or certified practice."
)


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """One weld's page.

    Attributes
    ----------
    name, heading
        Record or picture, and what weld it is.
    state, confirmed
        What was decided, in words, and whether it was confirmed.
    identification
        Label and value; ``missing`` are labels that a macro examination report lacks.
    values
        Under ``values_title``: label, value, uncertainty, unit and nearest 1/64 in; ``absent`` label and reason.
    outcomes
        Word, limit, value, allowed, probability, source; ``outcome_notes`` the rule and the evidence,
        ``outcome_value`` what stands in the column of values, ``unjudged`` how many were not assessed and are no rows.
    gauges
        Gauge, quantity, modelled reading, measured value, why they differ.
    indications
        Kind, size, distance to the surface.
    flags, history
        Doubts (or what ``flags_title`` says), and what people did: when, who, what.
    hash_text
        What to look the record up with.
    drawing, no_drawing
        The picture with its dimensions, or why there is none.
    """

    name: str
    heading: str
    state: str
    confirmed: bool
    identification: tuple[Row, ...]
    missing: tuple[str, ...]
    values_title: str
    values: tuple[Row, ...]
    absent: tuple[Row, ...]
    outcomes: tuple[Row, ...]
    outcome_notes: tuple[str, ...]
    gauges: tuple[Row, ...]
    indications: tuple[Row, ...]
    flags_title: str
    flags: tuple[str, ...]
    history: tuple[Row, ...]
    hash_text: str
    drawing: Drawing | None
    no_drawing: str
    outcome_value: str = "value"
    unjudged: int = 0


def sheet_of_record(store: Store, record: Record, units: UnitSystem) -> Sheet:
    """Return the page of a record, its picture taken from the store."""
    from records.identification import FIELDS, missing_for_macro_report

    body = record.current
    identification = tuple(
        (FIELDS[n].label, str(record.identification[n])) for n in FIELDS if record.identification.get(n)
    )
    decision = record.decision
    if decision is None:
        state = WAITS
    elif decision.kind == "confirmed":
        state = f"by {decision.who}, {_time(decision.at)}"
    else:
        state = f"rejected by {decision.who}, {_time(decision.at)}: {decision.why}"
    drawing, why = drawn_from_store(store, record, units)
    look_up = "Look it up with: toeline records verify --expect HASH"
    hash_text = f"Record {record.id}, entry {record.last.number}, SHA-256 {record.last.hash}. {look_up}"
    return _sheet(
        body,
        record.id,
        state,
        confirmed=decision is not None and decision.kind == "confirmed",
        identification=identification,
        missing=tuple(missing_for_macro_report(record.identification)),
        history=tuple((_time(entry.at), entry.who, _told(entry)) for entry in record.entries),
        hash_text=hash_text,
        drawing=drawing,
        no_drawing=why,
        units=units,
    )


def sheets_of_result(path: Path, units: UnitSystem) -> list[Sheet]:
    """Return a page for each weld of a result file; none of them is confirmed.

    Raises
    ------
    UnreadableFile
        When it is no result file.
    """
    from inspection.schema import read_result

    document = read_result(path).model_dump(mode="json", by_alias=True)
    sheets = []
    for entry in document["results"]:
        for weld in entry["welds"]:
            drawing, why = drawn(dict(entry) | {"welds": [weld]}, path.parent, None, None, units)
            sheets.append(
                _sheet(
                    dict(entry) | {"weld": weld, "limits": entry.get("assessment"), "tool": document["tool"]},
                    Path(str(entry["source"]["path"])).name,
                    WAITS,
                    confirmed=False,
                    identification=(),
                    missing=(),
                    history=(),
                    hash_text=f"Not kept in records. {_kind(entry['source']).capitalize()} SHA-256 "
                    f"{entry['source']['sha256']}",
                    drawing=drawing,
                    no_drawing=why,
                    units=units,
                )
            )
    return sheets


def _sheet(body: Mapping[str, Any], name: str, state: str, *, units: UnitSystem, identification: tuple[Row, ...],
           **told: Any) -> Sheet:  # fmt: skip
    weld = body["weld"]
    values, absent = _values(weld, units)
    outcomes, notes = outcome_rows(weld, body.get("limits"))
    return Sheet(
        name=name,
        heading=f"Weld {weld['id']}: {weld['joint']}",
        state=state,
        identification=(*identification, *_source(body)),
        values_title="Values, with their expanded uncertainty (k = 2)",
        values=values,
        absent=absent,
        outcomes=outcomes,
        outcome_notes=notes,
        unjudged=sum(outcome["outcome"] == "not_assessed" for outcome in weld.get("outcomes") or ()),
        gauges=_gauges(weld, units),
        indications=_indications(weld, units),
        flags_title="Doubts",
        flags=tuple(f"{flag['code']}: {worded(flag['message'], units)}" for flag in weld["flags"]),
        **told,
    )


def _source(body: Mapping[str, Any]) -> tuple[Row, ...]:
    source, calibration, settings = body["source"], body.get("calibration"), body.get("settings") or {}
    name = str(source.get("name") or Path(str(source["path"])).name)
    rows = [(_kind(source), name)]
    if calibration:
        share = 100 * COVERAGE_FACTOR * calibration["relative_standard_uncertainty"]
        known = f"±\u00a0{share:.2g}\u00a0%" if share > 0 else "uncertainty unknown"
        rows.append(
            ("scale", f"{scale_kind(calibration['kind'])}, {calibration['mm_per_px']:.5g} mm per pixel, {known}")
        )
    if settings.get("operator"):
        rows.append(("measured by", str(settings["operator"])))
    tool = body.get("tool") or {}
    rows.append(("software", f"{tool.get('name', 'toeline')} {tool.get('version', '')}".strip()))
    return tuple(rows)


def _kind(source: Mapping[str, Any]) -> str:
    return "profile" if source["kind"] == "profile" else "picture"


def _values(weld: Mapping[str, Any], units: UnitSystem) -> tuple[tuple[Row, ...], tuple[Row, ...]]:
    values, absent = [], []
    for name, item in weld["measurements"].items():
        label = item.get("label", name)
        if item["state"] == "measured":
            value, doubt, unit, fraction = value_cells(item, units)
            values.append((label, value, doubt if doubt == "-" or " to " in doubt else f"± {doubt}", unit, fraction))
        else:
            absent.append((label, worded(item["reason"], units)))
    return tuple(values), tuple(absent)


def _side(quantity: str) -> str:
    for side in ("left", "right"):
        if quantity.endswith(f"_{side}"):
            return f"{quantity.removesuffix(f'_{side}').replace('_', ' ')}, {side}"
    return quantity.replace("_", " ")


def _gauges(weld: Mapping[str, Any], units: UnitSystem) -> tuple[Row, ...]:
    rows = []
    for gauge in weld.get("gauges") or ():
        if gauge.get("state") != "modelled" or gauge.get("reading") is None:
            continue
        shown = gauge.get("step_text") or _plain(gauge["reading"], gauge["unit"], units)
        true = "" if gauge.get("true") is None else _plain(gauge["true"], gauge["unit"], units)
        rows.append(
            (gauge["gauge"], _side(gauge["quantity"]), shown, true, worded_steps(str(gauge.get("why") or ""), units))
        )
    return tuple(rows)


def _plain(value: float, unit: str, units: UnitSystem) -> str:
    number, _, symbol, _ = value_cells({"value": value, "expanded_uncertainty": None, "unit": unit}, units)
    return f"{number}{'' if symbol == '°' else ' '}{symbol}"


def _indications(weld: Mapping[str, Any], units: UnitSystem) -> tuple[Row, ...]:
    rows = []
    for spot in weld.get("indications") or ():
        kind = str(spot.get("kind", "indication")).replace("_", " ")
        size = spot.get("equivalent_diameter_mm") or spot.get("length_mm") or 0.0
        depth = spot.get("distance_to_surface_mm")
        rows.append((kind, _plain(size, "mm", units), "" if depth is None else _plain(depth, "mm", units)))
    return tuple(rows)


def _told(entry: Any) -> str:
    """Say what an entry did, with its reason."""
    words = {
        "measured": "measured",
        "corrected": "corrected",
        "confirmed": "confirmed",
        "rejected": "rejected",
        "note": "noted",
        "identified": "identification completed",
    }[entry.kind]
    moved = [part for part in entry.body.get("moved") or () if isinstance(part, Mapping)]
    names = ", ".join(sorted({f"{str(part.get('name', '')).replace('_', ' ')}{_far(part)}" for part in moved}))
    note = entry.body.get("text") or entry.body.get("note") or ""
    return ": ".join(part for part in (words + (f" (moved: {names})" if names else ""), entry.why or str(note)) if part)


def _far(part: Mapping[str, Any]) -> str:
    """Say how far a point was moved, px; of a plate line, the end that was moved most."""
    try:
        before, after = (np.asarray(part[name], float).reshape(-1, 2) for name in ("from", "to"))
        return f" by {np.hypot(*(after - before).T).max():.1f} px"
    except (KeyError, TypeError, ValueError):
        return ""


def _time(iso: str) -> str:
    return iso[:16].replace("T", " ") + " UTC"
