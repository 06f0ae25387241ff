"""What the inside of a few etched sections gives becomes an entry of the report that can be kept as JSON."""

import json

from benchmarks import groups


def test_the_inside_becomes_an_entry() -> None:
    entry = json.loads(json.dumps(groups.the_inside(2, 1, 5, width_px=1600)))
    assert entry["blank_claimed"] <= entry["blank_welds"]
    (clear,) = (group for group in entry["groups"] if group["welds"])
    assert clear["clicked_rms_px"]["n"] >= clear["welds"]
    assert clear["clicked_rms_px"]["p50"] <= clear["clicked_rms_px"]["p95"] < 20
    assert 0 <= clear["clicked_within_1_px"] <= 1
    assert clear["quantities"]
    assert all(0 <= quantity["coverage"] <= 1 and quantity["n"] > 0 for quantity in clear["quantities"])
