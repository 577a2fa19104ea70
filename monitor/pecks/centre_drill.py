"""The centre drill: told by its own speed, or, where it turns as fast as the drill, by turn and length."""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from monitor.alignment import OFF_S
from monitor.forewarning import SPOT_APART
from monitor.hop import Hop
from monitor.job import Job
from monitor.pecks.cut import Cut
from monitor.schedule import (
    BLANKS,
    DATED_S,
    EARLY,
    LIKE,
    PAUSE_S,
    PAUSE_TIMES,
    HeardPeck,
    Schedule,
    lead_of,
)
from monitor.spindle import Rotation

PLAIN_BLANKS = 2
"""After so many blanks running that began with a whole peck, and with no centre drill, none is expected."""

OUTLASTS = 1.5
"""Times as long as centre drills before it: what began as one and goes on is the first peck."""


@dataclass(slots=True)
class CentreDrill:
    """What is known of it.

    ``rpm`` is the job's, None where it names none, ``drill_rpm`` that of the drill. ``in_turn``: each
    blank's first contact is the centre drill's, since it turns as fast as the drill. ``at_speed``: the
    spindle turns at the centre drill's own speed; ``ran_at_speed``: it did since it was started,
    ``ran_since_peck``: since the last peck, be it that it was stopped to change the tool. ``was_in``: in
    this blank. ``restarts``: the spindle stops while the tool is changed after it. ``seconds``: how long
    it was in, in the blanks before; ``plain``: blanks running that began without it, ``plain_before``
    until it was in. ``told_by``: blanks that tell of one that the job does not name, held ones half;
    ``alone``: the only peck of the blank before.
    """

    rpm: float | None
    drill_rpm: float
    in_turn: bool
    at_speed: bool = False
    ran_at_speed: bool = False
    ran_since_peck: bool = False
    was_in: bool = False
    restarts: bool = False
    seconds: deque[float] = field(default_factory=lambda: deque(maxlen=BLANKS))
    plain: int = 0
    plain_before: int = 0
    told_by: int = 0
    alone: HeardPeck | None = None


def of_job(job: Job) -> CentreDrill:
    """That of a job, before anything was heard."""
    in_turn = job.spot_rpm is not None and abs(job.spot_rpm / job.spindle_rpm - 1) < SPOT_APART
    return CentreDrill(job.spot_rpm, job.spindle_rpm, in_turn)


def has_speed(spot: CentreDrill, spindle_hz: float) -> bool:
    """Whether a speed is nearer to that of the centre drill than to that of the drill."""
    spot_rpm = None if spot.in_turn else spot.rpm
    rpm = spindle_hz * 60
    return spot_rpm is not None and abs(math.log(rpm / spot_rpm)) < abs(math.log(rpm / spot.drill_rpm))


def follow_speed(spot: CentreDrill, rotation: Rotation, peck: int, pecking: bool) -> bool:
    """Take note of the spindle's speed; whether it was just sent from the centre drill's to another.

    ``peck``: number of the newest one; ``pecking``: it is one of a blank under way.
    """
    was_at_speed, spot.at_speed = spot.at_speed, has_speed(spot, rotation.reference_hz)
    spot.ran_at_speed = spot.at_speed or (spot.ran_at_speed and not rotation.started)
    spot.ran_since_peck = spot.at_speed or (spot.ran_since_peck and not pecking)
    spot.restarts = spot.restarts or (rotation.started and spot.was_in and peck == 0)
    return was_at_speed and not spot.at_speed


def may_take_turn(spot: CentreDrill) -> bool:
    """Whether a blank's first contact is taken for the centre drill's, at the drill's speed."""
    return spot.in_turn and spot.plain < PLAIN_BLANKS


def was_left_out(spot: CentreDrill, sent: bool) -> bool:
    """Whether a blank would begin without the centre drill, at the drill's speed, though the program has
    spotted at another since the spindle was started, and not left it out in the blanks before; ``sent``: it
    was sent, or started, since the blank before."""
    own_speed = spot.rpm is not None and not spot.in_turn
    spots = own_speed and spot.ran_at_speed and spot.plain < PLAIN_BLANKS
    return spots and not (sent or spot.was_in or spot.at_speed)


def count_plain(spot: CentreDrill) -> None:
    """A blank is over, and counts: take note of one that began without a centre drill of its own speed."""
    if spot.rpm is not None and not spot.in_turn:
        spot.plain = 0 if spot.was_in else spot.plain + 1


def is_its_contact(spot: CentreDrill, hop: Hop, peck: int) -> bool:
    """Whether what sounds like a cut now, after so many pecks of the blank, is the centre drill's: told by
    its speed, where the job gives it one of its own, and else, where there is any, by its turn."""
    if spot.in_turn:
        return peck == 0 and not spot.was_in and may_take_turn(spot)
    if spot.rpm is None:
        return False
    if not hop.heard:
        return peck == 0 and not spot.was_in  # the first thing in a blank of such a job
    return has_speed(spot, hop.spindle_hz)


def is_in(spot: CentreDrill, in_blank: bool, peck: int, cut: Cut | None) -> bool:
    """Whether it is in, or was last in, as for `Cycle.spotting`."""
    if spot.at_speed:
        return True
    if spot.in_turn:
        if cut is not None and cut.spot:
            # what turns as fast as the drill binds as it does
            return spot.rpm not in (None, spot.drill_rpm) and not cut.fell
        return in_blank and peck == 0 and cut is None  # the tool is changed
    if not in_blank:
        # begun, and not told yet; what falls from the drill's speed binds
        return cut is not None and cut.spot and not cut.fell
    # at the drill's speed, what has begun to sound like a cut is its first peck, told or not yet
    return peck == 0 and (cut is None or cut.spot)


def outlasts(spot: CentreDrill, seconds: float, first_peck_s: float) -> bool:
    """Whether what began in the centre drill's turn, at the drill's speed, is the first peck: it goes on
    as one does, and for longer than centre drills before it."""
    usual_s = statistics.median(spot.seconds) if spot.seconds else 0.0
    return seconds > max(EARLY * first_peck_s, OUTLASTS * usual_s) + OFF_S  # its end is known some hops later


def was_taken_for_peck(
    spot: CentreDrill, schedule: Schedule, feed_mm_s: float, seconds: float, changed_s: float
) -> bool:
    """Whether what seems a short first peck, of so many seconds so long after what was taken for the centre
    drill's, was the centre drill's: it is as long as always, the other was not, and no tool is changed so
    soon."""
    if not (spot.in_turn and spot.was_in and len(spot.seconds) > 1):
        return False
    *before_s, taken_s = spot.seconds
    usual_s, change = statistics.median(before_s), lead_of(schedule.changes_s)
    within_s = max(LIKE * usual_s, 3 * DATED_S)
    alike = abs(seconds - usual_s) <= within_s < abs(taken_s - usual_s)
    short = seconds * feed_mm_s < EARLY * schedule.length_mm(0)
    return alike and short and change is not None and changed_s < change.least_s


def hid_first_peck(spot: CentreDrill, schedule: Schedule, pecks: Sequence[HeardPeck]) -> bool:
    """Whether it was too faint to be heard in a good blank, and the first peck was taken for it: the others
    are each as the job has them."""
    plan = _plan(schedule)
    if not (spot.was_in and spot.in_turn and len(pecks) == plan.count - 1 > 0):
        return False
    return not plan.follows(pecks) and plan.follows(pecks, 1)


def was_first_peck(spot: CentreDrill, schedule: Schedule, pecks: Sequence[HeardPeck], faulty: bool) -> bool:
    """Whether the first peck of a whole blank was a centre drill's at the drill's speed, that the job does
    not name or that was in for as long as a first peck; and learn of one that the job does not name.

    Then one contact more than the job has pecks was heard, the others each as the job has them, and,
    where it names none, the tool was changed after it, which takes longer than any gap. So short a
    contact may have been a drill that broke and was changed too, after a hold: then two blanks have to
    tell it, and where the change was so long that the blank seemed over.
    """
    alone, spot.alone = spot.alone, pecks[0] if len(pecks) == 1 else None
    named, plan = spot.in_turn, _plan(schedule)
    if not pecks or spot.was_in or (spot.rpm is not None and not named):
        return False  # it was told
    within = len(pecks) > plan.count
    first, others = (pecks[0], pecks[1:]) if within else (alone, pecks)
    if first is None or len(others) != plan.count or not plan.follows(others):
        return False
    if not named:
        longest_s = max([peck.gap_s for peck in others[1:]], default=0.0)
        changed = not within or others[0].gap_s > max(PAUSE_S, PAUSE_TIMES * longest_s)
        if not (changed and first.cut and first.length_mm < EARLY * plan.length_mm(0)):
            return False
        spot.told_by += 2 if within and not faulty else 1
        spot.in_turn = spot.told_by >= 2
    return within and spot.in_turn


def _plan(schedule: Schedule) -> Schedule:
    """The job's pecks, as they were heard where these are as many."""
    job_mm = schedule.job_mm
    return schedule if schedule.count == len(job_mm) else Schedule(job_mm, schedule.point_mm)
