"""How a blank ends: whether the hole is through, and whether a pause, or the next contact, ends it while the
spindle turns on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.pecks.cut import Cut, is_sure
from monitor.pecks.heard import HeardBlank, laid_over, longest_gap_s, mean_peck_s, program_s
from monitor.schedule import LIKE, PAUSE_S, PAUSE_TIMES, HeardPeck, Schedule, same

FULL_DEPTH = 0.97
"""Share of the hole's depth that counts as through."""

NEARLY = 0.85
"""Share of the depth that counts as through after as many pecks as the job has: contacts are dated late."""

ASK_S = 2.0
"""Between two looks whether the program has pecks to come."""

LONG_PAUSE_S, LONG_PAUSE_TIMES = 8.0, 4.0
"""Short of full depth a person may look into the hole: a pause of this and of so many times the longest gap
heard ends the blank all the same (eight seconds, four gaps: judged)."""


@dataclass(slots=True)
class Endings:
    """How the blanks of this batch ended: as the spindle stopped (``stops``), or while it turned on.

    ``within_gap``: this blank began within a gap; ``more_pecks``: one that did was none, for the program has
    more pecks than known. ``asked_s``: when the program was last asked whether it has pecks to come.
    """

    stops: int = 0
    pauses: int = 0
    within_gap: bool = False
    more_pecks: bool = False
    asked_s: float = -math.inf


def is_through(schedule: Schedule, pecks: Sequence[HeardPeck], drilled: int, from_mm: float) -> bool:
    """Whether the hole should be through, by its depth or by the pecks that were drilled."""
    if from_mm >= FULL_DEPTH * schedule.depth_mm:
        return True
    if drilled < schedule.count:
        return False
    known = schedule.learned or from_mm >= NEARLY * schedule.depth_mm
    return known or schedule.follows(pecks[:-1])


def hides_gaps(schedule: Schedule, pecks: Sequence[HeardPeck]) -> bool:
    """Whether a cut of a first blank was longer than any peck planned: several of them under another
    sound, mostly, so that neither the depth reached nor the gaps are known."""
    return not schedule.learned and any(_runs_together(schedule, peck) for peck in pecks)


def depth_told(schedule: Schedule, pecks: Sequence[HeardPeck]) -> bool:
    """Whether the depth reached is known: no pecks of a first blank were run together by another sound
    that has ended since, as a whole peck tells. Where it goes on, the program may be at its end."""
    return not hides_gaps(schedule, pecks) or _runs_together(schedule, pecks[-1])


def _runs_together(schedule: Schedule, peck: HeardPeck) -> bool:
    return peck.length_mm > (1 + LIKE) * max(schedule.job_mm)


def pause_ends_blank(blank: HeardBlank, endings: Endings, through: bool, t: float) -> bool:
    """Whether the pause since the last peck ends the blank though the spindle turns on."""
    schedule, pecks = blank.schedule, blank.pecks
    longest_s = max((peck.gap_s for peck in pecks[1:]), default=0.0)
    # a longer one was no gap: its pecks are of two blanks
    longest_s = min(longest_s, longest_gap_s(blank))
    paused_s = t - blank.last_end_s
    if paused_s < max(PAUSE_S, PAUSE_TIMES * longest_s):
        return False
    if paused_s >= max(LONG_PAUSE_S, LONG_PAUSE_TIMES * longest_s) + _missed_s(blank):
        return True
    fewer = len(pecks) < schedule.count  # else no peck was run together with another
    if fewer and hides_gaps(schedule, pecks) and paused_s < longest_gap_s(blank):
        return False
    if endings.stops > endings.pauses:
        return False  # it mostly ends when the spindle stops
    count = schedule.count
    if through and len(pecks) >= count and schedule.follows(pecks[: count - 1]):
        return True
    # other sound may have made the hole seem through, or hidden pecks: the program tells, as it fits best
    if t < endings.asked_s + ASK_S:
        return False
    endings.asked_s = t
    sound, program, heard = laid_over(blank)
    nats, laid = sound.goes_on(2 * program_s(program)).lay(program)
    if laid and nats > sound.as_heard(heard, mean_peck_s(program)):
        over = laid[0][-1].end_s <= t
        return over and (through or schedule.learned)
    return through


def _missed_s(blank: HeardBlank) -> float:
    """Time that the program feeds on after a peck that ended early, and in the one that should follow."""
    if not blank.pecks:
        return 0.0
    k = len(blank.pecks)
    left_mm = max(blank.schedule.length_mm(k - 1) - blank.pecks[-1].length_mm, 0.0)
    return (left_mm + blank.schedule.length_mm(k)) / blank.feed_mm_s


def contact_ends_blank(blank: HeardBlank, endings: Endings, cut: Cut) -> bool:
    """Whether a contact is the next blank's, though the spindle turned on and the pause was no longer
    than those between pecks: this blank had all its pecks, each as the program has it, and this cut loads
    the spindle as they did."""
    if endings.more_pecks or blank.faulty or endings.stops >= max(endings.pauses, 1):
        return False
    schedule, heard = blank.schedule, blank.pecks
    whole = len(heard) == schedule.count and schedule.follows(heard)
    if not whole and len(heard) == schedule.count > 1 and schedule.follows(heard[:-1]):
        # another sound hid the end of the last one: so deep is no hole
        last_mm = schedule.length_mm(schedule.count - 1)
        whole = heard[-1].length_mm > last_mm and not same(heard[-1], last_mm)
    paused_s = cut.start_s - blank.last_end_s
    if not (whole and paused_s >= PAUSE_S and is_sure(cut)):
        return False
    if cut.usual_sag_pct > 0:
        return bool(cut.sags)
    return paused_s > max((peck.gap_s for peck in heard[1:]), default=0.0)
