"""What the cut itself adds to the spectrum, bin by bin: resonances of the machine that the chips strike.

The noise floor is read in bands of 160 Hz, with straight lines between. A frame, a chuck or a tool rings
where it is struck: with a damping of 1 to 4 % of critical, usual of bolted iron (common practice, no
published source), a mode of 1 kHz is 20 to 80 Hz wide, and stands 10 to 15 dB over such a floor for as long
as chips break. It is there at every speed of the spindle, and only in cuts, so that the baseline, learned
running free, knows nothing of it. Taken for noise of the floor's level it passes for a line of whatever
speed would put one there. So how the power of good cuts lies over the floor is learned: the mean in each
bin, from where the floor stands over the idle machine's as a cut's does (other broadband sound teaches too),
the speed is sure and as usual, and none of the machine's lines is. To the floor it is added again, as far as
that is not the idle machine's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

LOUD = 0.75
"""Share of the floor that is not the idle machine's, from which on its colour is the cut's: 6 dB over it."""

PRIOR_HOPS = 20.0
"""Hops that a flat colour counts as: a second, in which some ten frames have nothing in common."""

MEMORY_HOPS = 600.0
"""Newest hops that are kept: half a minute of cuts. The tool goes deeper, and its modes change with it."""

FADES = 0.99
"""Of what was learned is left after each `update`, some 5 s, whatever is heard: where it were wrong enough to
hide the lines no speed would be sure, and nothing new learned. In half an hour of that it is forgotten."""

MOST_RATIO = 100.0
"""Power over the floor that counts at most, 20 dB: one call of another tone is no mode of the machine."""

SLIGHT = 1.5
"""Of the floor's power, that is no mode: rooms comb the sound of a cut by 2 or 3 dB within a band (judged),
and chips do not break evenly. From 4 dB over the floor on, a power of 2.5, it counts."""

SPREAD_BINS = 3
"""Bins to either side of one that are taken together, falling off evenly: a Hann frame's main lobe shows no
finer, and beside a line of the machine they tell what lies under it."""


class CutColour:
    """How far the sound of good cuts lies over its floor, bin by bin; the same however hops are grouped.

    Parameters
    ----------
    idle_db : shape (n_bins,)
        Noise density of the machine running free, dB.
    """

    def __init__(self, idle_db: NDArray[np.float64]) -> None:
        self._idle = np.power(10, idle_db / 10).astype(np.float32)
        self._over = np.ones(idle_db.size, np.float32)  # mean power over the floor, less `SLIGHT`
        self._sum = np.zeros((2, idle_db.size), np.float32)  # of power over the floor, and of hops
        self._raised = np.zeros(0, np.intp)  # bins whose colour is not flat
        self._gain = np.float32(1.0)

    def set_gain(self, gain_db: float) -> None:
        """What is heard from now on is so much louder than the baseline."""
        self._gain = np.float32(10 ** (gain_db / 10))

    def of_cut(self, per_floor: NDArray[np.float32]) -> NDArray[np.float32]:
        """Share of the floor that is not the idle machine's, 0 to 1; ``per_floor``: 1 over its density, shape
        (n_hops, n_bins)."""
        share = per_floor * -(self._idle * self._gain)
        share += 1
        told: NDArray[np.float32] = share.clip(0, 1, out=share)
        return told

    def add(self, floor_db: NDArray[np.float32], of_cut: NDArray[np.float32]) -> NDArray[np.float32]:
        """Such a floor with the colour of the cut; the same array where none is known."""
        if not self._raised.size:
            return floor_db
        more = of_cut.take(self._raised, axis=1)  # few bins have a mode
        more *= self._over[self._raised] - 1
        np.log1p(more, out=more)
        more *= np.float32(10 / np.log(10))
        coloured_db = floor_db.copy()
        coloured_db[:, self._raised] += more
        return coloured_db

    def learn(
        self, over: NDArray[np.float32], of_cut: NDArray[np.float32], between: NDArray[np.bool_]
    ) -> None:
        """Hops whose speed is sure: power over the floor, the floor's share, and where no line is."""
        told = between & (of_cut > LOUD)
        if not told.any():
            return
        counted = np.empty((len(told) + 1, *self._sum.shape), np.float32)
        counted[0], counted[1:, 1] = self._sum, told
        np.minimum(over, np.float32(MOST_RATIO), out=counted[1:, 0])
        counted[1:, 0] *= counted[1:, 1]
        # row after row, so that sums round alike however hops are grouped
        self._sum = np.add.reduce(counted, axis=0)

    def update(self) -> None:
        """From now on the colour is that of what was learned by now."""
        total, hops = self._sum
        near = np.array([_near(total), _near(hops)])
        over = (near[0] + PRIOR_HOPS) / (near[1] + PRIOR_HOPS)
        self._over = np.maximum(over - SLIGHT, 1).astype(np.float32)
        self._raised = np.flatnonzero(self._over > 1)
        self._sum *= np.float32(min(FADES, MEMORY_HOPS / max(float(hops.max()), 1.0)))


def _near(values: NDArray[np.float32]) -> NDArray[np.float64]:
    """Weighted mean over a bin and those beside it, shape (n_bins,)."""
    weights = 1 - np.abs(np.arange(-SPREAD_BINS, SPREAD_BINS + 1)) / (SPREAD_BINS + 1)
    padded = np.pad(values.astype(np.float64), SPREAD_BINS, mode="edge")
    mean: NDArray[np.float64] = np.convolve(padded, weights / weights.sum(), mode="valid")
    return mean
