"""Result files checked at the door: the shape of ``toeline.result/1`` as pydantic models.

Imported only where a result is read back; writing does not need it.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, NonNegativeFloat, PositiveFloat, ValidationError

from core.errors import UnreadableFile
from vision.picture import read_bytes

Point = tuple[FiniteFloat, FiniteFloat]
Sha256 = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
Unit = Literal["mm", "deg", "mm2", "percent"]


class _Part(BaseModel):
    """Fields may be added to the contract: unknown ones are kept, known ones are strict."""

    model_config = ConfigDict(extra="allow", frozen=True)


class Tool(_Part):
    name: str
    version: str


class Source(_Part):
    path: str
    sha256: Sha256 | None
    kind: Literal["macro", "laser", "profile"]
    width_px: int | None
    height_px: int | None


class CalibrationUsed(_Part):
    kind: str
    sha256: Sha256 | None
    mm_per_px: PositiveFloat
    relative_standard_uncertainty: NonNegativeFloat


class BudgetPart(_Part):
    source: str
    standard_uncertainty: NonNegativeFloat


class MeasuredValue(_Part):
    state: Literal["measured"]
    value: FiniteFloat
    unit: Unit
    expanded_uncertainty: NonNegativeFloat | None
    coverage_factor: PositiveFloat
    interval: tuple[FiniteFloat, FiniteFloat] | None = None
    budget: tuple[BudgetPart, ...] = ()


class NotMeasured(_Part):
    state: Literal["not_measurable"]
    value: None
    unit: Unit
    reason: Annotated[str, Field(min_length=1)]


class FlagRaised(_Part):
    code: str
    message: str


class Outcome(_Part):
    criterion: str
    source: str
    quantity: str
    limit: FiniteFloat | None
    unit: Unit
    outcome: Literal["meets", "does_not_meet", "undecided", "not_assessed"]


class Review(_Part):
    state: str


class GaugeRead(_Part):
    """What a modelled hand gauge reads; ``step_reading`` is what its graduations let a person read."""

    state: Literal["modelled"]
    gauge: str
    quantity: str
    reading: FiniteFloat
    unit: Unit
    step_reading: FiniteFloat | None
    step_text: str
    true: FiniteFloat | None
    difference: FiniteFloat | None
    why: str
    contacts_mm: tuple[Point, ...]
    contacts_px: tuple[Point, ...]
    fits: dict[str, bool] = {}


class GaugeNotRead(_Part):
    state: Literal["no_reading"]
    gauge: str
    quantity: str
    reading: None
    unit: Unit
    reason: Annotated[str, Field(min_length=1)]


class WeldEntry(_Part):
    id: str
    joint: Literal["tee", "lap", "butt", "groove"]
    points_px: dict[str, Point]
    points_mm: dict[str, Point]
    measurements: dict[str, Annotated[MeasuredValue | NotMeasured, Field(discriminator="state")]]
    flags: tuple[FlagRaised, ...]
    outcomes: tuple[Outcome, ...]
    gauges: tuple[Annotated[GaugeRead | GaugeNotRead, Field(discriminator="state")], ...] = ()
    review: Review


class ErrorEntry(_Part):
    code: str
    message: str


class ResultEntry(_Part):
    source: Source
    calibration: CalibrationUsed | None
    welds: tuple[WeldEntry, ...]
    error: ErrorEntry | None


class ResultDocument(_Part):
    schema_name: Literal["toeline.result/1"] = Field(alias="schema")
    tool: Tool
    results: tuple[ResultEntry, ...]


def read_result(path: str | Path) -> ResultDocument:
    """Read a result file.

    Raises
    ------
    UnreadableFile
        With the first place at which the file is not a result document.
    """
    try:
        return ResultDocument.model_validate_json(read_bytes(path))
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise UnreadableFile(f"{path}: this is not a result file: {_what_it_is(first)}.") from None


_OTHER_KINDS = {
    "toeline.seam": "it is a seam file, which toeline scan judges (--criteria) and toeline report prints",
    "toeline.scan": "it is the head of a scan: name the seam file beside it in toeline report",
    "toeline.calibration": "it is a calibration, which toeline measure --calibration takes",
    "toeline.lens": "it is a lens file, which toeline calibrate --lens takes",
    "toeline.agreement": "it is what toeline compare wrote",
    "toeline.study": "it is what toeline study wrote",
    "toeline.records": "it is an export of records: name the store with --records",
}


def _what_it_is(first: Mapping[str, Any]) -> str:
    """Say in words what another kind of file is, else where it is wrong."""
    if first["type"] == "json_invalid":
        return "it is no JSON; toeline measure --json or --output writes one"
    place = ".".join(str(part) for part in first["loc"])
    if place == "schema":
        kind = str(first.get("input") or "").rpartition("/")[0] if isinstance(first.get("input"), str) else ""
        if kind in _OTHER_KINDS:
            return _OTHER_KINDS[kind]
        return "its schema is not toeline.result/1; toeline measure --json or --output writes one"
    return f"{place}: {first['msg']}" if place else str(first["msg"])
