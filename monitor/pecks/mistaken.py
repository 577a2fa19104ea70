"""What sounded like a peck, or a blank, and proves to have been none."""

from __future__ import annotations

import numpy as np

from monitor.dating import LEAST_GAP_S
from monitor.pecks.cut import Cut
from monitor.pecks.heard import LONGER, HeardBlank, laid_over, mean_peck_s, program_s
from monitor.schedule import EARLY, STEADY_S, HeardPeck

TOUCH_SHARE, TOLD_HOPS = 0.4, 4
"""Of the peck that is due: what is shorter may be a touch; and hops of load that tell so."""

TOUCH_LOAD = 0.25
"""Of the load of cuts: a motor has not answered in full to what is so short."""

WHOLE_SHARE = 0.7
"""Of a program's time: within less no blank was drilled."""

ALIKE_NATS = 1.7
"""What a peck is worth that is as long as the program's: by chance one in five or six is."""


def only_touches(blank: HeardBlank, peck: HeardPeck, cut: Cut) -> bool:
    """Whether a cut that has just ended was no peck of the blank.

    It was much shorter than the one that is due, and either begun before the program was back from one
    that ended early, or without the load of a cut, after one that ended early or where the program does
    not tell what was due then.
    """
    schedule, k = blank.schedule, len(blank.pecks)
    if not k or k >= schedule.count or peck.reckoned:
        return False
    if peck.length_mm >= TOUCH_SHARE * schedule.length_mm(k):
        return False
    last = blank.untold[-1]
    expected_mm = schedule.least_mm(k - 1)
    left_s = expected_mm / blank.feed_mm_s - (last.end_s - last.start_s)
    early = blank.pecks[-1].length_mm < EARLY * expected_mm
    feeds_on = early and peck.gap_s < left_s + LEAST_GAP_S
    told = cut.usual_sag_pct > 0 and len(cut.sags) >= TOLD_HOPS
    light = told and not peck.sure and float(np.mean(cut.sags)) < TOUCH_LOAD * cut.usual_sag_pct
    return feeds_on or (light and (early or not schedule.known))


def begins_anew(blank: HeardBlank, peck: HeardPeck, cut: Cut) -> bool:
    """Whether what was taken for pecks before the one that has just ended was none, and it is the first.

    An axis that brings the drill to the face may sound like a cut until some were heard. It is over
    sooner than a first peck, and what follows is as long as one; and either that came when the first one
    would not have been over, or it loads the spindle where the others did not. Not where it came a gap
    later, as the program has it: a drill that enters slowly is heard late.
    """
    schedule, before = blank.schedule, blank.pecks
    least_mm = EARLY * schedule.length_mm(0)
    short = all(other.length_mm < least_mm and not other.reckoned for other in before)
    if not before or peck.length_mm < least_mm or not short:
        return False
    gap_s = [gap.middle for gap in schedule.gaps[len(before) : len(before) + 1]]
    if any(abs(peck.gap_s - usual_s) <= STEADY_S for usual_s in gap_s):
        return False
    since_s = cut.start_s - blank.untold[0].start_s
    unloaded = cut.usual_sag_pct > 0 and peck.sure and not any(other.sure for other in before)
    return since_s < peck.seconds + LEAST_GAP_S or unloaded


def was_no_blank(blank: HeardBlank, surplus: bool = False) -> bool:
    """Whether what began like a blank was another sound: the program is known, and there was no time for
    a blank and none of the pecks heard is the one that it has at that place, or it is likelier that none
    was drilled. One that was held counts, unless no blank of this batch began as it did. ``surplus``: the
    batch has no more blanks; then the program has to explain it, or more than its sound tell that it was cut.
    """
    schedule, pecks = blank.schedule, blank.pecks
    if not (schedule.learned and pecks) or len(pecks) >= schedule.count:
        return False
    first = blank.untold[0].cut
    if blank.faulty and not (first.unlikely or first.unspotted):
        return False
    sound, program, heard = laid_over(blank)
    alike = sum(schedule.alike(peck, k) for k, peck in enumerate(pecks))
    longest_s = max([known.middle_s for known in program.lengths])
    too_long = any(peck.seconds > LONGER * longest_s for peck in pecks)
    free_s = blank.begin.free_s
    free_s = max(free_s, program.earliest_s) if too_long else free_s
    if not alike and blank.last_end_s - free_s < WHOLE_SHARE * program_s(program):
        return True
    nats, _ = sound.lay(program)
    if surplus and not any(peck.told for peck in pecks):
        return sound.as_heard([]) >= nats
    as_heard = sound.as_heard(heard, mean_peck_s(program)) + ALIKE_NATS * alike
    return sound.as_heard([]) >= max(nats, as_heard)
