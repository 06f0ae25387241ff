"""The plot of a study: what people and gauge take of a tolerance can be read beside what the parts take."""

import numpy as np
import pytest

import desk.study_plot as plot
from inspection.study import study_by_variance
from inspection.study_design import Design


@pytest.mark.parametrize("operators", [1, 3])
def test_parts_far_beyond_a_tolerance_press_no_bar_flat(operators: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Parts that vary by seven tolerances left a tenth of the sheet to all that the study is about."""
    generator = np.random.default_rng(5)
    values = np.arange(8)[:, None, None] * 0.5 + 5 + generator.normal(0, 0.1, (8, operators, 3))
    design = Design(tuple("12345678"), tuple("ABC"[:operators]), values, "mm")
    found = study_by_variance(design)
    kept = []
    monkeypatch.setattr(plot, "as_file", lambda figure, kind: kept.append(figure) or b"")
    plot.study_plot(design, found, tolerance=1.0)
    axes = kept[0].axes[1]
    assert 100 * found.share_of("PV", 1.0) > 5 * axes.get_xlim()[1]
    assert 100 * found.share_of("GRR", 1.0) > 0.25 * axes.get_xlim()[1]
    told = [text.get_text() for text in axes.texts]
    assert f"{100 * found.share_of('PV', 1.0):.1f} »" in told
    assert f"{100 * found.share_of('GRR', 1.0):.1f}" in told
