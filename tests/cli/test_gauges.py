"""``toeline measure --gauges``: table, result file and drawings."""

import json
from pathlib import Path

import pytest

from cli.gauges import CAUTION as TABLE_CAUTION
from cli.gauges import as_text
from cli.main import run
from inspection.schema import read_result
from measurement.gauges import CAUTION

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
SCALE = ("--scale", "0.028 mm")


def test_result_table_and_drawings(tmp_path, capsys):
    out = tmp_path / "out"
    arguments = ["measure", str(SAMPLES / "tee.jpg"), *SCALE, "--gauges", "--output", str(out)]
    assert run(arguments) == 0
    screen = capsys.readouterr().out
    assert "what hand gauges would read" in screen
    assert "A modelled reading is not a reading" in screen
    assert {path.name for path in out.iterdir()} == {"result.json", "tee-overlay.png", "tee-gauges.png"}
    weld = read_result(out / "result.json").results[0].welds[0]
    by_name = {(item.gauge, item.quantity): item for item in weld.gauges}
    blade = by_name["blades mm", "leg_left"]
    assert blade.step_text == "6 mm"  # the sample's left leg is 6.40 mm, see truth.json
    assert blade.fits["7 mm"]
    assert not blade.fits["5 mm"]
    seat = by_name["seat", "throat"]
    assert seat.difference == pytest.approx(seat.reading - seat.true, abs=1e-5)
    assert seat.true == weld.measurements["throat"].value
    assert "mm)" in seat.why  # the table may be in inches: what makes up a difference names its unit
    assert screen.count("mm)") >= 2
    width, height = 2400, 2400
    for item in weld.gauges:
        if item.state == "modelled" and item.gauge != "seat":
            x, y = item.contacts_px[-1]
            assert 0 < x < width
            assert 0 < y < height
        elif item.state == "no_reading":
            assert item.reason


def test_without_the_option_nothing_changes(tmp_path):
    target = tmp_path / "r.json"
    assert run(["measure", str(SAMPLES / "tee.jpg"), *SCALE, "--json", str(target)]) == 0
    assert "gauges" not in json.loads(target.read_text())["results"][0]["welds"][0]


def test_a_profile_has_contacts_in_mm_only_and_a_bad_file_hurts_no_other(tmp_path, capsys):
    """A butt weld drawn as a profile: plates in line, a cap of 2 mm, which is what a bridge reads."""
    points = [(x / 20, max(0.0, 2 - 2 * (x / 20 / 5) ** 2)) for x in range(-500, 501)]
    good, bad, target = tmp_path / "good.csv", tmp_path / "bad.csv", tmp_path / "r.json"
    good.write_text("x_mm,z_mm\n" + "".join(f"{x},{z}\n" for x, z in points))
    bad.write_text("nothing\n")
    assert run(["measure", str(bad), str(good), "--gauges", "--json", str(target)]) == 3
    assert capsys.readouterr().err.count("\n") == 1
    weld = json.loads(target.read_text())["results"][1]["welds"][0]
    bridge = next(item for item in weld["gauges"] if item["quantity"] == "reinforcement")
    assert bridge["reading"] == pytest.approx(2.0, abs=0.02)
    assert bridge["contacts_px"] == []
    assert len(bridge["contacts_mm"]) >= 3
    read_result(target)


def test_values_in_the_unit_of_the_screen():
    assert TABLE_CAUTION == CAUTION
    assert as_text(6.35, "mm", "inch") == "0.250 in (1/4)"
    assert as_text(-0.001, "mm", "metric", signed=True) in ("+0.00 mm", "-0.00 mm")
    assert as_text(None, "mm", "metric") == "-"
    assert as_text(30.0, "deg", "inch") == "30.0°"
