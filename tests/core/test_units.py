"""Text to mm and back; what is refused, and with which hint."""

import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import UsageError
from core.units import inches_with_fraction, nearest_fraction, parse_length_mm, parse_signed_length_mm


@pytest.mark.parametrize(
    ("text", "value_mm"),
    [
        ("3 mm", 3.0),
        ("3mm", 3.0),
        ("0.02 mm", 0.02),
        (".5 mm", 0.5),
        ("1e-2 mm", 0.01),
        ("0.5 um", 0.0005),
        ("0.5 µm", 0.0005),
        ("0.5 μm", 0.0005),
        ("2 cm", 20.0),
        ("3/8 in", 9.525),
        ("1 1/16 in", 26.9875),
        ("1-1/16 in", 26.9875),
        ('1/4"', 6.35),
        ("1/4 inch", 6.35),
        ("5/16 in.", 7.9375),
        ("1/4''", 6.35),
        ("⅜ in", 9.525),
        ("1½ in", 38.1),
        ("1 ½″", 38.1),
        ("3⁄16 in", 4.7625),
        ("2 inches", 50.8),
        ("0.25in", 6.35),
        ("1 ft", 304.8),
        ("10 thou", 0.254),
        (" 50  mm ", 50.0),
        ("10 MM", 10.0),
        ("10 Mm", 10.0),
        ("1/4 IN", 6.35),
        ("0.25 Inch", 6.35),
    ],
)
def test_lengths_as_people_write_them(text: str, value_mm: float) -> None:
    """An inch has 25.4 mm (NIST SP 811, B.6); a thou is 1/1000 in, a foot 12 in."""
    assert parse_length_mm(text) == pytest.approx(value_mm, rel=1e-12)


@pytest.mark.parametrize("text", ["3", "0.02", "3/8", "1 1/16"])
def test_bare_number_is_refused_with_a_hint(text: str) -> None:
    with pytest.raises(UsageError, match=f'--scale needs a unit.*"{text} mm"'):
        parse_length_mm(text, name="--scale")


@pytest.mark.parametrize(
    "text",
    ["", "mm", "three mm", "nan mm", "inf mm", "-3 mm", "0 mm", "0/8 in", "3/0 in", "3 kg", "3 deg", "3 bananas",
     "3 mm mm", "3 mm**2", "3,5 mm", "1e999 mm", "3 mm; rm", "3 __import__('os')", "3 mm/mm", "1/2/3 in", "3 \n",
     "3 mm 4"],
)  # fmt: skip
def test_senseless_lengths_are_refused_in_one_line(text: str) -> None:
    with pytest.raises(UsageError) as error:
        parse_length_mm(text, name="--length")
    assert str(error.value).startswith("--length")
    assert "\n" not in str(error.value)


def test_offset_may_be_negative_or_zero() -> None:
    assert parse_signed_length_mm("-1.5 mm") == -1.5
    assert parse_signed_length_mm("0 mm") == 0.0
    assert parse_signed_length_mm("-1/8 in") == pytest.approx(-3.175)


@pytest.mark.parametrize(
    ("inches", "text"),
    [(0.0, "0"), (0.25, "1/4"), (0.2362, "15/64"), (1.0625, "1 1/16"), (0.999, "1"), (2.0, "2"), (0.007, "0"),
     (0.0079, "1/64"), (-0.25, "-1/4"), (-0.001, "0")],
)  # fmt: skip
def test_nearest_sixty_fourth(inches: float, text: str) -> None:
    assert nearest_fraction(inches) == text


def test_decimal_stands_beside_the_fraction() -> None:
    assert inches_with_fraction(6.0) == "0.236 in (15/64)"
    assert inches_with_fraction(25.4) == "1.000 in (1)"


@given(st.floats(0.02, 500.0))
def test_fraction_is_never_more_than_half_a_sixty_fourth_off(value_mm: float) -> None:
    text = nearest_fraction(value_mm / 25.4)
    back = 0.0 if text == "0" else parse_length_mm(f"{text} in")
    assert abs(back - value_mm) <= 25.4 / 128 + 1e-9


def test_common_units_need_no_unit_library() -> None:
    code = (
        "import sys; from core.units import parse_length_mm as p; p('3/8 in'); p('5 um'); print('pint' in sys.modules)"
    )
    assert subprocess.check_output([sys.executable, "-c", code], text=True).strip() == "False"


def test_a_decimal_comma_is_told_as_such() -> None:
    with pytest.raises(UsageError, match=r'--thickness: write decimals with a point, "9[.]5 mm", got'):
        parse_length_mm("9,5 mm", name="--thickness")


def test_a_comma_that_may_part_thousands_is_not_guessed_at() -> None:
    with pytest.raises(UsageError, match="decimals with a point and no sign between thousands, got '1,250 mm'"):
        parse_length_mm("1,250 mm", name="--thickness")
