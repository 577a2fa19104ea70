"""How a line came and grows: what feeds itself rises straight, out of less, and stands when it is told."""

import numpy as np
import pytest

from monitor.faults.chatter_growth import PAST_HOPS, grew_straight, is_straight, rises_steadily
from monitor.faults.chatter_line import Line
from monitor.signal.tones import tones_of

BINS = slice(2, 5)


def heard(levels_db):
    """Spectra in which a line stands so many dB over a floor of 1."""
    newest = np.ones((len(levels_db), 8), np.float32)
    newest[:, 3] = 10 ** (np.asarray(levels_db) / 10)
    return list(tones_of(newest, newest, np.ones_like(newest)))


RISE = [10.0, 11.1, 11.9, 13.1, 13.9, 15.1, 16.0, 17.0]


@pytest.mark.parametrize(("before_db", "straight"), [(4.0, True), (9.5, True), (14.5, False)])
def test_a_rise_out_of_a_dip_of_what_was_as_strong_before_is_none(before_db, straight):
    past = heard([before_db] * 9 + RISE[:-1])
    assert len(past) == PAST_HOPS
    assert is_straight([(db, db) for db in RISE], past, BINS) is straight
    assert grew_straight(heard([before_db] * 8 + RISE), BINS) is straight


@pytest.mark.parametrize("seconds", [0.75, 1.4])
def test_what_comes_at_once_or_with_the_time_rises_less_and_less(seconds):
    u = np.linspace(0.0, 1.0, round(seconds / 0.05))
    assert rises_steadily((8.0 + 10.0 * u).tolist(), 4.0)
    assert not rises_steadily(np.where(u < 0.3, 8.0, 18.0).tolist(), 4.0)
    assert not rises_steadily((18.0 + 20 * np.log10(np.minimum(0.2 + u, 0.8))).tolist(), 4.0)
    assert not rises_steadily((8.0 + 3.0 * u).tolist(), 4.0)


def test_a_line_that_is_gone_from_the_newest_spectra_stands_no_more():
    line = Line(1320.0, 1.0, inside=True)
    assert not line.still_stands
    for hops, db, stands in ((5, 18.0, True), (3, 2.0, False)):
        for _ in range(hops):
            line.take_spectrum((3, [1.0, 2.0, 1.0], 10.0), db, db)
        assert line.still_stands is stands
