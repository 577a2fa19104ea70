"""What is done once a blank is over: its rows are told, and what it teaches is learned."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from monitor.measurements import Event, Kind
from monitor.pecks import centre_drill
from monitor.pecks.begin import Anchor, learn_lead
from monitor.pecks.cut import APART_S
from monitor.pecks.cycle import Cycle, told
from monitor.pecks.heard import uncover
from monitor.pecks.learning import learn
from monitor.pecks.mistaken import was_no_blank
from monitor.pecks.rows import Dated, dated, rows_of


def end_blank(cycle: Cycle, t: float) -> Iterator[Event]:
    """End the blank under way, if one is, and forget it; one that proves to be none is not counted."""
    cycle.settle()
    heard, endings = cycle.heard_blank, cycle.endings
    if cycle.in_blank:
        uncover(heard, cycle.alignment, t)
        cycle.begin.was_held = heard.faulty
        if endings.within_gap and len(heard.pecks) < cycle.schedule.count:
            endings.more_pecks = True
            endings.pauses -= 1
        endings.within_gap = False
        if was_no_blank(heard, cycle.blank > cycle.job.blanks):
            cycle.blank -= 1
            heard.untold.clear()
            _forget_blank(cycle, t)
            return
        centre_drill.count_plain(cycle.spot)
        _find_spot(cycle)
        heard.whole = len(heard.pecks) == cycle.schedule.count and cycle.schedule.follows(heard.pecks)
        by_program = dated(heard)
        yield from _tell_rows(cycle, t, by_program)
        message = f"Blank {cycle.blank} ends after {cycle.peck} pecks."
        quiet_s = cycle.quiet_since_s if cycle.quiet_since_s == cycle.quiet_since_s else heard.last_end_s
        yield told(cycle, t, Kind.BLANK_END, message, quiet_s)
        message = learn(cycle.learning, heard, cycle.alignment, by_program, cycle.job)
        if message:
            yield told(cycle, t, Kind.SCHEDULE, message, math.nan)
    _forget_blank(cycle, t)


def _find_spot(cycle: Cycle) -> None:
    """Find out whether this blank was centre drilled otherwise than was told."""
    spot, heard = cycle.spot, cycle.heard_blank
    if not heard.faulty and centre_drill.hid_first_peck(spot, cycle.schedule, heard.pecks):
        spot.seconds.pop()
        spot.plain, heard.faulty = spot.plain_before + 1, True  # this blank tells nothing
    if centre_drill.was_first_peck(spot, cycle.schedule, heard.pecks, heard.faulty):
        spot.seconds.append(heard.pecks[0].seconds)
        spot.plain = 0
        _take_off_first(cycle)


def _take_off_first(cycle: Cycle) -> None:
    """What was taken for the first peck of this blank was the centre drill's."""
    heard = cycle.heard_blank
    heard.pecks[:] = [heard.pecks[1]._replace(gap_s=math.nan), *heard.pecks[2:]]
    off_mm = heard.untold.pop(0).to_mm
    heard.untold = [one._replace(number=k, to_mm=one.to_mm - off_mm) for k, one in enumerate(heard.untold, 1)]
    for one in heard.untold:
        one.cut.from_mm -= off_mm
    cycle.peck -= 1
    cycle.alignment.since_s = heard.untold[0].start_s
    while heard.course and heard.course[0].s < cycle.alignment.since_s - APART_S:
        heard.course.popleft()


def _tell_rows(cycle: Cycle, t: float, by_program: Dated) -> Iterator[Event]:
    """The rows of this blank; where it proves to be several, the blanks that ended unheard."""
    heard = cycle.heard_blank
    blanks = rows_of(heard, by_program, cycle.job, cycle.bulking, cycle.blank)
    for ended, begun in pairwise(blanks):
        cycle.rows.extend(ended)
        message = f"Blank {cycle.blank} ended after {len(ended)} pecks, under another sound."
        yield told(cycle, t, Kind.BLANK_END, message, ended[-1].end_s)
        cycle.blank += 1
        message = f"Blank {cycle.blank} began under another sound."
        yield told(cycle, t, Kind.BLANK_START, message, begun[0].start_s)
    rows = blanks[-1]
    cycle.rows.extend(rows)
    if rows:
        missed = rows[0].peck - 1  # pecks before the first one that was heard
        since_first_s = cycle.schedule.contacts_s[missed] if missed else 0.0
        _learn_when(cycle, rows[0].start_s - since_first_s, rows[-1].end_s)
    # what came after it may be the first peck of the next blank, run together with it by another sound
    end_s = rows[-1].end_s if rows else math.inf
    while heard.course and heard.course[0].s <= end_s:
        heard.course.popleft()
    heard.untold = []
    heard.noted.clear()


def _learn_when(cycle: Cycle, start_s: float, end_s: float) -> None:
    begin = cycle.begin
    if cycle.heard_blank.faulty:  # the next blank comes when a person has looked
        begin.anchor, begin.out_s, begin.free_s = Anchor(), -math.inf, end_s
        return
    if cycle.spot.in_turn and cycle.spot.was_in:
        cycle.schedule.changes_s.append(start_s - cycle.alignment.since_s)
    learn_lead(begin, cycle.schedule, start_s, end_s)


def _forget_blank(cycle: Cycle, t: float) -> None:
    cycle.in_blank = cycle.touched = False
    cycle.peck = 0
    cycle.deepest_mm = 0.0
    alignment = cycle.alignment
    alignment.runs, alignment.since_s, alignment.zero_s = [], t, math.nan
    alignment.reckoned = alignment.off_program = cycle.spot.was_in = False
