"""The summary of a seam on the screen."""

import pytest
from rich.console import Console

from cli.seam_table import _places


@pytest.mark.parametrize(("units", "shown"), [("metric", "0.700 ± 0.003 mm"), ("inch", "0.02756 ± 0.00012 in")])
def test_a_small_uncertainty_of_the_worst_place_never_reads_as_none(units: str, shown: str) -> None:
    console = Console(width=120)
    worst = {
        "position_mm": 8.0,
        "quantity": "undercut_right",
        "value": 0.7,
        "expanded_uncertainty": 0.003,
        "unit": "mm",
    }
    with console.capture() as captured:
        _places(console, {"gaps": [], "worst": worst | {"why": "deepest undercut"}}, units)
    assert shown in captured.get()
