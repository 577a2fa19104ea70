"""Whether what is heard of a cut, or was taken for good cuts, is another sound.

Other sound only adds. One that is louder than cuts make it covers the cut; one that was as loud before it
loaded the spindle was covered by one, and tells nothing of good cuts.
"""

from __future__ import annotations

import itertools
import statistics

from monitor.faults.melting_alone import Alone
from monitor.faults.melting_good import CLEARLY, PECKS_DB, GoodCuts
from monitor.faults.melting_heard import Heard, power
from monitor.faults.melting_load import LOAD_STAYS, Load

LOUDER_DB = 6.0
"""Over good cuts: another sound covers the cut, and nothing of it is heard."""

UNANSWERED = 0.25
"""Share of the usual load that a drill which has cut for a quarter second surely exceeds, whatever the
motor's answer (0.1 to 0.4 s): what was as loud without it is another sound."""

OTHER_BLOCKS, OTHER_IDLE_DB = 16, 3.0
"""So many more blocks of cutting, four seconds, that are louder than good ones than such that are not, while
the machine running free is no louder than it was, by this: what was taken for good cuts were none. Nor was
the cut what was heard of them where the hiss of the machine running free has become quieter by as much since:
what went with it was another sound, or the microphone was turned down. Softened work leaves it as it was."""


def covers(heard: Heard, good: GoodCuts) -> bool:
    """Whether another sound covers the cut."""
    louder = heard.upper_db - good.upper.location > LOUDER_DB
    if low_louder(heard, good):  # a sound that covers the cut takes nothing from its hiss
        louder = louder or -good.hiss.z(heard.upper_db, heard.place, PECKS_DB) < CLEARLY
    return louder


def low_louder(heard: Heard, good: GoodCuts) -> bool:
    """Whether more is heard below than a good cut makes, by so much that another sound may be there."""
    return heard.lower_db - (good.upper.location - good.tilt.location) > LOUDER_DB


def other_low(heard: Heard, good: GoodCuts, alone: Alone) -> bool:
    """Whether the low sound may be another's: it is louder than cuts make it, or half of it is heard
    between cuts too, and was not when good ones were heard."""
    added, low = 0.0, good.free.low
    if alone.known and low is not None:
        added = power(alone.mean().lower_db) - power(low.location)
    return low_louder(heard, good) or added > power(heard.lower_db) / 2


def were_none(good: GoodCuts, alone: Alone, load: Load) -> bool:
    """Whether the first good cuts did not load the spindle, or a sound that covered them has gone.

    Those since must not have loaded it either: a free speed that was read wrong at first tells nothing
    against them.
    """
    least = LOAD_STAYS * load.usual
    if load.tells and good.first_load < least and not load.good.location >= least:
        return True
    if load.tells and _first_heard_free(good, load.usual):
        return True
    return alone.known and alone.mean().upper_db < good.idle_hiss_db - OTHER_IDLE_DB


def _first_heard_free(good: GoodCuts, usual: float) -> bool:
    """Whether the first good cuts were as loud just before they loaded the spindle: another sound covered
    them, and when it ends they are as silent as softened work."""
    least, most = LOAD_STAYS * usual, UNANSWERED * usual
    free = list(itertools.takewhile(lambda block: block[0] < most, good.first))
    loaded_db = [upper for load, upper in good.first if load >= least]
    return bool(free and loaded_db) and free[-1][1] > statistics.median(loaded_db) - OTHER_IDLE_DB
