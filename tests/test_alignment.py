"""Where in its program the machine is, from stretches of sound that are the program's or another's."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.alignment import EDGE_SD_S, Run, zero_of

INTO_S, OUT_S = (0.0, 6.0, 10.5, 15.2), (4.4, 9.0, 13.0, 17.5)


def zero(*runs, now_s, since_s=90.0):
    return zero_of(INTO_S, OUT_S, [Run(*run) for run in runs], since_s, now_s)


def test_the_first_contact_of_a_clean_blank_is_known_as_it_comes():
    assert zero((100.0, math.inf), now_s=100.3) == pytest.approx(100.0)


def test_a_sound_that_began_before_the_contact_is_known_by_the_end_of_the_cut():
    assert zero((97.2, 104.4), now_s=104.8) == pytest.approx(100.0)


def test_a_touch_too_short_for_the_peck_begins_no_program():
    assert math.isnan(zero((100.0, 101.0), now_s=101.5))


def test_the_program_is_found_after_a_touch():
    assert zero((96.0, 97.0), (100.0, 104.4), (106.0, math.inf), now_s=106.3) == pytest.approx(100.0)


def test_pecks_run_together_do_not_move_it():
    assert zero((100.0, 104.4), (106.0, 113.0), now_s=113.3) == pytest.approx(100.0)


def test_nothing_is_known_of_a_program_that_began_before_the_spindle():
    assert math.isnan(zero((100.0, math.inf), now_s=100.3, since_s=100.2))


def test_without_a_program_or_a_sound_there_is_nothing():
    assert math.isnan(zero_of((), (), [Run(1.0, 2.0)], 0.0, 3.0))
    assert math.isnan(zero(now_s=100.0))


@given(st.floats(0, 1000), st.integers(1, 4), st.lists(st.floats(-0.08, 0.08), min_size=8, max_size=8))
def test_pecks_dated_to_a_hop_date_the_program_as_well(at_s, heard, off):
    runs = [
        Run(at_s + into + off[2 * k], at_s + out + off[2 * k + 1])
        for k, (into, out) in enumerate(zip(INTO_S[:heard], OUT_S[:heard], strict=True))
    ]
    found = zero_of(INTO_S, OUT_S, runs, at_s - 5.0, runs[-1].end_s + 0.3)
    assert found == pytest.approx(at_s, abs=EDGE_SD_S)
