"""Load, as `melting` reckons it: what softens keeps it, and a drill that is out has none.

Load is what the spindle slows over its free running just before, slower or faster than the reference, which
follows a machine that drifts; and it is judged by that of good cuts, reckoned the same way, where that is
less than the usual sag.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from monitor.signal.cusum import Normal

LOAD_STAYS = 0.5
"""Share of this batch's usual load that is load: half way to none, which a drill that is out has."""

OUT_LOAD_STAYS = 0.75
"""The same where the point may come out of the far side: cut and load fade there together, while what softens
keeps its load."""

LEAST_USUAL = 0.5
"""Share of the usual load down to which the load over the free running just before is believed to be less: a
free speed that falls from cut to cut adds to the sag from the reference, which follows it between cuts."""

LOAD_MOST = 4.0
"""Times the usual load: no soft wall grips so hard (judged), and a spindle that slows by more runs down, or
jams, which `sag` and `stall` tell."""

LOAD_TELLS = 0.002
"""Sag, as a fraction, of usual cuts from which on its absence means anything: machines wander by some per
mille. Where the load does not tell, nothing is held for its sake: a warning is all."""

SILENT_LOAD, SILENT_LOAD_SDS = 0.75, 2.0
"""Share of the usual load, and of that when the cut was last heard, that a cut must have which is not heard
any more: nearly all, since a spindle wins its speed back only after the drill was drawn out, and takes its
time then; and how many deviations the usual load must be, to tell that."""

LEAST_GRIP = 0.001
"""Sag, as a fraction: what machines wander by at least, so that less says nothing of the load."""


@dataclass(slots=True)
class Load:
    """Loads of cuts, as sags. ``usual``: of this batch, by the reference, NaN where not known; ``good``: of
    good cuts, over the free running just before; ``heard``: of this cut when it was last heard."""

    usual: float = math.nan
    good: Normal = field(default_factory=lambda: Normal(math.inf, LEAST_GRIP))
    heard: float = 0.0

    @property
    def tells(self) -> bool:
        """Whether its absence means anything."""
        return self.usual >= LOAD_TELLS

    def stays(self, sag: float, sag_below: float, coming_out: bool) -> bool:
        """Whether a block loads as a cut does, by its sag from the reference and from the free running just
        before; ``coming_out``: the point may come out of the far side."""
        stays = OUT_LOAD_STAYS if coming_out else LOAD_STAYS
        least = stays * min(self.usual, max(self.good.location, LEAST_USUAL * self.usual))
        return least <= sag_below and sag <= LOAD_MOST * self.usual
