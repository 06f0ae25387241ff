"""What the page says, in a real browser: reasons, outcomes, names from outside, buttons that stay legible."""

import json
import re
from pathlib import Path

import pytest

from desk.value_text import worded, worded_steps
from inspection.document import as_text, write_text


@pytest.mark.parametrize(
    "text",
    [
        "fitted over 0.50 to 1.00 mm of the face, a radius of no more than 0.36 mm, above 0.001 mm",
        'pixels of 0.02 x 0.03 mm, 4.2 mm², 0.02 mm per pixel, say --pitch "0.5 mm", a 1/4 mm, ± 3 mm, 1600 mm',
    ],
)
def test_a_reason_tells_its_lengths_as_the_command_line_does(look, text: str) -> None:
    told = "([text, system]) => import('/static/units.js').then((units) => units.worded(text, system))"
    for system in ("metric", "inch"):
        assert look.evaluate(told, [text, system]) == worded(text, system)
    steps = f"a slide (+0.14 mm), {text}"
    told = told.replace("worded", "wordedSteps")
    assert look.evaluate(told, [steps, "inch"]) == worded_steps(steps, "inch") != steps


def test_a_button_that_was_pressed_stays_legible_under_the_pointer(look) -> None:
    """White on the tint of a hovered button was what one saw right after pressing it."""
    button = look.get_by_role("button", name="inch")
    button.click()
    button.hover()
    look.wait_for_timeout(100)
    style = button.evaluate("(it) => [getComputedStyle(it).color, getComputedStyle(it).backgroundColor]")
    dark = [sum(int(part) for part in re.findall(r"\d+", colour)[:3]) < 3 * 80 for colour in style]
    assert dark == [False, True]


def test_an_undecided_outcome_tells_its_probability_and_a_met_one_its_condition(at_desk, sit, measured: Path) -> None:
    result = json.loads((measured / "result.json").read_text())
    shared = {"source": "own", "quantity": "throat", "limit": 5.4, "unit": "mm", "lower": 5.4, "upper": None,
              "verified": "given", "own_limit": "5.4 mm", "own_allowed": "≥ 5.4 mm", "rule": "guarded"}  # fmt: skip
    result["results"][0]["welds"][0]["outcomes"] = [
        shared | {"criterion": "own a", "outcome": "undecided", "message": "5.4 mm lies inside", "probability": 0.731},
        shared
        | {"criterion": "own b", "outcome": "meets", "message": "5.41 mm; for equal walls", "probability": 0.9995},
    ]
    write_text(measured / "result.json", as_text(result))
    sat = sit(measured)
    text = at_desk(sat.port, sat.address).locator("body").inner_text()
    assert "undecided · at least 5.4 mm · P 73.1 %" in text
    assert "for equal walls" in text
    assert "P: probability that the true value conforms" in text


def test_names_from_outside_are_text(at_desk, sit, measured: Path) -> None:
    result = json.loads((measured / "result.json").read_text())
    hostile = "<img src=x onerror=alert(1)>.jpg"
    (measured / hostile).write_bytes((measured / "tee.jpg").read_bytes())
    entry = result["results"][0]
    entry["source"]["path"] = hostile
    entry["settings"]["operator"] = "<script>alert(2)</script>"
    entry["welds"][0]["flags"].append({"code": "x", "message": "<b onclick=alert(3)>&amp;</b>"})
    entry["welds"][0]["outcomes"] = [
        {
            "criterion": "<i>c</i>",
            "source": "</td>",
            "quantity": "throat",
            "limit": 4.0,
            "unit": "mm",
            "outcome": "<u>ok</u>",
        },
        {
            "criterion": "own burn-through",
            "source": "own",
            "quantity": "burn_through",
            "limit": None,
            "unit": "mm",
            "outcome": "not_assessed",
            "message": "no section measures it: look for it",
        },
    ]
    entry["welds"][0]["measurements"]["throat"]["label"] = "<svg onload=alert(4)>"
    result["tool"]["name"] = "javascript:alert(5)"
    entry["welds"][0]["outcomes"][0]["outcome"] = "undecided"
    write_text(measured / "result.json", as_text(result))
    sat = sit(measured)
    page = at_desk(sat.port, sat.address)
    dialogs = []
    page.on("dialog", lambda dialog: dialogs.append(dialog.message) or dialog.dismiss())
    text = page.locator("body").inner_text()
    for words in (
        hostile,
        "<script>alert(2)</script>",
        "<b onclick=alert(3)>&amp;</b>",
        "<svg onload=alert(4)>",
        "<i>c</i>",
        "own burn-through",
        "look for it",
    ):
        assert words in text, words
    page.wait_for_timeout(300)
    assert page.locator("img, script:not([src]), b[onclick], i").count() == 0
    assert (dialogs, page.troubles) == ([], [])


def test_a_share_claims_no_more_than_the_whole(at_desk, sit, measured: Path) -> None:
    result = json.loads((measured / "result.json").read_text())
    item = {"state": "measured", "value": 98.0, "unit": "percent", "expanded_uncertainty": 5.0, "coverage_factor": 2.0,
            "interval": [93.0, 100.0], "label": "share"}  # fmt: skip
    result["results"][0]["welds"][0]["measurements"]["sidewall_fusion_left"] = item
    write_text(measured / "result.json", as_text(result))
    sat = sit(measured)
    page = at_desk(sat.port, sat.address)
    assert "93.0–100.0" in page.locator('tr[data-quantity="sidewall_fusion_left"]').inner_text()
