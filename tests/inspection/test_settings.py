"""What a result keeps of its settings is enough to measure again in the same way."""

import json
from pathlib import Path

from inspection.settings import Settings, settings_entry, settings_of


def test_settings_come_back_from_a_result() -> None:
    chosen = Settings(
        joint="tee",
        source="macro",
        calibration=Path("tee.cal.json"),
        thickness_mm=8.0,
        operator="A. Example",
        region=(10, 20, 300, 200),
        inside="on",
        pore_size_mm=0.35,
        tone_curve="srgb",
    )
    entry = json.loads(json.dumps(settings_entry(chosen)))
    assert settings_of(entry, "macro") == chosen


def test_what_an_older_result_does_not_name_counts_as_not_chosen() -> None:
    assert settings_of({"joint": "butt"}, "macro") == Settings(joint="butt", source="macro")
