"""Drill wear: the trend of like pecks, whatever the schedule, and no trend from too little."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dashboard.wear import wear
from monitor.measurements import PeckRow

NAN = float("nan")


def row(blank: int, peck: int, sag: float, worst: str = "") -> PeckRow:
    return PeckRow(blank, peck, 0.0, 1.0, 0.0, 6.0, sag, sag, NAN, 9.0, 0.4, worst)


def drilled(
    blanks: int, per_blank: float, noise: float = 0.0, pecks: tuple[float, ...] = (1.0, 1.5, 2.0)
) -> list[PeckRow]:
    rng = np.random.default_rng(3)
    return [
        row(blank, peck + 1, sag * (1 + per_blank * (blank - (blanks + 1) / 2)) * (1 + rng.normal(0, noise)))
        for blank in range(1, blanks + 1)
        for peck, sag in enumerate(pecks)
    ]


def test_an_even_rise_is_found_exactly_and_depth_cancels() -> None:
    found = wear(drilled(11, 0.02))
    assert found.per_blank == pytest.approx(0.02)
    assert found.rises
    assert found.blanks == tuple(range(1, 12))
    assert found.load[5] == pytest.approx(1.0)


def test_a_sharp_drill_shows_no_sure_rise() -> None:
    rose = [wear(drilled(12, 0.0, noise=0.1)).rises]
    assert rose == [False]


def test_one_odd_blank_makes_no_trend() -> None:
    pecks = drilled(12, 0.0)
    odd = [row(12, p.peck, 5 * p.mean_sag_pct) if p.blank == 12 else p for p in pecks]
    assert wear(odd).per_blank == pytest.approx(0.0, abs=1e-9)


def test_what_went_wrong_or_is_not_known_is_left_out() -> None:
    pecks = [*drilled(6, 0.0), row(7, 1, 9.0, "sag"), row(7, 2, NAN)]
    assert wear(pecks).blanks == (1, 2, 3, 4, 5, 6)


@pytest.mark.parametrize("blanks", [0, 1, 3])
def test_too_few_blanks_tell_no_trend(blanks: int) -> None:
    found = wear(drilled(blanks, 0.1))
    assert math.isnan(found.per_blank)
    assert not found.rises


def test_a_sag_that_drowns_in_the_wander_says_nothing() -> None:
    assert wear(drilled(6, 0.0, pecks=(0.1, 0.05))).blanks == ()
