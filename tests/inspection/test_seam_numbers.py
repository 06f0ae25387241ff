"""Numbers in the names of a seam's files."""

import pytest

from inspection.seam_numbers import told_of_numbers


def names(*numbers: int, text: str = "frame{:04d}.png") -> list[str]:
    return [text.format(number) for number in numbers]


def test_numbers_that_are_left_out_are_told() -> None:
    (note,) = told_of_numbers(names(*range(1, 12), *range(14, 40)))
    assert note.startswith("2 of the numbers in the names left out (frame0011.png is followed by frame0014.png)")


def test_steps_of_ten_count_as_well() -> None:
    (note,) = told_of_numbers(names(*range(0, 120, 10), *range(130, 300, 10), text="p{}mm.csv"))
    assert note.startswith("1 of the numbers")


def test_a_number_that_is_there_twice_is_told() -> None:
    (note,) = told_of_numbers([*names(*range(1, 9)), "frame0008.jpg", *names(*range(9, 20))])
    assert "there twice (frame0008.png and frame0008.jpg)" in note


@pytest.mark.parametrize(
    "some",
    [
        names(*range(1, 30)),
        names(*range(8, 120)),
        names(*range(95, 105), text="f{}.png"),
        names(1, 2, 4),
        names(101500, 101503, 101504, 101506, 101509, 101512),  # times of day
        ["a.csv", "b.csv", "c.csv", "d.csv", "e.csv", "g.csv"],
        [*names(1, 2, 3), *names(1, 2, 3, 5, text="other{}.png")],
    ],
)
def test_names_that_count_on_or_do_not_count_say_nothing(some: list[str]) -> None:
    assert told_of_numbers(some) == ()
