"""A cut of which hardly anything is heard: whether it is still one, and whether it has softened.

What cuts is heard, and of a sound that is the machine's alone neither colour nor crackle tells of the chips.
It is told by what is left of its own hiss, over the machine's. In a first blank, whose depth may muffle a
cut, it must not sound like cutting at all. A cut that is quieter than the machine alone shows that a sound
has gone which was taken for the machine's.
"""

from __future__ import annotations

import math

from monitor.faults.melting_alone import Alone
from monitor.faults.melting_good import PECKS_DB, GoodCuts
from monitor.faults.melting_heard import Heard, power
from monitor.faults.melting_load import SILENT_LOAD, SILENT_LOAD_SDS, Load

STILL_CUTS = 0.6
"""Strength of the cutting sound that is at least to be heard where the load cannot tell: where the cutting
decision itself lets go."""

STILL_RUBS = 0.5
"""Share of a good cut's own low sound that a cut without hiss has at least, to be heard as one."""

SILENT = 0.05
"""Share of a good cut's hiss down to which a cut is not heard any more: 13 dB, which is twice what a hole
muffles it by (judged)."""

FAINT = 0.1
"""The same where it does not sound like cutting either, which is what `monitor.cutting` says of it: 10 dB."""

SILENT_SURE = 3.0
"""Deviations by which its hiss must then be less than at that depth, where no other sign is asked for."""

UNDER_DB, UNDER_SDS = 1.0, 4.0
"""A cut adds sound: what is quieter than the machine alone by so much, and by so many deviations of a block,
shows that a sound has gone which was taken for the machine's, and not that the cut is silent."""


def still_sounds(heard: Heard, good: GoodCuts, alone: Alone) -> bool:
    """Whether hiss of a cut is heard over the machine, or most of its low sound, which rubbing keeps."""
    if not alone.known or good.share(heard, alone.mean()) > SILENT:
        return True
    idle = power(alone.mean().lower_db)
    own = power(good.low.location) - idle
    return own > 0 and power(heard.lower_db) - idle > STILL_RUBS * own


def silent(heard: Heard, good: GoodCuts, alone: Alone, load: Load, later: bool) -> float:
    """A cut that is not heard any more, and loads the spindle as before; the two count as three signs.

    ``later``: a whole blank was heard before.
    """
    tells = load.tells and load.usual >= SILENT_LOAD_SDS * good.grip.spread
    sounds = heard.strength >= STILL_CUTS  # like a cut, which a first hole may muffle
    if not (tells and alone.known and (later or not sounds)):
        return -math.inf
    idle = alone.mean()
    most = SILENT if sounds else FAINT
    if good.share(heard, idle) > most or not good.free.same_gain(heard, alone):
        return -math.inf
    if not alone.sag_below(heard) >= SILENT_LOAD * max(load.usual, load.heard):
        return -math.inf
    least_db = max(UNDER_DB, UNDER_SDS * alone.block_sd_db())
    if max(idle.upper_db - heard.upper_db, idle.lower_db - heard.lower_db) > least_db:
        return -math.inf  # a sound has gone that was taken for the machine's
    quieter = -good.own.z(good.own_db(heard, alone), heard.place, PECKS_DB)
    return 3 * quieter if quieter >= SILENT_SURE else -math.inf
