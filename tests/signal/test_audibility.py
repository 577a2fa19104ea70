"""How many lines are heard, and through how loud a cut, from a hand-made baseline."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from monitor.baseline import Baseline, Line, LineClass
from monitor.signal.audibility import audibility

FS = 48_000.0
FLOOR_DB = -80.0  # per Hz, at all frequencies


def baseline(*over_db: float) -> Baseline:
    """Lines 400 Hz apart at 900 rpm, each by so much over the noise in a Hann bin of 15 Hz."""
    lines = tuple(
        Line(LineClass.ORDER, 30.0 * k, 450.0 * k, (FLOOR_DB + 11.8 + db,), (11.8 + db,), 0.99)
        for k, db in enumerate(over_db, start=1)
    )
    return Baseline(
        1, "", FS, (900.0,), (1.0,), (-30.0,), (50.0, 20_000.0), ((FLOOR_DB, FLOOR_DB),), lines, 0.002, 0.9
    )


def test_lines_that_stand_out_of_the_noise_are_counted() -> None:
    assert audibility(baseline(20, 20, 3, 12), (900.0,), FS).lines == 3
    assert audibility(baseline(), (900.0,), FS).lines == 0


def test_a_line_on_a_fixed_tone_tells_nothing() -> None:
    heard = baseline(20, 20, 20)
    hum = Line(LineClass.FIXED, math.nan, 455.0, (-50.0,), (30.0,), 0.99)
    assert audibility(replace(heard, lines=(*heard.lines, hum)), (900.0,), FS).lines == 2


@pytest.mark.parametrize("louder_db", [4, 10])
def test_louder_lines_stand_out_of_as_much_louder_noise(louder_db: float) -> None:
    quiet, loud = ((12.0 + db,) * 5 for db in (0.0, louder_db))
    reserve_db = audibility(baseline(*quiet), (900.0,), FS).reserve_db
    assert 0 < reserve_db < 20
    assert audibility(baseline(*loud), (900.0,), FS).reserve_db == pytest.approx(
        reserve_db + louder_db, abs=2
    )


def test_more_lines_are_heard_through_louder_noise() -> None:
    few, many = (audibility(baseline(*(18.0,) * n), (900.0,), FS).reserve_db for n in (3, 8))
    assert many > few + 3


def test_lines_that_are_drowned_already_have_no_reserve() -> None:
    assert math.isnan(audibility(baseline(-6, -6), (900.0,), FS).reserve_db)
    assert math.isnan(audibility(baseline(), (900.0,), FS).reserve_db)
