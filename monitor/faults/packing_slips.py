"""How far the ear slips in single parts of good pecks: from line to line, in other sound, in a loud cut."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.signal.cusum import WINSOR

PRIOR, MEMORY = 30.0, 400.0
"""Parts for which it counts beforehand that nothing slips, three or four pecks; and how many newest ones are
remembered, some forty pecks."""


@dataclass(slots=True)
class Slips:
    """Variance of a part's load beyond what wander, grain and the estimator's own deviation explain.

    A speed that is read wrong for a part of a peck is a load that climbs, or one that falls. Good pecks show
    how often and how far on this machine: where it happens in them, no part is taken for more than that.

    Examples
    --------
    >>> slips = Slips()
    >>> slips.learn(np.full(60, 1.0), np.full(60, 1.0))  # as good as foreseen
    >>> slips.variance
    0.0
    >>> slips.learn(np.tile([1.0, 25.0], 60), np.full(120, 1.0))
    >>> bool(slips.variance > 1)
    True
    """

    variance: float = 0.0
    _n: float = 0.0
    _beyond: float = 0.0

    def learn(self, squares: NDArray[np.float64], foreseen: NDArray[np.float64]) -> None:
        """Take the parts of a good peck.

        Parameters
        ----------
        squares, foreseen : shape (n,)
            Of the difference from good pecks, and what of it is foreseen, both of the sag as a fraction.
            What lies far out counts as ``WINSOR`` deviations (Huber 1964, from memory).
        """
        beyond = np.minimum(squares, WINSOR**2 * (foreseen + self.variance)) - foreseen
        forgets = min(MEMORY / (self._n + beyond.size), 1.0)
        self._n = forgets * (self._n + beyond.size)
        self._beyond = forgets * (self._beyond + float(beyond.sum()))
        self.variance = max(self._beyond / (self._n + PRIOR), 0.0)
