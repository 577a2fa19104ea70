"""The blank under way as it was heard: hop by hop, peck by peck, and the program that may explain it."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from monitor.alignment import Alignment
from monitor.cutting import EVIDENCE_MOST, CuttingDetector
from monitor.dating import Program, Sound, Span
from monitor.hop import Hop
from monitor.measurements import Event
from monitor.pecks.begin import Beginning, usual_lead
from monitor.pecks.cut import Cut, as_peck
from monitor.schedule import (
    APPROACH_MM,
    CLEARANCE_MM,
    LONGEST_DWELL_S,
    PAUSE_S,
    PAUSE_TIMES,
    SLOWEST_RAPID_MM_S,
    HeardPeck,
    Schedule,
)
from monitor.signal.frames import HOP_S
from monitor.spindle import Rotation

COVERED = 0.5
"""Share of a peck heard that the program has to explain."""

COURSE_S = 900.0
"""How much of a blank is remembered to date its pecks."""

FITS_NATS = 5.0
"""So much the program has to explain better, for each peck but one, than pecks at any time do: two times that
are known to a tenth or two, of ten seconds, are worth 7; with each off by one and a half deviations, 5."""

LONGER = 1.5
"""What stands over idling for so many times the longest peck is no faint one, but another sound."""

LAG_S = 0.05
"""A level is that of a 0.1 s frame: its middle."""


class HeardHop(NamedTuple):
    """What one hop told, to date the pecks of a blank and to describe them.

    ``evidence``: nats that the drill is in; -inf where it surely is out.
    """

    s: float
    evidence: float
    level_db: float
    sag_pct: float
    hz: float
    over_db: float


class UntoldPeck(NamedTuple):
    """A peck as it was heard, its row to be told when the blank is over."""

    start_s: float
    end_s: float
    number: int
    to_mm: float
    cut: Cut


@dataclass(slots=True)
class HeardBlank:
    """What was heard of the blank under way, or of the newest one.

    ``faulty``: it was held, so that it does not tell the usual cycle; ``whole``: all its pecks were heard;
    ``lost_after``: pecks heard before it was held for a cut that was lost, -1 where it was not, or also for
    something else.
    ``course`` reaches back before it, as far as nothing else explains what was heard then. ``noted``:
    what was told in its pecks. ``detector`` as it is now: it knows how loud cuts are.
    """

    schedule: Schedule
    feed_mm_s: float
    begin: Beginning = field(default_factory=Beginning)
    pecks: list[HeardPeck] = field(default_factory=list)
    untold: list[UntoldPeck] = field(default_factory=list)
    last_end_s: float = math.nan
    faulty: bool = False
    whole: bool = True
    lost_after: int = -1
    course: deque[HeardHop] = field(default_factory=lambda: deque(maxlen=round(COURSE_S / HOP_S)))
    noted: list[Event] = field(default_factory=list)
    detector: CuttingDetector = field(default_factory=CuttingDetector)


def heard_hop(hop: Hop, rotation: Rotation, detector: CuttingDetector, at_spot_speed: bool) -> HeardHop:
    """What a hop says of the drill; at the speed of the centre drill, if that is heard, it is out."""
    evidence = detector.evidence
    if at_spot_speed:
        silent = -EVIDENCE_MOST if evidence < 0 else 0.0
        evidence = -math.inf if rotation.sag == rotation.sag else silent
    heard = (
        hop.t - LAG_S,
        evidence,
        detector.level_db,
        100 * rotation.sag,
        hop.spindle_hz if hop.heard else rotation.reference_hz,
        hop.over_db,
    )
    return tuple.__new__(HeardHop, heard)  # in half the time of the class's own


def heard_peck(blank: HeardBlank, cut: Cut, end_s: float, feed_mm: float) -> HeardPeck:
    """The peck that a cut is, should it end then."""
    gap_s = cut.start_s - blank.last_end_s if blank.pecks else math.nan
    return as_peck(cut, end_s, gap_s, feed_mm, blank.detector.idle_sag_sd)


def uncover(blank: HeardBlank, alignment: Alignment, end_s: float) -> None:
    """Until when the sound that hid the ends of pecks went on."""
    for k, reckoned_s in alignment.hidden:
        blank.pecks[k] = blank.pecks[k]._replace(late_s=max(end_s - reckoned_s, HOP_S))
    alignment.hidden.clear()


def laid_over(blank: HeardBlank) -> tuple[Sound, Program, list[Span]]:
    """What was heard of this blank, the program to lay over it, and its pecks as they were heard."""
    begin = blank.begin
    lead = usual_lead(begin, blank.schedule)
    program = blank.schedule.program(
        blank.pecks, blank.feed_mm_s, longest_gap_s(blank), lead, begin.anchor.s, begin.out_s
    )
    since_s = blank.untold[0].start_s - program_s(program)
    course = [one for one in blank.course if one.s >= since_s]
    cut_db = blank.detector.rise_db
    sound = Sound(
        np.array([one.evidence for one in course]),
        np.array([one.level_db for one in course]),
        course[0].s,
        HOP_S,
        cut_db if cut_db == cut_db else math.inf,
    )
    return sound, program, [Span(peck.start_s, peck.end_s) for peck in blank.untold]


def longest_gap_s(blank: HeardBlank) -> float:
    """The longest way out of the hole and back, as learned, or as small machines go."""
    schedule = blank.schedule
    if schedule.learned:
        gaps = (gap.middle for gap in schedule.gaps[1:])
        return PAUSE_TIMES * max(gaps, default=math.inf)
    ways_s = 2 * (schedule.depth_mm + CLEARANCE_MM) / SLOWEST_RAPID_MM_S
    return ways_s + APPROACH_MM / blank.feed_mm_s + LONGEST_DWELL_S


def program_s(program: Program) -> float:
    """How long the program takes from the first contact; gaps that are not known count some seconds."""
    gaps_s = [known.middle_s for known in program.gaps] or [PAUSE_S] * (len(program.lengths) - 1)
    return sum([known.middle_s for known in program.lengths], 0.0) + sum(gaps_s, 0.0)


def mean_peck_s(program: Program) -> float:
    """How long a peck of the program lasts on average."""
    return sum([known.middle_s for known in program.lengths]) / len(program.lengths)


def is_covered(heard: Span, pecks: Sequence[Span]) -> bool:
    """Whether some pecks of the program explain one as it was heard."""
    common_s = [max(min(heard.end_s, one.end_s) - max(heard.start_s, one.start_s), 0.0) for one in pecks]
    return sum(common_s) >= COVERED * (heard.end_s - heard.start_s)
