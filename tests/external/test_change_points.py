"""A second opinion on peck boundaries: `ruptures` on the same curves.

Truong, Oudre and Vayatis (2020), Signal Processing 167:107299. Pelt finds, looking at the whole curve at
once, the changes of mean that pay their penalty; the monitor decides causally, hop by hop, and dates back.
Where the cut stands out of the noise both must find the same boundaries.
"""

import functools

import numpy as np
import pytest

from tests.drawn import setup

ruptures = pytest.importorskip("ruptures", reason="ruptures is not installed: pip install -e .[test]")

SEEDS = (5, 8, 13)
FRAME_LAG_S = 0.05  # a level is that of a 0.1 s frame, stamped by its newest sample
WITHIN_S = 0.15
"""Both date an edge on a curve of 50 ms hops of 100 ms frames."""

ENTRY_S = 0.8
"""At the first contact the cut grows while the drill's point enters, 1.8 mm at 2.25 mm/s: a model of steps
puts its change within the rise, the monitor dates the contact itself."""


@functools.cache
def curves(seed):
    """Time, cut level from the first contact's approach to the last retract, and the pecks heard."""
    known = setup(seed, snr_db=15.0)
    rendered = known.render()
    told = known.hear(rendered.x)
    pecks = rendered.truth.pecks
    t, level = told.curve("t"), told.curve("cut_level_db")
    inside = (t > pecks[0].contact_s - 0.6) & (t < pecks[-1].retract_s + 0.6)
    return t[inside], level[inside], told.pecks


def change_points(t, level):
    """Times at which the level changes by Pelt with the l2 cost.

    The penalty is that of the Bayesian information criterion: a mean and a place more each, in the variance
    of the differences between neighbours. Overlapping frames share half of their samples, and cuts waver by
    themselves: so ten times as much.
    """
    noise = np.median(np.abs(np.diff(level))) / (0.6745 * np.sqrt(2))
    algorithm = ruptures.Pelt(model="l2", min_size=6, jump=1).fit(level[:, None])
    ends = algorithm.predict(pen=10 * 2 * np.log(level.size) * noise**2)
    return np.array([t[end] - FRAME_LAG_S for end in ends[:-1]])


@pytest.mark.parametrize("seed", SEEDS)
def test_every_boundary_heard_is_a_change_point(seed):
    t, level, pecks = curves(seed)
    changes = change_points(t, level)
    edges = np.array([edge for peck in pecks for edge in (peck.start_s, peck.end_s)])
    assert edges.size >= 6
    later = changes[(changes > edges[0] - WITHIN_S) & (changes < edges[0] + ENTRY_S)]
    assert later.size
    apart = np.abs(edges[1:, None] - changes[None, :]).min(axis=1)
    assert apart.max() <= WITHIN_S


@pytest.mark.parametrize("seed", SEEDS)
def test_the_largest_change_points_are_the_boundaries_heard(seed):
    """Asked for as many changes as the pecks have edges, binary segmentation finds those edges."""
    t, level, pecks = curves(seed)
    edges = np.array([edge for peck in pecks for edge in (peck.start_s, peck.end_s)])
    ends = ruptures.Binseg(model="l2", min_size=6, jump=1).fit_predict(level[:, None], n_bkps=edges.size)
    changes = np.array([t[end] - FRAME_LAG_S for end in ends[:-1]])
    np.testing.assert_allclose(changes[1:], edges[1:], atol=WITHIN_S)
    assert edges[0] - WITHIN_S < changes[0] < edges[0] + ENTRY_S
