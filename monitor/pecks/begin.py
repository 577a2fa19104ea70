"""How a blank begins: when its first contact is due, and whether one came when none of this batch does."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from monitor.dating import Known
from monitor.pecks.centre_drill import CentreDrill
from monitor.schedule import Schedule, lead_of
from monitor.spindle import Rotation

MOSTLY = 3
"""So many times as often tells how blanks begin."""

STEADY_S = 0.12
"""Times to the first contact that lie within this, for each of them but one, are a program's: each is dated
to a hop. A person who starts it by hand takes some five seconds, more or less (judged): two agree so well
once in 20 times, three once in 150, and the next comes seconds later only at times."""


class Anchor(NamedTuple):
    """From when a first contact is counted: the spindle's start where it is ``from_rest``, else the end of
    the blank before; NaN where that is not known."""

    from_rest: bool = False
    s: float = math.nan


@dataclass(slots=True)
class Beginning:
    """What came before the blank under way, or before the next one.

    ``sent_s``: when the spindle was started, or sent to another speed; ``started``: that was after the last
    peck. ``free_s``: since when the machine could drill the next blank; ``out_s``: when the last blank's last
    peck ended. ``was_held``: the blank before was; ``stays_away``: a first contact was due and did not come.
    ``from_rest``: the spindle was started, or sent to its speed, between the blank before and this one;
    ``after_whole``: of that all pecks were heard.
    """

    anchor: Anchor = field(default_factory=Anchor)
    sent_s: float = -math.inf
    started: bool = False
    free_s: float = -math.inf
    out_s: float = -math.inf
    was_held: bool = False
    stays_away: bool = False
    from_rest: bool = False
    after_whole: bool = True


def follow_spindle(
    begin: Beginning, t: float, rotation: Rotation, left_spot_speed: bool, pecking: bool
) -> None:
    """Take note of a start, or of another speed; ``pecking``: pecks of this blank were heard."""
    sent = rotation.started or rotation.changed
    begin.started = begin.started or sent
    if sent or left_spot_speed:
        begin.sent_s = t
    if rotation.started and begin.stays_away:  # a hold too, after which a person has looked
        begin.stays_away, begin.was_held = False, True
    if sent and not pecking:
        begin.anchor = Anchor(True, t)
        if rotation.started:
            begin.free_s = t


def usual_lead(begin: Beginning, schedule: Schedule) -> Known | None:
    """Time from the anchor to the first contact, where it and that are known."""
    from_rest, anchor_s = begin.anchor
    return schedule.lead(from_rest) if anchor_s == anchor_s else None


def is_unstarted(begin: Beginning, schedule: Schedule) -> bool:
    """Whether the spindle was not started though it was for nearly all blanks."""
    went_on, started = (len(leads) for leads in schedule.leads_s)
    return not begin.anchor.from_rest and started >= MOSTLY * max(1, went_on)


def begins_oddly(begin: Beginning, schedule: Schedule, feed_mm_s: float, contact_s: float) -> bool:
    """Whether no blank would begin then: without a start of the spindle where it was started for nearly
    all of them, or at another time than always after it."""
    if is_unstarted(begin, schedule):
        return True
    if len(schedule.leads_s[begin.anchor.from_rest]) < MOSTLY:
        return False
    return comes_off_lead(begin, schedule, feed_mm_s, contact_s)


def comes_off_lead(begin: Beginning, schedule: Schedule, feed_mm_s: float, contact_s: float) -> bool:
    """Whether a first contact came at another time after the anchor than it always does."""
    lead = usual_lead(begin, schedule)
    if lead is None:
        return False
    enters_s = schedule.point_mm / feed_mm_s  # unheard
    return not lead.least_s <= contact_s - begin.anchor.s <= lead.most_s + enters_s


class Due(NamedTuple):
    """By when the first contact comes, NaN where that is not known; ``steady``: in all blanks remembered it
    came at a time that only a program keeps (`STEADY_S`)."""

    s: float = math.nan
    steady: bool = False


def first_contact_due(
    begin: Beginning, spot: CentreDrill, schedule: Schedule, since_s: float, pecking: bool
) -> Due:
    """By when the first contact comes, as for `Cycle.first_contact_due`; ``since_s``: when this blank began,
    or the centre drill's end."""
    from_rest, anchor_s = begin.anchor
    begun = pecking or begin.was_held
    if spot.in_turn and spot.was_in and not anchor_s > since_s:
        changes_s = schedule.changes_s
        change = lead_of(changes_s) if len(changes_s) >= 2 and schedule.known else None
        return Due() if begun or change is None else _due(since_s, change, changes_s)
    if spot.in_turn:
        to_be_spotted = spot.restarts and not spot.was_in
    else:
        spotted = spot.ran_at_speed or spot.ran_since_peck
        to_be_spotted = spot.at_speed or not (spot.rpm is None or spotted)
    if begun or not from_rest or to_be_spotted or len(schedule.leads_s[True]) < 2:
        return Due()
    lead = schedule.lead(True) if schedule.known and begin.sent_s <= anchor_s else None
    return Due() if lead is None else _due(anchor_s, lead, schedule.leads_s[True])


def _due(since_s: float, known: Known, before_s: Sequence[float]) -> Due:
    return Due(since_s + known.most_s, max(before_s) - min(before_s) <= STEADY_S * (len(before_s) - 1))


def learn_lead(begin: Beginning, schedule: Schedule, start_s: float, end_s: float) -> None:
    """Learn from a blank that began and ended then how long after the spindle's start, or the blank before,
    the first contact comes."""
    from_rest, anchor_s = begin.anchor
    if anchor_s < start_s:  # false where it is not known
        schedule.leads_s[from_rest].append(start_s - anchor_s)
    if -math.inf < begin.out_s < start_s:
        schedule.reloads_s.append(start_s - begin.out_s)
    begin.out_s = begin.free_s = end_s
    begin.anchor = Anchor(False, end_s)
