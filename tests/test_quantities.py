"""Quantities: both unit systems, their round trip, and one clear line for every slip of the pen."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import InputError
from monitor.quantities import (
    MM_PER_INCH,
    Dimension,
    format_feed,
    format_length,
    format_speed,
    parse_quantity,
)

LENGTH, SPEED, PER_REV, RATE, PERCENT, SAMPLE_RATE, SPACE, TIME, ANGLE, ACCELERATION, DROOP = Dimension


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("6 mm", LENGTH, 6.0),
        ("6mm", LENGTH, 6.0),
        ("  6   MM ", LENGTH, 6.0),
        ("6\u00a0mm", LENGTH, 6.0),  # no-break space
        ("6\u202fmm", LENGTH, 6.0),  # narrow no-break space
        ("11 cm", LENGTH, 110.0),
        (".5 in", LENGTH, 12.7),
        ("1/4 in", LENGTH, 6.35),
        ("200 ms", TIME, 0.2),
        ("118 deg", ANGLE, 118.0),
        ("118°", ANGLE, 118.0),
        ("200 mm/s^2", ACCELERATION, 200.0),
        ("10 in/s2", ACCELERATION, 254.0),
        ("150 rpm/N m", DROOP, 150.0),
        ("1 1/4 in", LENGTH, 31.75),
        ("1-1/4 inches", LENGTH, 31.75),
        ('0.25"', LENGTH, 6.35),
        ("800 rpm", SPEED, 800.0),
        ("8e2 rev/min", SPEED, 800.0),
        ("0.08 mm/rev", PER_REV, 0.08),
        ("0.003 in / rev", PER_REV, 0.0762),
        ("0.003 ipr", PER_REV, 0.0762),
        ("2.5 in/min", RATE, 63.5),
        ("60 mm/min", RATE, 60.0),
        ("4 %", PERCENT, 4.0),
        ("4%", PERCENT, 4.0),
        ("44.1 kHz", SAMPLE_RATE, 44100.0),
        ("16000 Hz", SAMPLE_RATE, 16000.0),
        ("8 GB", SPACE, 8e9),
        ("500 MB", SPACE, 5e8),
    ],
)
def test_what_people_write(text, dimension, value):
    assert parse_quantity(text, dimension).value == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "dimension", "line"),
    [
        ("6", LENGTH, '"6" has no unit; write "6 mm" or "0.236 in"'),
        ("0.25", LENGTH, '"0.25" has no unit; write "0.25 in" or "6.35 mm"'),
        (6, LENGTH, '6 has no unit; write "6 mm" or "0.236 in", in quotes'),
        (800, SPEED, '800 has no unit; write "800 rpm", in quotes'),
        (math.nan, LENGTH, 'nan has no unit; write "6 mm" or "0.236 in", in quotes'),
        (10**400, LENGTH, f'1{"0" * 56}... has no unit; write "6 mm" or "0.236 in", in quotes'),
        (
            f"{'9' * 5000}/7 in",
            LENGTH,
            f'"{"9" * 57}..." divides by zero or is far too large; write a number',
        ),
        (True, LENGTH, 'True is not a length; write "6 mm" or "0.236 in"'),
        (["6 mm"], LENGTH, '[\'6 mm\'] is not a length; write "6 mm" or "0.236 in"'),
        ("", LENGTH, '"" is empty; write "6 mm" or "0.236 in"'),
        ("nan mm", LENGTH, '"nan mm" does not start with a number; write "6 mm" or "0.236 in"'),
        ("½ in", LENGTH, '"½ in" does not start with a number; write "6 mm" or "0.236 in"'),
        ("٦ mm", LENGTH, '"٦ mm" does not start with a number; write "6 mm" or "0.236 in"'),
        ("6,5 mm", LENGTH, '"6,5 mm" has a comma; write "6.5 mm"'),
        ("1,000 rpm", SPEED, '"1,000 rpm" has a comma; write "1000 rpm" or "1.000 rpm"'),
        ("1,000,000 rpm", SPEED, '"1,000,000 rpm" has a comma; write one number with a point, "800 rpm"'),
        ("6 ft", LENGTH, '"6 ft" has the unknown unit "ft"; write a length like "6 mm" or "0.236 in"'),
        (
            "6 mm mm",
            LENGTH,
            '"6 mm mm" has the unknown unit "mm mm"; write a length like "6 mm" or "0.236 in"',
        ),
        ("800 rpm", LENGTH, '"800 rpm" is a speed; a length is needed, like "6 mm" or "0.236 in"'),
        ("-6 mm", LENGTH, '"-6 mm" is not more than zero; write "6 mm" or "0.236 in"'),
        ("0 mm", LENGTH, '"0 mm" is not more than zero; write "6 mm" or "0.236 in"'),
        ("-1/4 in", LENGTH, '"-1/4 in" is not more than zero; write "6 mm" or "0.236 in"'),
        ("1/0 in", LENGTH, '"1/0 in" divides by zero or is far too large; write a number'),
        ("1e999 mm", LENGTH, '"1e999 mm" is out of range for a length: 0.01 to 10000 mm'),
        ("500 in", LENGTH, '"500 in" is out of range for a length: 0.0003937 to 393.7 in'),
        ("5 MB", SPACE, '"5 MB" is out of range for a space on a disk: 10 to 1000000000 MB'),
        ("101 %", PERCENT, '"101 %" is out of range for a percentage: 0.01 to 100 %'),
    ],
)
def test_every_slip_gets_one_clear_line(text, dimension, line):
    with pytest.raises(InputError) as caught:
        parse_quantity(text, dimension)
    assert str(caught.value) == line


def test_either_of_two_dimensions_is_taken_and_both_are_named():
    assert parse_quantity("2.5 in/min", PER_REV, RATE).dimension is RATE
    with pytest.raises(InputError, match="a feed per revolution or a feed rate is needed"):
        parse_quantity("800 rpm", PER_REV, RATE)


def value_or_line(text: str, dimension: Dimension) -> float | str:
    try:
        return parse_quantity(text, dimension).value
    except InputError as error:
        return str(error)


NEAR_MISSES = st.from_regex(r"[0-9]{0,3}[./ ,e+-]{0,2}[0-9]{1,3} ?(mm|in|rpm|%|)", fullmatch=True)


@given(st.one_of(st.text(max_size=200), NEAR_MISSES), st.sampled_from(Dimension))
def test_any_text_gives_a_usable_value_or_one_short_line(text, dimension):
    result = value_or_line(text, dimension)
    if isinstance(result, str):
        assert result.isprintable()
        assert len(result) < 300
    else:
        assert dimension.value.smallest * 0.99 <= result <= dimension.value.largest * 1.01


LENGTHS_MM = st.floats(min_value=0.02, max_value=9000.0)


@given(LENGTHS_MM)
def test_inch_and_metric_are_the_same_length(mm):
    in_mm = parse_quantity(f"{mm!r} mm", LENGTH)
    in_inches = parse_quantity(f"{mm / MM_PER_INCH!r} in", LENGTH)
    assert in_inches.value == pytest.approx(in_mm.value, rel=1e-12)
    assert in_inches.inches
    assert not in_mm.inches


@given(LENGTHS_MM, st.sampled_from(["mm", "in"]))
def test_a_length_given_back_reads_as_the_same_length(mm, units):
    step = 0.01 if units == "mm" else 0.001 * MM_PER_INCH
    assert parse_quantity(format_length(mm, units), LENGTH).value == pytest.approx(
        mm, rel=0.005, abs=step / 2
    )


@given(st.floats(min_value=1e-3, max_value=10.0), st.sampled_from(["mm", "in"]))
def test_a_feed_given_back_reads_as_the_same_feed(feed, units):
    assert parse_quantity(format_feed(feed, units), PER_REV).value == pytest.approx(feed, rel=0.005)


@given(st.floats(min_value=1.0, max_value=100_000.0))
def test_a_speed_given_back_reads_as_the_same_speed(rpm):
    assert parse_quantity(format_speed(rpm), SPEED).value == pytest.approx(rpm, rel=0.005)
