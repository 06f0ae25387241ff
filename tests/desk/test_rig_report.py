"""The report picture of a rig: what does not serve is named in it."""

from desk.rig_report import MOST_LEFT_OUT, left_out_text


def test_pictures_left_out_are_named_with_the_reason_alone() -> None:
    text = left_out_text(
        [("stripes/pose6.jpg", "no laser line is seen in the frame: check the laser"), ("pose4.jpg", "off")]
    )
    assert text.splitlines() == [
        "Left out (2):",
        "  stripes/pose6.jpg: no laser line is seen in the frame",
        "  pose4.jpg: off",
    ]


def test_that_none_was_left_out_is_said() -> None:
    assert left_out_text([]) == "No picture was left out."


def test_many_are_counted_and_long_names_cut() -> None:
    lines = left_out_text([(f"{number}{'x' * 200}", "y" * 500) for number in range(30)]).splitlines()
    assert lines[0] == "Left out (30):"
    assert len(lines) == MOST_LEFT_OUT + 2
    assert lines[-1] == f"  and {30 - MOST_LEFT_OUT} more: the calibration file names them all"
    assert max(map(len, lines)) < 160
