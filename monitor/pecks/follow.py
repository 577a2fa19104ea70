"""Hop by hop: what begins and what ends, told as events; `Cycle` holds what is known.

What it all means is judged elsewhere: whether it is contact, and over, in `cut`; the centre drill in
`centre_drill`; how blanks begin and end in `begin` and `end`; what was none in `mistaken`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import islice

from monitor.alignment import OFF_S, Run, align, dated_contact_s, retract_s
from monitor.cutting import CuttingDetector
from monitor.hop import Hop
from monitor.measurements import Event, Kind, Severity
from monitor.pecks import centre_drill
from monitor.pecks.begin import Anchor, begins_oddly, follow_spindle, is_unstarted
from monitor.pecks.blank_over import end_blank
from monitor.pecks.cut import (
    ANSWER_S,
    APART_S,
    CONFIRM_S,
    SURE_SHARE,
    Cut,
    apart_s,
    carry_on,
    makes_contact,
    still_loads,
)
from monitor.pecks.cycle import Cycle, told
from monitor.pecks.end import contact_ends_blank, pause_ends_blank
from monitor.pecks.heard import UntoldPeck, heard_hop, heard_peck, longest_gap_s, uncover
from monitor.pecks.mistaken import begins_anew, only_touches
from monitor.pecks.rows import keep_worst
from monitor.schedule import PAUSE_S, HeardPeck
from monitor.signal.frames import HOP_S
from monitor.spindle import Rotation


def step(cycle: Cycle, hop: Hop, rotation: Rotation, detector: CuttingDetector) -> Iterator[Event]:
    """Take one hop, as judged by the detector, and give the events it completes."""
    _follow_spindle(cycle, hop, rotation)
    heard = cycle.heard_blank
    heard.course.append(heard_hop(hop, rotation, detector, cycle.spot.at_speed))
    heard.detector = detector
    if rotation.vanished:
        yield from _end_cut(cycle, hop.t)
        if cycle.peck:  # a stop after the centre drill is to change the tool
            cycle.endings.stops += cycle.in_blank
            yield from end_blank(cycle, hop.t)
    if detector.cutting:
        cycle.quiet_since_s = math.nan
        yield from _sounds(cycle, hop, rotation, detector)
        return
    if cycle.quiet_since_s != cycle.quiet_since_s:
        cycle.quiet_since_s = detector.end_s
    quiet, run_s = hop.t - cycle.quiet_since_s, cycle.alignment.run_s
    if run_s == run_s and quiet >= APART_S and quiet >= apart_s(cycle.schedule):
        yield from _end_cut(cycle, hop.t)
    # A tap on the bench meanwhile is no peck: the pause is counted from the last one.
    paused = cycle.cut is None and cycle.in_blank and cycle.peck > 0
    if (
        paused
        and hop.t - heard.last_end_s >= PAUSE_S
        and pause_ends_blank(heard, cycle.endings, cycle.through, hop.t)
    ):
        cycle.endings.pauses += 1
        yield from end_blank(cycle, hop.t)


def finish(cycle: Cycle, t: float) -> Iterator[Event]:
    """End of the recording: close what is open."""
    yield from _end_cut(cycle, t)
    yield from end_blank(cycle, t)


def note(cycle: Cycle, event: Event) -> None:
    """Remember the worst warning or hold of the present peck for its row.

    A blank with a hold in it does not tell the usual cycle.
    """
    heard = cycle.heard_blank
    if event.severity is Severity.HOLD:
        lost = event.kind is Kind.LOST_CUT
        first_lost = len(heard.pecks) if not heard.faulty else heard.lost_after
        heard.faulty, heard.lost_after = True, first_lost if lost else -1
    if cycle.cut is not None:
        heard.noted.append(event)
        keep_worst(cycle.cut, event)


def _follow_spindle(cycle: Cycle, hop: Hop, rotation: Rotation) -> None:
    pecking = cycle.in_blank and cycle.peck > 0
    left_spot_speed = centre_drill.follow_speed(cycle.spot, rotation, cycle.peck, pecking)
    follow_spindle(cycle.begin, hop.t, rotation, left_spot_speed, pecking)
    if rotation.started and not pecking:
        cycle.heard_blank.course.clear()


def _sounds(cycle: Cycle, hop: Hop, rotation: Rotation, detector: CuttingDetector) -> Iterator[Event]:
    """A hop that sounds like a cut."""
    _follow_run(cycle, hop, detector)
    cut = cycle.cut
    if cut is not None and _spot_is_over(cycle, cut, rotation):
        yield from _end_peck(cycle, hop.t, cut, cycle.begin.sent_s)
    cut = cycle.cut if cycle.cut is not None else _begin_cut(cycle, hop, rotation, detector)
    if cut is None:
        return
    carry_on(cut, hop, rotation, cycle.feed_mm)
    if cut.spot and cycle.spot.in_turn and _outlasts_spot(cycle, hop.t - cut.start_s):
        yield from _tell_first_peck(cycle, hop.t, cut)
    if not cut.told:
        if makes_contact(cut, hop, rotation, detector.strength, cycle.through):
            yield from _tell_contact(cycle, hop.t, cut)
    elif hop.t > cut.due_s + OFF_S and not _outlasts_program(cycle, cut, hop.t):
        cycle.alignment.goes_on = cycle.alignment.reckoned = True
        yield from _end_peck(cycle, hop.t, cut, cut.due_s)
        if not cycle.touched:
            cycle.alignment.hidden.append((len(cycle.heard) - 1, cut.due_s))


def _follow_run(cycle: Cycle, hop: Hop, detector: CuttingDetector) -> None:
    """What sounds like a cut tells where the program is, if it lasts."""
    alignment = cycle.alignment
    if alignment.run_s != alignment.run_s:
        alignment.run_s = detector.onset_s
        return
    counted = bool(alignment.runs) and alignment.runs[-1].end_s == math.inf
    lasts = hop.t >= alignment.run_s + CONFIRM_S
    if lasts and not (counted or centre_drill.is_its_contact(cycle.spot, hop, cycle.peck)):
        alignment.runs.append(Run(alignment.run_s, math.inf))
        _align(cycle, hop.t)


def _align(cycle: Cycle, t: float) -> None:
    alignment, schedule, cut = cycle.alignment, cycle.schedule, cycle.cut
    align(alignment, schedule, t)
    if cut is not None and not cut.spot and schedule.retracts_s and not alignment.off_program:
        cut.due_s = retract_s(alignment, schedule, cut.start_s)


def _outlasts_program(cycle: Cycle, cut: Cut, t: float) -> bool:
    """Whether load shows that the drill is still in, though its time is over; if for long, the machine
    does not run the program."""
    if not still_loads(cut):
        return False
    if t > cut.due_s + OFF_S + 2 * ANSWER_S:
        cut.due_s, cycle.alignment.zero_s, cycle.alignment.off_program = math.inf, math.nan, True
    return True


def _begin_cut(cycle: Cycle, hop: Hop, rotation: Rotation, detector: CuttingDetector) -> Cut | None:
    """What sounds like a cut is one, unless the program has drawn the drill out: then one begins as the
    drill comes back, should the sound go on."""
    onset_s, early_s = detector.onset_s, 0.0
    spot, alignment, schedule = cycle.spot, cycle.alignment, cycle.schedule
    spots = centre_drill.is_its_contact(spot, hop, cycle.peck)
    early = spots and cycle.peck > 0 and not cycle.through
    if early and onset_s < cycle.heard_blank.last_end_s + longest_gap_s(cycle.heard_blank):
        return None  # no blank was changed within a gap: another machine turns at that speed
    if not spots:
        contact_s = dated_contact_s(alignment, schedule, onset_s, hop.t)
        if contact_s != contact_s:
            alignment.goes_on = alignment.reckoned = True
            return None
        if contact_s > onset_s:
            alignment.reckoned = True
            early_s = contact_s - onset_s
            onset_s += early_s
    if onset_s < alignment.since_s and spot.was_in and not spots:  # it sounded on as the spindle changed
        onset_s = _loaded_s(cycle, detector)
        if onset_s != onset_s:
            return None
    cycle.settle()
    cycle.cut = cut = Cut(onset_s, spots, cycle.deepest_mm, early_s=early_s)
    cut.due_s = math.inf if spots else retract_s(alignment, schedule, onset_s)
    cut.turns = rotation.reference_hz * max(0.0, hop.t - hop.step_s - onset_s)
    if not (cycle.in_blank and cycle.peck):
        cut.unlikely, cut.unspotted = _begins_unlikely(cycle, cut), _begins_unspotted(cycle, cut)
    if detector.load_shows:
        cut.usual_sag_pct = 100 * detector.cut_sag
    return cut


def _begins_unlikely(cycle: Cycle, cut: Cut) -> bool:
    """Whether no blank of this batch began as what may be the first contact of one."""
    if cut.spot:
        return cycle.spot.in_turn and is_unstarted(cycle.begin, cycle.schedule)
    begin = cycle.begin
    return begins_oddly(begin, cycle.schedule, cycle.heard_blank.feed_mm_s, cut.start_s)


def _begins_unspotted(cycle: Cycle, cut: Cut) -> bool:
    """Whether what may be the first contact of a blank came without the centre drill that the others had.

    That tells nothing of whether it cuts: another sound may cover the centre drill, or it was left out.
    """
    begin = cycle.begin
    sent = begin.anchor.from_rest or begin.sent_s >= begin.free_s
    return not cut.spot and cycle.schedule.learned and centre_drill.was_left_out(cycle.spot, sent)


def _spot_is_over(cycle: Cycle, cut: Cut, rotation: Rotation) -> bool:
    """Whether the spindle is heard at the drill's speed since: what goes on is another sound."""
    sent = cut.spot and cut.told and not cycle.spot.at_speed and cut.start_s < cycle.begin.sent_s
    return sent and rotation.sag == rotation.sag


def _outlasts_spot(cycle: Cycle, seconds: float) -> bool:
    first_peck_s = cycle.schedule.length_mm(0) / cycle.heard_blank.feed_mm_s
    return centre_drill.outlasts(cycle.spot, seconds, first_peck_s)


def _loaded_s(cycle: Cycle, detector: CuttingDetector) -> float:
    """Since when the spindle is loaded as by a cut, for half a second; NaN where it is not, or load does
    not tell."""
    hops = round(ANSWER_S / HOP_S)
    lately = list(islice(reversed(cycle.heard_blank.course), hops))
    least_pct = 100 * SURE_SHARE * detector.cut_sag
    loads = [one.sag_pct >= least_pct for one in lately]
    return lately[-1].s if detector.load_shows and len(loads) == hops and all(loads) else math.nan


def _tell_first_peck(cycle: Cycle, t: float, cut: Cut) -> Iterator[Event]:
    """No centre drill was heard in this blank: what was taken for it is the first peck."""
    cycle.settle()
    cut.spot, cut.due_s = False, retract_s(cycle.alignment, cycle.schedule, cut.start_s)
    cycle.spot.plain += 1
    if cut.told:
        cycle.peck, cycle.begin.started = 1, False
        yield told(cycle, t, Kind.PECK_START, "Peck 1 begins.", cut.start_s)


def _tell_contact(cycle: Cycle, t: float, cut: Cut) -> Iterator[Event]:
    cycle.settle()
    cut.told = True
    if cut.spot and cycle.peck:
        yield from end_blank(cycle, t)  # only the next blank is spotted again
    elif _is_next_blanks(cycle, cut):
        cycle.endings.pauses += 1
        yield from end_blank(cycle, t)
        cycle.alignment.since_s, cut.from_mm, cut.due_s = cut.start_s, 0.0, math.inf
        cycle.endings.within_gap, cut.spot = True, centre_drill.may_take_turn(cycle.spot)
    if not cycle.in_blank:
        yield from _begin_blank(cycle, t, cut)
    if cut.spot:
        if not cycle.spot.in_turn:  # else it may still prove to be the first peck
            yield told(cycle, t, Kind.SPOT_START, "The centre drill is in.", cut.start_s)
        return
    cycle.peck += 1
    # what was before a peck of this blank, as from the centre drill's speed, is its own
    cycle.begin.started = False
    yield told(cycle, t, Kind.PECK_START, f"Peck {cycle.peck} begins.", cut.start_s)


def _is_next_blanks(cycle: Cycle, cut: Cut) -> bool:
    may = cycle.in_blank and not cycle.alignment.reckoned
    return may and contact_ends_blank(cycle.heard_blank, cycle.endings, cut)


def _begin_blank(cycle: Cycle, t: float, cut: Cut) -> Iterator[Event]:
    heard, begin = cycle.heard_blank, cycle.begin
    cycle.in_blank = True
    cycle.blank += 1
    cycle.peck = 0
    heard.pecks, heard.faulty, heard.lost_after = [], False, -1
    if begin.stays_away:
        cycle.schedule.leads_s[True].clear()
        cycle.schedule.changes_s.clear()
        begin.anchor, begin.stays_away = Anchor(True), False
    begin.from_rest, begin.started = begin.started, False
    begin.after_whole = heard.whole
    yield told(cycle, t, Kind.BLANK_START, f"Blank {cycle.blank} begins.", cut.start_s)


def _end_cut(cycle: Cycle, t: float) -> Iterator[Event]:
    cycle.settle()
    cut, alignment = cycle.cut, cycle.alignment
    end_s = cycle.quiet_since_s if cycle.quiet_since_s == cycle.quiet_since_s else t
    if cut is not None and cut.told:
        end_s = max(end_s, cut.start_s + HOP_S)  # one that only its load told may be quiet from the first
        yield from _end_peck(cycle, t, cut, end_s)
    cycle.cut, alignment.run_s, alignment.goes_on = None, math.nan, False
    uncover(cycle.heard_blank, alignment, end_s)
    if alignment.runs and alignment.runs[-1].end_s == math.inf:
        alignment.runs[-1] = Run(alignment.runs[-1].start_s, end_s)
        _align(cycle, t)


def _end_peck(cycle: Cycle, t: float, cut: Cut, end_s: float) -> Iterator[Event]:
    cycle.settle()
    cycle.cut = None
    heard = cycle.heard_blank
    if cut.spot:
        yield from _end_spot(cycle, t, cut, end_s)
        return
    if _was_spot(cycle, cut, end_s):
        cycle.peck = 0
        cycle.spot.seconds.pop()
        yield told(cycle, t, Kind.PECK_END, "Nothing was pecked: the centre drill was in.", end_s)
        yield from _end_spot(cycle, t, cut, end_s)
        return
    peck = heard_peck(heard, cut, end_s, cycle.feed_mm)
    cycle.touched = only_touches(heard, peck, cut)
    if cycle.touched:
        message = f"Nothing was pecked: what was heard only touched, at {cycle.deepest_mm:.1f} mm."
        yield told(cycle, t, Kind.PECK_END, message, end_s)
        cycle.peck -= 1
        return
    told_as = cycle.peck
    anew = begins_anew(heard, peck, cut)
    heard.pecks.append(peck)
    heard.last_end_s = end_s
    if anew:
        _forget_all_but(cycle, peck)
        cut.from_mm = 0.0
    cycle.deepest_mm = _reached_mm(cycle, cut, peck)
    heard.untold.append(UntoldPeck(cut.start_s, end_s, cycle.peck, cycle.deepest_mm, cut))
    message = f"Peck {cycle.peck} ends at {cycle.deepest_mm:.1f} mm."
    if cycle.peck < told_as:
        message += f" It was told as peck {told_as}: what was taken for pecks before it was none."
    yield told(cycle, t, Kind.PECK_END, message, end_s)


def _was_spot(cycle: Cycle, cut: Cut, end_s: float) -> bool:
    if cycle.peck != 1:
        return False
    seconds, changed_s = end_s - cut.start_s, cut.start_s - cycle.alignment.since_s
    feed_mm_s = cycle.heard_blank.feed_mm_s
    return centre_drill.was_taken_for_peck(cycle.spot, cycle.schedule, feed_mm_s, seconds, changed_s)


def _forget_all_but(cycle: Cycle, peck: HeardPeck) -> None:
    """What was taken for pecks before the newest one was none."""
    alignment, newest = cycle.alignment, len(cycle.heard) - 1
    alignment.hidden = [(0, reckoned_s) for k, reckoned_s in alignment.hidden if k == newest]
    cycle.peck, cycle.heard[:] = 1, [peck._replace(gap_s=math.nan)]
    cycle.heard_blank.untold.clear()


def _reached_mm(cycle: Cycle, cut: Cut, peck: HeardPeck) -> float:
    """Depth after a peck: as planned where it is like that, and no deeper than the hole where those
    before were."""
    schedule, heard = cycle.schedule, cycle.heard
    length = schedule.planned_mm(cycle.peck - 1) if schedule.alike(peck, cycle.peck - 1) else peck.length_mm
    follows = len(heard) < 2 or schedule.follows(heard[:-1])
    deepest = schedule.depth_mm if follows else math.inf
    return min(cut.from_mm + length, max(deepest, cut.from_mm))


def _end_spot(cycle: Cycle, t: float, cut: Cut, end_s: float) -> Iterator[Event]:
    spot = cycle.spot
    cycle.alignment.since_s, spot.was_in = end_s, True
    spot.restarts = False  # this one may be changed while the spindle turns
    if spot.in_turn:
        yield told(cycle, t, Kind.SPOT_START, "The centre drill was in.", cut.start_s)
        spot.seconds.append(end_s - cut.start_s)
        spot.plain_before, spot.plain = spot.plain, 0
        cycle.heard_blank.course.clear()  # no peck
        cycle.alignment.runs = []
    yield told(cycle, t, Kind.SPOT_END, "The centre drill is out.", end_s)
