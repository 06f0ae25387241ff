"""Labels of values in a drawing's legend say which side they belong to, also when the other side has none."""

from desk.legend_text import shortened, wrapped


def test_a_right_value_is_labelled_by_its_side_only_after_its_left_one() -> None:
    both = [("toe angle L", "120°"), ("toe angle R", "130°"), ("undercut R", "0.40")]
    assert shortened(both) == ["toe angle L 120°", "R 130°", "undercut R 0.40"]


def test_a_label_and_its_value_stay_on_one_line() -> None:
    lines = wrapped("Weld 1, tee", ["joint angle 90.0°", "undercut left-over 0.40", "size 6.00"], 30)
    assert all(len(line) <= 30 for line in lines)
    assert any("joint angle 90.0°" in line for line in lines)
    assert any("undercut left-over 0.40" in line for line in lines)
