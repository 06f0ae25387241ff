"""A study as other programs read it: ``toeline.study/1``."""

from __future__ import annotations

from typing import Any

from inspection.document import document
from inspection.readings import StudyReadings
from inspection.study import CONFIDENCE, Evaluation, RangeStudy, VarianceStudy
from inspection.study_design import Design
from inspection.variance import Line

SCHEMA = "toeline.study/1"
Entry = dict[str, Any]


def as_document(
    study: StudyReadings, design: Design, variance: VarianceStudy, ranges: RangeStudy, tolerance: float | None
) -> Entry:
    """Return a study with both evaluations; ``tolerance`` is the width of the tolerance in the unit of the readings."""
    return {
        "schema": SCHEMA,
        "tool": document([])["tool"],
        "source": study.path,
        "unit": design.unit or None,
        "confidence": CONFIDENCE,
        "tolerance": tolerance,
        "parts": list(design.parts),
        "operators": list(design.operators),
        "trials": int(design.values.shape[2]),
        "left_out": [{"line": row.line, "reason": row.reason} for row in study.bad],
        "analysis_of_variance": _evaluation(variance, tolerance)
        | {
            "lines": [_line(line) for line in variance.lines],
            "pooled_lines": None if variance.pooled_lines is None else [_line(line) for line in variance.pooled_lines],
        },
        "averages_and_ranges": _evaluation(ranges, tolerance)
        | {
            "operator_ranges": dict(zip(design.operators, (_number(r) for r in ranges.operator_ranges), strict=True)),
            "mean_range": _number(ranges.mean_range),
            "operator_difference": _number(ranges.operator_difference),
            "part_range": _number(ranges.part_range),
            "upper_range_limit": _number(ranges.upper_range_limit),
            "beyond_range_limit": [list(cell) for cell in ranges.beyond],
        },
    }


def _evaluation(found: Evaluation, tolerance: float | None) -> Entry:
    return {
        "components": {
            code: {
                "standard_deviation": _number(spread.std),
                "interval": None if spread.interval is None else [_number(end) for end in spread.interval],
                "share_of_total": _number(found.share(code)),
                "contribution": _number(found.contribution(code)),
                "share_of_tolerance": None if tolerance is None else _number(found.share_of(code, tolerance)),
            }
            for code, spread in found.spreads.items()
        },
        "distinct_categories": None if found.categories is None else int(found.categories),
        "categories_not_cut": _number(found.categories),
        "notes": list(found.notes),
    }


def _line(line: Line) -> Entry:
    return {
        "source": line.source,
        "degrees_of_freedom": line.degrees_of_freedom,
        "sum_of_squares": _number(line.sum_of_squares),
        "mean_square": _number(line.mean_square),
        "f": _number(line.f),
        "p": _number(line.p),
    }


def _number(value: float | None) -> float | None:
    """Keep twelve figures: plain numbers may be of any size."""
    return None if value is None else float(f"{value:.12g}")
