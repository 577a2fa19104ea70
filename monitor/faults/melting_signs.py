"""Signs that the work softens, in deviations from good cuts, added as far as they agree.

Each of them alone is harmless. A sharper drill is quieter, but its chips crackle as before relative to its
own level. Rain, an air gun or a compressor bury the crackle, but they are loud. A microphone's gain changes
the level, and neither crackle nor colour. A radio sings, but leaves the cut as loud, and was mostly heard
before contact. So three must agree: less hiss in the upper half of the spectrum; a duller cut, since rubbing
is low; less crackle, or a squeal. A bearing or a mesh may crackle as the chips do: where the machine alone is
as impulsive as its good cuts, dying chips leave no trace in the crackle, and the other two signs decide once
a blank was heard. And what adds low sound does not cover that the hiss has gone.

A cut that is merely quieter, as when the hole muffles it, lets the machine through, which is mostly low: it
seems duller without being so. So dull is only what is duller than the machine plus a good cut as faint as the
one heard. Where the machine covers the low sound of the cut, dullness cannot be told, and nothing is held.

Where a blank was heard whole, another witness needs neither colour nor crackle, which a room or the machine
may cover: a cut that is much quieter than cuts were at that depth, and loads the spindle clearly more
(`_gripped`). What is cut is heard; what only rubs takes the work and is not. Depth alone muffles and loads
too, so both are judged against their course over it (`monitor.signal.course`). And what rubs is low: a cut
whose hiss fades while its low sound grows over that of good cuts is neither muffled nor farther from the
microphone, which take both, and needs no more load than usual (`_rubs`). Nor does a cut that is not heard any
more (`melting_silent`).
"""

from __future__ import annotations

import math

from monitor.faults.melting_alone import Alone
from monitor.faults.melting_good import (
    ALIKE,
    CLEARLY,
    LESS_CLEARLY,
    PECKS_COLOUR_DB,
    PECKS_DB,
    PECKS_LOAD,
    GoodCuts,
)
from monitor.faults.melting_heard import FIRST_BLOCKS, Heard
from monitor.faults.melting_load import Load
from monitor.faults.melting_other_sound import other_low
from monitor.faults.melting_silent import silent

AGREE = 1.75
"""Deviations by which a sign may exceed the least one and still count. One that stays away vetoes: two of
this size, over `SIGNS_SD`, are less than `DRIFT`."""

LEAST_FALL = 0.13
"""Of the crackle's cube root, to a deviation at least: only crackle more than halved counts for much."""

CRACKLE_TELLS = 1.75
"""Deviations that crackle is over the machine's alone, where its absence can be told: as far as it may stay
behind the others and still let them count, `AGREE`."""

FIRST_BLANK = 1.5
"""Times the spread of hiss and dullness, until a whole blank was heard: cuts are muffled as they go deeper,
and how much is not known before. Crackle and squeal are told by their course in time, which muffling
leaves."""

NO_MORE = 1.0
"""Deviations over that of good cuts up to which crackle is no more than theirs."""

RUBS_QUIETER, RUBS_LOWER = 1.5, 0.5
"""Deviations by which hiss must be less than at that depth, and low sound more than in good cuts, where no
heavier load is asked for: a rumble that begins elsewhere adds low sound only, which leaves it the chance of
one block in fifteen that the hiss is so much less by itself."""


def signs_of(heard: Heard, good: GoodCuts, alone: Alone, load: Load, later: bool) -> float:
    """Three signs that the work softens, added as far as they agree, in deviations from good cuts; more means
    softer.

    Less hiss, a cut duller than a faint good one, and less crackle or a squeal that was not heard before
    the cut. ``later``: a whole blank was heard before.
    """
    # whether the low sound is more than expected, which scatters less than the colour
    duller_db = good.expected_tilt_db(heard, alone) - heard.tilt_db
    colour_db = min(good.tilt.spread, good.low.spread)
    low_is_other = other_low(heard, good, alone)
    rubs = -math.inf if low_is_other else _rubs(heard, good, load, duller_db / colour_db)
    quieter_db = good.upper.location - heard.upper_db
    if later:  # good cuts have shown what depth alone does
        hiss = min(quieter_db / good.upper.spread, _quieter(heard, good))
        dull = min(duller_db / colour_db, _duller(heard, good))
    else:  # its pecks tell of themselves, not of depth nor of other pecks
        hiss = quieter_db / (FIRST_BLANK * math.hypot(good.upper.spread, PECKS_DB))
        dull = duller_db / (FIRST_BLANK * math.hypot(colour_db, PECKS_COLOUR_DB))
    steady = (good.crackle.location - heard.crackle) / _least_fall(good)
    squeal = (heard.tone_db - max(good.tone.location, alone.tone_db)) / good.tone.spread
    if low_is_other:
        told = _agreed(hiss, max(steady, squeal))  # it is dull for another sound
    else:
        told = _agreed(hiss, dull, max(steady, squeal))
        if later and _covers_crackle(heard, good, alone):
            told = max(told, 1.5 * _agreed(hiss, dull))
    told /= math.sqrt(1 + ALIKE / (FIRST_BLOCKS + good.upper.n))
    gripped = _gripped(heard, good, alone, load) if later else -math.inf
    return max(told, gripped, rubs, silent(heard, good, alone, load, later))


def _covers_crackle(heard: Heard, good: GoodCuts, alone: Alone) -> bool:
    """Whether the machine alone crackles as good cuts do, so that a cut without chips sounds no smoother.

    Two signs then count as three, once a whole blank has shown what depth does to them, where it crackles
    no more than good cuts, and where the lines say that the microphone was not turned down.
    """
    if not alone.known:
        return False
    usual, least = good.crackle.location, _least_fall(good)
    no_more = heard.crackle <= usual + NO_MORE * least
    same_gain = good.free.same_gain(heard, alone)
    return same_gain and no_more and usual - alone.mean().crackle < CRACKLE_TELLS * least


def _rubs(heard: Heard, good: GoodCuts, load: Load, dull: float) -> float:
    """Less hiss and more low sound than good cuts have, and no more crackle; two signs count as three."""
    if not load.tells or heard.crackle > good.crackle.location:
        return -math.inf
    lower = (heard.lower_db - good.low.location) / good.low.spread
    if _quieter(heard, good) < RUBS_QUIETER or lower < RUBS_LOWER:
        return -math.inf
    return 1.5 * _agreed(min(dull, _duller(heard, good)), lower)


def _gripped(heard: Heard, good: GoodCuts, alone: Alone, load: Load) -> float:
    """Less hiss at more load than where the same depth was drilled before; two signs count as three."""
    if not load.tells or heard.sag != heard.sag or not good.free.same_gain(heard, alone):
        return -math.inf
    besides = PECKS_LOAD * load.usual
    harder = good.grip.z(heard.sag, heard.place, besides)
    sag = min(heard.sag, alone.sag_below(heard))  # a free speed that wanders loads nothing
    over_usual = (sag - load.usual) / math.hypot(good.grip.spread, besides)
    quieter, heavier = _quieter(heard, good), min(harder, over_usual)
    least = LESS_CLEARLY if _duller(heard, good) >= CLEARLY else CLEARLY
    return 1.5 * _agreed(quieter, heavier) if min(quieter, heavier) >= least else -math.inf


def _quieter(heard: Heard, good: GoodCuts) -> float:
    """Deviations by which hiss is less than at that depth."""
    return -good.hiss.z(heard.upper_db, heard.place, PECKS_DB)


def _duller(heard: Heard, good: GoodCuts) -> float:
    """Deviations by which a cut is duller than at that depth."""
    return -good.colour.z(heard.tilt_db, heard.place, PECKS_COLOUR_DB)


def _least_fall(good: GoodCuts) -> float:
    """The deviation of crackle."""
    return max(good.crackle.spread, LEAST_FALL * good.crackle.location)


def _agreed(*signs: float) -> float:
    """Sum of signs as far as they agree."""
    least = min(signs)
    return sum([min(sign, least + AGREE) for sign in signs])
