"""What good cuts sound like and load, along the hole too: what `melting` holds a cut against."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field

from monitor.faults.melting_alone import Alone
from monitor.faults.melting_gain import FreeSound
from monitor.faults.melting_heard import (
    LEAST_CRACKLE,
    LEAST_TILT_DB,
    LEAST_TONE_DB,
    LEAST_UPPER_DB,
    MEMORY_BLOCKS,
    Heard,
    power,
)
from monitor.faults.melting_load import LEAST_GRIP
from monitor.signal.course import Course
from monitor.signal.cusum import Normal

ALIKE = 2.0
"""Blocks of good cutting worth one independent: what is normal is known so well only."""

LEAST_CUT = 0.05
"""Share of a good cut's sound that is its own, at least: less is lost in the machine's."""

MUFFLED_DB = 6.0
"""By which a good cut's hiss may change over the whole hole, before cuts have shown how much: to a quarter of
its power (judged)."""

PECKS_DB, PECKS_LOAD = 1.5, 0.15
"""By which one good peck differs from another of its depth for as long as it lasts, in dB of its sound and as
a share of its load: a deviation, beside the scatter within a peck (judged)."""

COLOUR_DB, PECKS_COLOUR_DB = 3.0, 1.0
"""By which the colour of a good cut may change over the whole hole before cuts have shown how much, half of
what its hiss may since low sound is muffled too; and from one peck to another (judged)."""

CLEARLY, LESS_CLEARLY = 1.5, 1.0
"""Deviations by which a cut must be quieter, and heavier, where no other sign is asked for: each by itself
comes by chance in one block of fifteen, both together in one of two hundred; and where it is as clearly
duller, which rubbing is, so that three signs agree. Good pecks deviate for as long as they last, and later
blanks load more than a first one whose load was hardly known: at one deviation a peck in six of such a
blank seemed soft."""

FRESH_DIFFERS = 3.0
"""Deviations by which a later blank's first blocks must lie under what was normal to move it: less is chance,
or the blank."""

LAG_BLOCKS = 8
"""What is learned is two seconds old, so that a fault is told before it becomes normal."""


@dataclass(slots=True)
class GoodCuts:
    """`step` each good block of a cut; made of the first ones by `good_cuts`.

    ``crackle``: its cube root; ``upper``, ``tilt``, ``tone``, ``low``: levels in dB; ``hiss``, ``own``
    (without the machine's), ``colour`` and ``grip`` (sag): along the hole. ``blank``: in which the first were
    heard; ``first``: load and hiss of each of these whose load was known; ``idle_db``, ``idle_hiss_db``: the
    machine alone then, NaN while not known.
    """

    crackle: Normal
    upper: Normal
    tilt: Normal
    tone: Normal
    low: Normal
    hiss: Course
    own: Course
    colour: Course
    grip: Course
    blank: int
    first: list[tuple[float, float]]
    first_load: float
    free: FreeSound = field(default_factory=FreeSound)
    idle_db: float = math.nan
    idle_hiss_db: float = math.nan

    def note_alone(self, alone: Alone) -> None:
        """Keep what the machine alone was like, if it was not known before."""
        if self.idle_db != self.idle_db and alone.known:
            self.idle_db, self.idle_hiss_db = alone.loudest_db(), alone.mean().upper_db

    def share(self, heard: Heard, idle: Heard) -> float:
        """What is left of a good cut's hiss, 0 to 1."""
        good_upper, idle_upper = power(self.upper.location), power(idle.upper_db)
        cut_upper = max(good_upper - idle_upper, LEAST_CUT * good_upper)
        return min(max((power(heard.upper_db) - idle_upper) / cut_upper, 0.0), 1.0)

    def own_db(self, heard: Heard, alone: Alone) -> float:
        """Hiss of the cut less that of the machine."""
        return _own_db(heard, alone, self.upper.location, self.idle_hiss_db)

    def expected_tilt_db(self, heard: Heard, alone: Alone) -> float:
        """Colour of a good cut as faint as what is heard: the machine alone, plus a share of a good cut."""
        if not alone.known:
            return self.tilt.location
        idle = alone.mean()
        good_lower = power(self.upper.location - self.tilt.location)
        idle_lower = min(power(idle.lower_db), good_lower)
        lower = idle_lower + self.share(heard, idle) * (good_lower - idle_lower)
        return min(heard.upper_db - 10 * math.log10(lower), self.tilt.location)

    def step(self, heard: Heard, alone: Alone) -> None:
        """Take a block of good work."""
        if heard.crackle == heard.crackle:
            self.crackle.step(heard.crackle)
        if heard.upper_db == heard.upper_db:
            self.upper.step(heard.upper_db)
        if heard.tilt_db == heard.tilt_db:
            self.tilt.step(heard.tilt_db)
        if heard.tone_db == heard.tone_db:
            self.tone.step(heard.tone_db)
        self.low.step(heard.lower_db)
        self.free.learn(heard, alone, self.upper.location)
        self.hiss.step(heard.upper_db, heard.place)
        self.own.step(self.own_db(heard, alone), heard.place)
        self.colour.step(heard.tilt_db, heard.place)
        if heard.sag == heard.sag:
            self.grip.step(heard.sag, heard.place)

    def reject(self) -> None:
        """Drop what waits to be learned: it may be of a fault."""
        for normal in (self.crackle, self.upper, self.tilt, self.tone, self.low):
            normal.reject()
        for course in (self.hiss, self.own, self.colour, self.grip):
            course.reject()

    def follow_the_room(self, fresh: Sequence[Heard]) -> None:
        """What is heard as a blank is entered, where it is clearly less than normal, is normal."""
        _follow(self.crackle, [one.crackle for one in fresh])
        self.hiss.start += _follow(self.upper, [one.upper_db for one in fresh])
        _follow(self.tilt, [one.tilt_db for one in fresh])


def good_cuts(first: Sequence[Heard], alone: Alone, blank: int) -> GoodCuts:
    """What good cuts are like, by the first blocks of them."""
    known = [one for one in first if one.sag == one.sag]
    # by either reckoning: what is usual is reckoned from the reference
    loads = [max(alone.sag_below(one), one.sag) for one in known]
    uppers = [one.upper_db for one in first]
    upper = normal_of(uppers, LEAST_UPPER_DB)
    tilt = normal_of([one.tilt_db for one in first], LEAST_TILT_DB)
    owns = [_own_db(one, alone, upper.location) for one in first]
    own_sd_db = normal_of(owns, LEAST_UPPER_DB).spread
    sag = statistics.fmean([one.sag for one in known] or [0.0])
    sag_sd, most_sag = max(0.2 * sag, LEAST_GRIP), max(sag, LEAST_GRIP)
    return GoodCuts(
        crackle=normal_of([one.crackle for one in first], LEAST_CRACKLE),
        upper=upper,
        tilt=tilt,
        tone=normal_of([one.tone_db for one in first], LEAST_TONE_DB),
        low=normal_of([one.lower_db for one in first], LEAST_TILT_DB),
        hiss=_course(statistics.fmean(uppers), upper.spread, MUFFLED_DB, LEAST_UPPER_DB),
        own=_course(statistics.fmean(owns), own_sd_db, MUFFLED_DB, LEAST_UPPER_DB),
        colour=_course(tilt.location, tilt.spread, COLOUR_DB, LEAST_TILT_DB),
        grip=_course(sag, sag_sd, most_sag, LEAST_GRIP),
        blank=blank,
        first=list(zip(loads, [one.upper_db for one in known], strict=True)),
        first_load=statistics.median(loads) if loads else math.nan,
    )


def normal_of(values: Sequence[float], least: float) -> Normal:
    """Normal from a first few values: their median, and their deviation from the mean absolute one."""
    known = [value for value in values if value == value] or [0.0]
    middle = statistics.median(known)
    spread = math.sqrt(math.pi / 2) * sum([abs(value - middle) for value in known]) / len(known)
    return Normal(middle, max(spread, least), len(known), MEMORY_BLOCKS, LAG_BLOCKS, least)


def _course(start: float, spread: float, slope_sd: float, least: float) -> Course:
    return Course(start, spread, slope_sd, least, ALIKE, MEMORY_BLOCKS, LAG_BLOCKS)


def _own_db(heard: Heard, alone: Alone, good_db: float, idle_hiss_db: float = math.nan) -> float:
    """Hiss less that of the machine, no less than `LEAST_CUT` of a good cut's."""
    good, idle = power(good_db), 0.0
    if alone.known:
        idle_db = alone.mean().upper_db  # what was louder for a while may have gone
        idle = power(idle_hiss_db if idle_db > idle_hiss_db else idle_db)
    least = LEAST_CUT * max(good - idle, LEAST_CUT * good)
    return 10 * math.log10(max(power(heard.upper_db) - idle, least))


def _follow(normal: Normal, values: Sequence[float]) -> float:
    """Move what is normal to where these lie clearly under it; by how much."""
    middle = statistics.median(values)
    if not normal.z(middle) < -FRESH_DIFFERS:
        return 0.0
    by = middle - normal.location
    normal.location = middle
    return by
