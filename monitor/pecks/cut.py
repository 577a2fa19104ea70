"""The cut under way: whether it is contact, what it loads, and when it has outlasted its peck."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from monitor.hop import Hop
from monitor.schedule import DATED_S, HeardPeck, Schedule
from monitor.signal.frames import HOP_S
from monitor.spindle import Rotation

CONFIRM_S = 0.3
"""Cutting sound this long, the spindle heard with it, is contact; a tap on the bench is shorter."""

CONFIRM_THROUGH_S = 0.6
"""Where the hole should be through, or the spindle is not heard, what sounds like contact is more likely the
spindle running down: lines that sweep down raise the floor."""

RUNS_DOWN = 0.1
"""Per second: a spindle that slows faster is switched off or binds; neither is contact."""

APART_S, APART_SHARE = 0.3, 0.5
"""Silence this long, or of this share of the shortest gap heard, ends a peck: a retract and return takes
longer, a lull within a cut does not."""

OVERRUN, OVERRUN_S = 0.05, 3 * DATED_S
"""A cut that lasts longer than its peck by this share (drag, and the spindle's answer to the load) and by
this time (the dating of its contact) is none any more."""

SLOWEST_FEED = 2.0
"""Times as long as the job says a peck may take before one was heard: feeds are overridden down to a half."""

BEAT_NATS, BEAT_HOPS, LOOK_HOPS, SURE_SPEED = 4.2, 20, 5, 0.8
"""A median power of the beat that noise has once in seventy times (`clear_beat`), in so many hops at least,
of which as many as this share one look. And confidence of a speed at which a beat is one of the drill."""

LOAD_SDS = 3.0
"""Deviations of idling that the mean load of a cut has to pass to show that it was one, where the load of
cuts is not known."""

SURE_SHARE, SURE_HOPS = 0.5, 10
"""Of the load of cuts, or of the hops of a cut, to be sure of it; and hops to take a mean load of."""

ANSWER_S = 0.5
"""Small motors answer a step of load within some 0.3 s."""


@dataclass(slots=True)
class Cut:
    """A cut under way.

    ``spot``: it is taken for the centre drill's; ``told``: its contact was told; ``sure_s``: how long it has
    sounded like one, while the spindle was not running down, which is ``fell``; ``counted_s``: up to when
    ``turns`` are counted; ``due_s``: when the program draws the drill out, inf where that is not known;
    ``early_s``: so long before its contact, which the program dates, it began to sound like one;
    ``unlikely``: no blank of this batch began then; ``unspotted``: the others began with the centre drill,
    at its own speed. ``sags`` in per cent at ``depths``, mm from where it began; ``usual_sag_pct``: that of
    cuts, -inf where load does not show.
    """

    start_s: float
    spot: bool
    from_mm: float
    turns: float = 0.0
    hz: float = 0.0
    counted_s: float = 0.0
    sure_s: float = 0.0
    due_s: float = math.inf
    early_s: float = 0.0
    unlikely: bool = False
    unspotted: bool = False
    fell: bool = False
    told: bool = False
    usual_sag_pct: float = -math.inf
    settled_hops: int = 0
    sags: list[float] = field(default_factory=list)
    depths: list[float] = field(default_factory=list)
    levels: list[float] = field(default_factory=list)
    beats: list[float] = field(default_factory=list)
    worst: str = ""
    worst_rank: int = 0


def carry_on(cut: Cut, hop: Hop, rotation: Rotation, feed_mm: float) -> None:
    """Take one hop of a cut that feeds so much a turn."""
    # Drowned, it turns about as it did before: the feed goes on.
    cut.hz = hop.spindle_hz if hop.heard else rotation.reference_hz
    cut.turns += cut.hz * hop.step_s
    cut.counted_s = hop.t
    cut.levels.append(hop.over_db)
    if hop.confidence >= SURE_SPEED:
        cut.beats.append(hop.beat)
    cut.settled_hops += rotation.settled
    if rotation.sag == rotation.sag:
        cut.sags.append(100 * rotation.sag)
        cut.depths.append(cut.turns * feed_mm)


def makes_contact(cut: Cut, hop: Hop, rotation: Rotation, strength: float, through: bool) -> bool:
    """Whether, with this hop, the cut has lasted long enough while the spindle was not running down.

    ``strength``: rise of the sound in units of what counts; ``through``: the hole should be through.
    """
    if hop.heard:
        cut.fell = hop.rate_hz_s < -RUNS_DOWN * rotation.reference_hz
    elif strength < 1:
        cut.fell = True  # neither a cut nor the spindle is heard well
    if not cut.fell:
        cut.sure_s += hop.step_s
    confirmed = CONFIRM_S if hop.heard and not through else CONFIRM_THROUGH_S
    return cut.sure_s >= confirmed - 1e-6


def apart_s(schedule: Schedule) -> float:
    """Silence that ends a peck; an eccentric blank that turns slowly is silent for some of each turn."""
    gaps = [gap.middle for gap in schedule.gaps[1:]]
    return max(APART_S, APART_SHARE * min(gaps, default=0.0))


def outlasts_peck(
    cut: Cut, number: int, schedule: Schedule, heard: Sequence[HeardPeck], feed_mm: float
) -> bool:
    """Whether a cut, taken for so-many-th peck after those heard, has lasted longer than any may: what still
    sounds like a cut is something else."""
    drilled_mm = cut.turns * feed_mm
    late_mm = OVERRUN_S * cut.hz * feed_mm
    expected_mm = schedule.length_mm(number - 1)
    if drilled_mm <= (1 + OVERRUN) * expected_mm + late_mm:
        return False  # whichever peck it is: none that is longer is over either
    known = schedule.learned or len(heard) > 0
    slower = max(_slowest(schedule, heard), 1.0)
    if cut.from_mm + drilled_mm > (1 + OVERRUN) * slower * schedule.depth_mm + late_mm:
        return True  # no program drills deeper than the hole
    if not known or not schedule.keeps_step(heard):  # whichever peck it is
        lengths = [schedule.length_mm(k) for k in range(schedule.count)]
        expected_mm = max(*lengths, *(peck.length_mm for peck in heard))
        expected_mm *= 1 if known else SLOWEST_FEED
    return drilled_mm > (1 + OVERRUN) * expected_mm + late_mm


def _slowest(schedule: Schedule, heard: Sequence[HeardPeck]) -> float:
    """How far the feed may be overridden down: as many times as long as expected every peck took."""
    if schedule.learned:
        return 1.0
    took = (peck.length_mm / schedule.length_mm(k) for k, peck in enumerate(heard))
    return min(took, default=SLOWEST_FEED)


def still_loads(cut: Cut) -> bool:
    """Whether the spindle was loaded lately as by cuts, where load tells."""
    lately = cut.sags[-round(ANSWER_S / HOP_S) :]
    return bool(lately) and float(np.mean(lately)) >= SURE_SHARE * cut.usual_sag_pct > 0


def is_sure(cut: Cut) -> bool:
    """Whether the spindle was at its speed in the cut and, where load tells, loaded by it."""
    answered = cut.sags[round(ANSWER_S / HOP_S) :]
    load = float(np.mean(answered)) if len(answered) >= SURE_HOPS else max(cut.sags, default=math.inf)
    loads = not cut.sags or load >= SURE_SHARE * cut.usual_sag_pct
    return cut.settled_hops >= SURE_SHARE * len(cut.levels) and loads


def as_peck(cut: Cut, end_s: float, gap_s: float, feed_mm: float, idle_sag_sd: float) -> HeardPeck:
    """The peck that a cut was, or would have been, had it ended then, so long after the one before."""
    # the end is decided some hops later
    turns = max(cut.turns - cut.hz * max(cut.counted_s - end_s, 0.0), cut.hz * HOP_S)
    looks = len(cut.beats)
    beats = looks >= BEAT_HOPS and statistics.median(cut.beats) >= clear_beat(looks)
    sure = is_sure(cut)
    loads = sure and _loads(cut, idle_sag_sd)
    return HeardPeck(turns * feed_mm, gap_s, end_s - cut.start_s, sure, cut.early_s, beats=beats, loads=loads)


def _loads(cut: Cut, idle_sag_sd: float) -> bool:
    """Whether the spindle surely was loaded: as by cuts where that tells, else beyond its wander."""
    answered = [sag_pct for sag_pct in cut.sags[round(ANSWER_S / HOP_S) :] if sag_pct == sag_pct]
    if len(answered) < SURE_HOPS:
        return False
    return mean(answered) >= max(SURE_SHARE * cut.usual_sag_pct, LOAD_SDS * 100 * idle_sag_sd)


def clear_beat(hops: int) -> float:
    """Median power of the beat, over that of noise, that a cut has and noise only once in `BEAT_NATS` nats.

    The power of noise is distributed exponentially: half of n looks that share little are over b by chance
    with probability C(n, n/2) exp(-b n/2). So a long peck tells with less.

    Examples
    --------
    >>> [round(clear_beat(hops), 1) for hops in (20, 50, 100, 200)]
    [3.0, 1.9, 1.6, 1.5]
    """
    n = hops / LOOK_HOPS
    ways = math.lgamma(n + 1) - 2 * math.lgamma(n / 2 + 1)
    return (BEAT_NATS + ways) * 2 / n


def mean(values: Sequence[float]) -> float:
    """Mean, NaN of none."""
    return float(np.add.reduce(values)) / len(values) if values else math.nan
