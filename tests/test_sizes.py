"""Sizes as lists write them: read once, or refused by name."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.errors import UnitError
from planner.inputs.sizes import read_size


@pytest.mark.parametrize(
    ("text", "dn_mm"),
    [
        ("DN 200", 200.0),
        ("DN200", 200.0),
        ("dn 200 mm", 200.0),
        ("200", 200.0),
        ("200.0", 200.0),
        (" 200 mm ", 200.0),
        ('8"', 203.2),  # 8 x 25.4
        ("8''", 203.2),
        ("8\u2033", 203.2),
        ("12 in", 304.8),
        ("15in", 381.0),
        ("2'-6\"", 762.0),  # 30 x 25.4
        ("2' 6\"", 762.0),
        ("2'6\"", 762.0),
        ("3'", 914.4),
        ("0.833333 ft", 254.0),  # 10 in
        ("0,225 m", 225.0),
        ("0,3 m", 300.0),
        ("22,5 cm", 225.0),
        ("0.225 m", 225.0),
        ("\u00d8150", 150.0),
        ("\u2300 150 mm", 150.0),
        ("6.0e2", 600.0),
        ("1,050", 1050.0),  # 1.05 mm is no sewer, so one reading is left
    ],
)
def test_one_number_is_a_round_pipe(text: str, dn_mm: float):
    """Nominal, inches, feet and inches, metres with either decimal sign."""
    size = read_size(text)
    assert size.dn_mm == dn_mm
    assert (size.height_mm, size.width_mm) == (dn_mm, dn_mm)
    assert (size.shape, size.reason) == ("circular", "")


@pytest.mark.parametrize(
    ("text", "wide", "high"),
    [
        ("2'-6\" x 3'-9\"", 762.0, 1143.0),  # 30 and 45 inches
        ("2' x 3'", 609.6, 914.4),
        ("2'-0\" X 3'-0\"", 609.6, 914.4),
        ("300x450", 300.0, 450.0),
        ("300 \u00d7 450 mm", 300.0, 450.0),
        ("0,3 x 0,45 m", 300.0, 450.0),
        ("600x400", 600.0, 400.0),
        ("300x300", 300.0, 300.0),
    ],
)
def test_two_numbers_are_not_a_round_pipe(text: str, wide: float, high: float):
    """Width first; both are kept, no nominal size is made of them."""
    size = read_size(text)
    assert (size.width_mm, size.height_mm, size.shape) == (wide, high, "other")
    assert math.isnan(size.dn_mm)
    assert size.reason == ""


@pytest.mark.parametrize(
    "text",
    ["-300", "300x450x2", "300x", "x", "big", "2'-13\"", "8 x",
     "1.200.300", "200 km", "DN", "=1+1", "<b>200</b>", "8 10", "2'-6\" x"],
)  # fmt: skip
def test_what_cannot_be_read_is_refused_by_name(text: str):
    """No number comes out, and the text stands in the reason."""
    size = read_size(text)
    assert size.shape == "unknown"
    assert all(math.isnan(value) for value in (size.dn_mm, size.width_mm, size.height_mm))
    assert f"'{text}'" in size.reason


@pytest.mark.parametrize("text", ["", "  ", "-", "0", "UNK", "unknown", "XXX", "nan", "none", "?"])
def test_no_size_is_said_as_such(text: str):
    """Blank words and 0 are a missing size, not a strange one."""
    assert read_size(text).reason == "no size given"


def test_a_figure_in_the_wrong_unit_is_refused():
    """8 without a unit is 8 mm, which no sewer is; in inches it is a sewer."""
    assert "would be 8 mm, which no sewer is" in read_size("8").reason
    assert read_size("8", "in").dn_mm == 203.2
    assert "is the unit right" in read_size("500", "in").reason
    assert read_size("0.45", "m").dn_mm == 450.0
    assert read_size("0.666667", "ft").dn_mm == 203.2


def test_a_written_unit_outranks_the_files():
    """The column is in inches, this one cell in millimetres."""
    assert read_size("200 mm", "in").dn_mm == 200.0
    assert read_size("DN 200", "in").dn_mm == 200.0


def test_a_comma_before_three_digits_has_one_reading_that_is_a_sewer():
    """The two readings are a factor of 1000 apart, and sewers only of 250."""
    assert read_size("1,200 m").dn_mm == 1200.0
    # 1.2 cm is no sewer, 1200 cm = 12 m is none either: no reading is left.
    assert "no sewer" in read_size("1,200 cm").reason
    # 12.192 x 304.8 = 3716.1 mm is one; 12192 ft is none.
    assert read_size("12,192", "ft").dn_mm == 3716.1


def test_an_unknown_unit_of_the_file_is_an_error():
    """It comes from planner.toml, so it stops."""
    with pytest.raises(UnitError):
        read_size("200", "furlong_of_doubt")


@given(st.integers(40, 10_000))
def test_every_whole_nominal_size_comes_back(nominal: int):
    """Whatever the spelling, the same figure."""
    for text in (f"DN {nominal}", f"DN{nominal}", str(nominal), f"{nominal} mm", f"{nominal}.0"):
        assert read_size(text).dn_mm == nominal


@given(st.integers(1, 20), st.integers(0, 11))
def test_feet_and_inches_add_up(feet: int, inches: int):
    """Twelve inches to the foot, 25.4 mm to the inch, to the tenth of a millimetre."""
    wanted = round((12 * feet + inches) * 25.4, 1)
    assert read_size(f"{feet}'-{inches}\"").dn_mm == pytest.approx(wanted)


@given(st.text(max_size=30))
def test_any_text_gives_a_figure_or_a_reason(text: str):
    """Never both, never neither, never an error."""
    size = read_size(text)
    known = size.height_mm > 0 and size.width_mm > 0
    assert known != bool(size.reason)


@pytest.mark.parametrize("text", ["Ei 300/450", "0.45/0.30 EGG", "450 x 300 egg", "egg 300x450 mm"])
def test_an_egg_is_higher_than_wide_whatever_comes_first(text: str):
    size = read_size(text)
    assert (size.shape, size.width_mm, size.height_mm, size.reason) == ("egg", 300.0, 450.0, "")


@pytest.mark.parametrize("text", ["est 15in", "15in est.", "~15 in", "approx. 15 inches"])
def test_an_estimate_stays_marked_as_one(text: str):
    size = read_size(text)
    assert (size.dn_mm, size.estimated) == (381.0, True)
    assert not read_size("15in").estimated


@pytest.mark.parametrize("text", ['8/10"', "200/250", "DN 300/450", '8"/10"'])
def test_two_sizes_of_one_pipe_are_none(text: str):
    size = read_size(text)
    assert math.isnan(size.dn_mm)
    assert "names two sizes" in size.reason
    assert f"'{text}'" in size.reason


def test_two_figures_leave_open_which_is_the_width():
    assert "does not say" in read_size("600x400").note
    assert read_size("400x400").note == ""
