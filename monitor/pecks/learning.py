"""What a blank that is over teaches of the program: the schedule follows what is heard twice running."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from monitor.alignment import Alignment, Run
from monitor.dating import Span
from monitor.job import Job
from monitor.pecks.cut import SLOWEST_FEED
from monitor.pecks.heard import HeardBlank
from monitor.pecks.rows import Dated
from monitor.schedule import HeardPeck, difference, same

NO_PECK_TIMES = 3.0
"""Longer than the job's longest by so much, other sound hid where the pecks ended."""


@dataclass(slots=True)
class Learning:
    """``odd``: the pecks of the blank before, where they were another cycle than is known; ``compared``: the
    job was compared with what was heard."""

    odd: list[HeardPeck] = field(default_factory=list)
    compared: bool = False


def learn(learning: Learning, blank: HeardBlank, alignment: Alignment, dated: Dated, job: Job) -> str:
    """Teach the schedule; how the program differs from the job, told of the second good blank that is like
    the first, once; else empty."""
    schedule, heard = blank.schedule, blank.pecks
    laid = dated.blanks if dated.sure and not (blank.whole or blank.faulty) else []
    if laid and not schedule.learned:
        # another sound, as the axis', ran pecks together or was taken for some; what it left tells them
        # nothing but a drill loads the spindle; strokes of another machine may beat as the lips do, once
        supposed = not any(peck.loads for peck in heard) and sum([peck.beats for peck in heard]) < 2
        for spans in laid:
            schedule.learn(_as_pecks(spans, blank.feed_mm_s), supposed)
        return ""
    if _was_not_lost(blank):
        schedule.doubt()
    longest_mm = max((peck.length_mm for peck in heard), default=0.0)
    if not heard or blank.faulty or longest_mm > NO_PECK_TIMES * max(job.pecks_mm):
        return ""
    again = schedule.learned and len(heard) == schedule.count and schedule.follows(heard)
    before, learning.odd = learning.odd, []
    if alignment.out_of_step:
        heard = _as_pecks(_as_spans(alignment.runs), blank.feed_mm_s)
        if not (heard and _alike(before, heard)):
            learning.odd = heard
            return ""
        schedule.forget()  # no other sound, but another program
        schedule.learn(before)
        again = True
    elif alignment.reckoned and len(heard) != schedule.count:
        return ""
    elif len(heard) != schedule.count or _is_odd_depth(heard, job.pecks_mm):
        if laid and dated.explains_all:
            return ""  # it is the cycle that is known
        if not _alike(before, heard):
            learning.odd = heard
            return ""
        schedule.learn(before)
        again = True
    schedule.learn(heard)
    if not again or learning.compared:
        return ""
    learning.compared = True
    # last pecks in which only the point comes out may be cut unheard
    unheard_mm = sum(job.pecks_mm[len(heard) :], 0.0)
    said_mm = job.pecks_mm[: len(heard)] if unheard_mm <= schedule.point_mm else job.pecks_mm
    return difference(said_mm, heard, job.units)


def _was_not_lost(blank: HeardBlank) -> bool:
    """Whether a blank that was held for a lost cut, and nothing else, was then drilled to its end: what was
    expected of it was wrong. (A person who changed the drill meanwhile is as rare as that.)"""
    schedule, pecks, after = blank.schedule, blank.pecks, blank.lost_after
    whole = len(pecks) == schedule.count and schedule.follows(pecks)
    return 0 <= after < len(pecks) and whole and any(peck.cut for peck in pecks[after:])


def _is_odd_depth(heard: Sequence[HeardPeck], job_mm: Sequence[float]) -> bool:
    """Whether what was heard is deeper, or less deep, than any feed makes it: a sound of the workshop may
    have made pecks, or hidden where they ended, so that it has to be heard twice running."""
    depth_mm = sum([peck.length_mm for peck in heard], 0.0) / sum(job_mm)
    return not 1 / SLOWEST_FEED <= depth_mm <= SLOWEST_FEED


def _as_spans(runs: Sequence[Run]) -> list[Span]:
    """What sounded like cuts and is over: so a program that has changed is known, however it is reckoned."""
    return [Span(run.start_s, run.end_s) for run in runs if run.end_s < math.inf]


def _as_pecks(spans: Sequence[Span], feed_mm_s: float) -> list[HeardPeck]:
    """Pecks that began and ended then."""
    before_s = [math.nan, *(span.end_s for span in spans)]
    return [
        HeardPeck(feed_mm_s * (span.end_s - span.start_s), span.start_s - end_s, span.end_s - span.start_s)
        for span, end_s in zip(spans, before_s, strict=False)
    ]


def _alike(one: Sequence[HeardPeck], other: Sequence[HeardPeck]) -> bool:
    """Whether two blanks were drilled by the same pecks."""
    return len(one) == len(other) and all(same(a, b.length_mm) for a, b in zip(one, other, strict=True))
