"""What follows the values of a weld whose points were moved: outcomes and modelled gauge readings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from inspection.session import Remeasured, Session

NOT_JUDGED = "the points were moved and nothing was judged since"


def judged(entry: Mapping[str, Any], again: Remeasured, session: Session) -> dict[str, Any]:
    """Return the entry of a weld measured again, with what its result held beside the values.

    Parameters
    ----------
    entry
        Entry of the result document with this one weld, as it was found.
    """
    before = entry["welds"][0]
    weld = dict(again.entry)
    weld["outcomes"] = [dict(part) | {"outcome": "not_assessed", "message": NOT_JUDGED} for part in before["outcomes"]]
    if before.get("gauges"):
        weld["gauges"] = _gauges(again, session)
    return weld


def _gauges(again: Remeasured, session: Session) -> list[dict[str, Any]]:
    from inspection.gauges import gauge_entry
    from measurement.gauges import readings

    return [gauge_entry(reading, session.calibration) for reading in readings(again.weld.section, again.values)]
