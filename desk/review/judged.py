"""What follows the values of a weld whose points were moved: outcomes and modelled gauge readings."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from core.errors import ToelineError, UsageError
from inspection.outcomes import Judgement, judgement
from inspection.outcomes import judged as with_outcomes
from inspection.session import Remeasured, Session

if TYPE_CHECKING:
    from criteria import Rule

UNKNOWN_LIMITS = "the points were moved, and the result does not say with what its values were compared"


def judged(entry: Mapping[str, Any], again: Remeasured, session: Session, *, gauges: bool = True) -> dict[str, Any]:
    """Return the entry of a weld measured again, judged as its result was.

    Parameters
    ----------
    entry
        Entry of the result document with this one weld, as it was found: its ``assessment`` tells the limits,
        and that it holds ``gauges`` tells that readings are wanted.
    gauges
        Whether to read the gauges too, which takes longer than all the rest.
    """
    before = entry["welds"][0]
    weld = dict(again.entry) | {"outcomes": _outcomes(entry, again)}
    if gauges and before.get("gauges"):
        weld["gauges"] = _gauges(again, session)
    return weld


def _outcomes(entry: Mapping[str, Any], again: Remeasured) -> list[dict[str, Any]]:
    before = entry["welds"][0]["outcomes"]
    if not before:
        return []
    why = UNKNOWN_LIMITS
    if entry.get("assessment"):
        try:
            by = _judgement(json.dumps(entry["assessment"], sort_keys=True))
            welds = with_outcomes({"settings": entry.get("settings"), "welds": [dict(again.entry)]}, by)["welds"]
            return list(welds[0]["outcomes"])
        except ToelineError as error:
            why = f"the points were moved, and the limits cannot be read again: {error}"
    return [dict(part) | {"outcome": "not_assessed", "message": why, "probability": None} for part in before]


@lru_cache(maxsize=32)
def _judgement(assessment: str) -> Judgement:
    """Return what a result was judged by, from the words in which it keeps that.

    Raises
    ------
    UsageError, UnreadableFile
        When these words are not known, or a file of limits is no longer there.
    """
    from criteria import Given

    words = json.loads(assessment)
    try:
        given = Given(**(words.get("given") or {}))
        rule, system = _rule(words["rule"]), words["units"]
        return judgement(words["criteria"], words["required"], given, rule, system)
    except (KeyError, TypeError, ValueError, StopIteration) as error:
        if isinstance(error, ToelineError):
            raise
        raise UsageError("the assessment of the result is not understood: assess it again.") from None


def _rule(text: str) -> Rule:
    """Return the decision rule that reads as a result keeps it."""
    from criteria import KINDS, Rule

    width = re.search(r"guard band ([0-9.]+) u$", text)
    rules = [Rule(kind) if width is None else Rule(kind, float(width[1])) for kind in KINDS]
    return next(rule for rule in rules if str(rule) == text)


def _gauges(again: Remeasured, session: Session) -> list[dict[str, Any]]:
    from inspection.gauges import gauge_entry
    from measurement.gauges import readings

    return [gauge_entry(reading, session.calibration) for reading in readings(again.weld.section, again.values)]
