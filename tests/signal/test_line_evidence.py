"""What a spectrum says of a speed whose lines fall on tones that are there while the spindle stands too."""

import numpy as np
import pytest

from monitor.baseline import BASELINE_VERSION, Baseline, Line, LineClass
from monitor.signal.line_choice import choose_lines
from monitor.signal.line_evidence import LineEvidence, spectrum_steps
from monitor.signal.spectrum import spectrum_geometry

GEOMETRY = spectrum_geometry(48_000, 4800, 6000.0)
SPEED_HZ, ORDER, TONE_HZ = 20.0, 30.0, 500.0
FLOOR_DB, LINE_DB, TONE_DB = -100.0, -50.0, -75.0


def a_line(kind, order, hz, level_db):
    return Line(kind, order, hz, (level_db,), (level_db - FLOOR_DB,), 0.9)


def a_baseline(line_db):
    """One line and one tone in white noise."""
    return Baseline(
        version=BASELINE_VERSION,
        created="",
        sample_rate_hz=48_000.0,
        speeds_rpm=(60 * SPEED_HZ,),
        heard_ratio=(1.0,),
        level_dbfs=(-30.0,),
        floor_hz=(50.0, 6000.0),
        floor_dbfs_hz=((FLOOR_DB, FLOOR_DB),),
        lines=(
            a_line(LineClass.ORDER, ORDER, ORDER * SPEED_HZ, line_db),
            a_line(LineClass.FIXED, np.nan, TONE_HZ, TONE_DB),
        ),
        wander=0.001,
        confidence=0.9,
    )


GRID_HZ = np.array([TONE_HZ / ORDER, SPEED_HZ])  # the slower one puts its line on the tone


def score_on_the_tone(over_tone_db, line_db=LINE_DB, gain_db=0.0):
    """Evidence of the slower speed where the bin holds so much over what the tone was learned with.

    ``gain_db``: of the microphone, by which all the rest is louder.
    """
    baseline = a_baseline(line_db)
    lines = choose_lines(baseline, baseline.speeds_rpm, GEOMETRY, 6000.0)
    evidence = LineEvidence(baseline, lines, baseline.speeds_rpm, GRID_HZ, GEOMETRY)
    floor = np.full((1, GEOMETRY.n_bins), FLOOR_DB + gain_db, np.float32)
    density = floor.copy()
    density[:, round(TONE_HZ / GEOMETRY.bin_hz)] = TONE_DB - 10 * np.log10(GEOMETRY.enbw_hz) + over_tone_db
    return float(evidence.scores(spectrum_steps(density, floor, evidence.tones))[0, 0])


@pytest.mark.parametrize("over_tone_db", [10.0, 15.0, 25.0, 40.0])
def test_a_tone_is_no_evidence_of_turning_at_any_strength(over_tone_db):
    assert score_on_the_tone(over_tone_db) == 0.0


@pytest.mark.parametrize("over_tone_db", [-25.0, -5.0, 0.0])
def test_a_line_that_should_stand_over_the_tone_is_missed_where_only_the_tone_is(over_tone_db):
    assert score_on_the_tone(over_tone_db) < -1.0


def test_a_line_that_the_tone_hides_is_not_missed():
    assert score_on_the_tone(0.0, line_db=TONE_DB - 10.0) == 0.0


def test_nor_where_a_microphone_turned_down_has_tone_and_line_weaker():
    line_over_tone_db = LINE_DB - TONE_DB
    assert score_on_the_tone(line_over_tone_db - 12.0, gain_db=-12.0) == 0.0
