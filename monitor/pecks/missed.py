"""Contacts that stay away between pecks: what is due next, and whether it surely did not come."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import takewhile
from typing import NamedTuple

import numpy as np

from monitor.alignment import OFF_S
from monitor.dating import SILENT_NATS, Program, Span
from monitor.pecks.begin import comes_off_lead, usual_lead
from monitor.pecks.cut import mean
from monitor.pecks.heard import (
    FITS_NATS,
    LAG_S,
    LONGER,
    HeardBlank,
    is_covered,
    laid_over,
    mean_peck_s,
    program_s,
)
from monitor.pecks.mistaken import TOLD_HOPS, TOUCH_LOAD
from monitor.schedule import EARLY, LIKE
from monitor.signal.frames import HOP_S

OVERDUE_S = 0.3
"""Silence in a peck that is surely one."""

MISSED_NATS = 11.0
"""So much likelier, by what was heard of a blank, that nothing is cut any more: some 7 for how rarely a drill
breaks (one blank in a thousand), and 4 for the blanks that are drilled in some hours."""

START_SLIPS_NATS = 7.0
"""A start of the spindle that was none, in the middle of a blank, is as rare as a drill that breaks: one
blank in a thousand. A word or a tune can hide the lines, and then leave them."""

AGREES_S = 0.3
"""Contacts and ends are dated to a tenth or two, and a program's times known to as much."""

FIRST_FITS_NATS = -3.0
"""So much the program has to explain better than a peck at any time does where one alone was heard: of it
there is only when it began, which is known to half a second and worth 2, or off by as much."""

STOOD_S = 0.5
"""What stood over idling for most of the last so long, when a contact was due, may be it: a knock is over
sooner, and no peck is much shorter."""

SILENT_LEAST_NATS = 10.0
"""Of these from the silence since a contact was due: 0.5 s at least. Ends and contacts are each dated to a
tenth or two, and a contact is heard a frame late."""

ONE_BLANK_SD_S = 0.25
"""Deviation of a gap that was heard once."""

TOUCHES_S = 1.0
"""A person who touches the face with the turning drill, to set its zero, lifts it sooner (judged)."""

TWO_ALIKE = 2
"""So many pecks of one blank have the program's lengths by chance once in thirty."""


class Look(NamedTuple):
    """A look for a missed contact at some time since the cut that ended at ``end_s``: when the contact is
    due, inf where the program has none, and whether it surely was missed."""

    end_s: float = math.nan
    s: float = math.nan
    due_s: float = math.inf
    missed: bool = False


def may_be_missed(blank: HeardBlank, newest: Look, end_s: float, t: float) -> bool:
    """Whether a look is worth while, for it costs much: pecks are to come, and the newest look did not tell
    that no contact can have been missed yet, with silence since."""
    schedule, count = blank.schedule, blank.schedule.count
    if not blank.untold or (len(blank.pecks) >= count and schedule.follows(blank.pecks[:count])):
        return False  # as many that are not the program's may be other sound
    if newest.end_s != end_s or t >= newest.due_s + SILENT_LEAST_NATS / SILENT_NATS * HOP_S:
        return True
    since = takewhile(lambda one: one.s > newest.s - LAG_S, reversed(blank.course))
    return not all(one.evidence <= 0.0 for one in since)


def look(blank: HeardBlank, end_s: float, t: float) -> Look | None:
    """Look whether a contact stayed away since the last cut ended; None where the pecks heard do not tell.

    The program is laid over all that was heard of this blank, twice: as if the drill cut on, and as if it
    did not. Sound that hid the end of a peck, a peck that was missed, or another sound that was taken for
    one, are weighed by both.
    """
    sound, program, heard = laid_over(blank)
    told = _with_what_is_known(blank, program)
    if told is None:
        return None
    program, alone = told
    if not _only_rubs(blank):
        longest_s = max([known.middle_s for known in program.lengths])
        sound = sound.surely_silent(end_s, LONGER * longest_s)
    # the blank may have begun in what was taken for the one before
    begin = blank.begin
    before_s = 0.0 if begin.anchor.from_rest or begin.after_whole else program_s(program)
    # it may have begun however soon: the piece before may have been looked at for long
    program = replace(program, earliest_s=-math.inf)
    heard_sound, sound = sound, sound.goes_on(2 * program_s(program), before_s)
    ends_nats, as_before, no_more = sound.broken_off(end_s)
    nats, laid = no_more.lay(program)
    due_s = next((p.start_s for p in laid[0] if p.start_s > end_s), math.inf) if laid else math.inf
    not_missed = Look(end_s, t, due_s)
    if not _explains(laid[0] if laid else [], blank, heard, alone):
        return not_missed  # of a peck that surely was one it knows nothing
    if due_s >= t or as_before.silent_nats(Span(due_s, t)) < SILENT_LEAST_NATS:
        return not_missed
    fits_nats = nats + ends_nats - sound.as_heard(heard, mean_peck_s(program))
    if _at_its_times(laid[0], program, heard, end_s):
        fits_nats += program.cost_nats(len(heard), HOP_S)
    # of those heard as many as the program may have had; others were another sound
    pecks = min(len(heard), max(sum([peck.start_s < end_s for peck in laid[0]]), 2))
    if fits_nats < FITS_NATS * (pecks - 1) + FIRST_FITS_NATS * (pecks == 1):
        return not_missed  # its times are other ones in this blank
    cuts_on, _ = as_before.lay(program)
    missed = nats + ends_nats - cuts_on >= MISSED_NATS
    if missed and begin.anchor.from_rest:
        # or the spindle turned on all the while, and the first pecks went unheard as it was taken to stand
        _, as_before, _ = heard_sound.goes_on(2 * program_s(program), program_s(program)).broken_off(end_s)
        earlier, _ = as_before.lay(program)
        missed = nats + ends_nats - (earlier - START_SLIPS_NATS) >= MISSED_NATS
    return not_missed._replace(missed=missed)


def _with_what_is_known(blank: HeardBlank, program: Program) -> tuple[Program, bool] | None:
    """The program with its gaps as far as they are known, without its lead where the pecks heard tell more
    surely when it began, and whether they do because the only one surely was its first: silence before it
    tells that, whenever the blank was changed. None where it may be a later one, or another sound."""
    schedule, pecks, begin = blank.schedule, blank.pecks, blank.begin
    first_known = program.lead is not None or (begin.anchor.from_rest and _first_cuts(blank))
    off = off_lead(blank)
    alone = len(pecks) == 1 and pecks[0].told and (off or not first_known) and schedule.alike(pecks[0], 0)
    alone = alone or (len(pecks) == 1 and not off and not first_known and _first_broke_off(blank))
    start_hidden = off and _is_first_by_length(blank)
    if len(pecks) == 1 and not alone and ((off and not start_hidden) or not first_known):
        return None
    if begin.sent_s > blank.untold[-1].end_s:
        return None  # what was heard was the centre drill
    if len(pecks) == 1 and (alone or start_hidden):
        program = replace(program, lead=None)
    sd_s = ONE_BLANK_SD_S if schedule.blanks == 1 else 0.0
    return program.with_longest_gaps(sd_s, schedule.hidden_s(blank.feed_mm_s)), alone


def _first_broke_off(blank: HeardBlank) -> bool:
    """Whether the first peck heard surely was a cut, over before the program's first one is.

    By load and beat; or by its beat alone and half of that peck: what runs out of true beats too where a
    person holds a tool against it.
    """
    first, whole_mm = blank.pecks[0], blank.schedule.length_mm(0)
    surely = blank.detector.load_tells and first.sure and first.loads
    told = first.beats and (surely or first.length_mm >= whole_mm / 2)
    return told and first.length_mm < whole_mm and first.seconds >= TOUCHES_S


def _explains(laid: Sequence[Span], blank: HeardBlank, heard: Sequence[Span], alone: bool) -> bool:
    """Whether the program, as it was laid, has each peck that surely was a cut; one that was heard
    ``alone`` as its first: what was silent before was no peck."""
    if alone and not is_covered(heard[0], laid[:1]):
        return False
    cuts = [span for span, peck in zip(heard, blank.pecks, strict=True) if peck.told]
    return all(is_covered(span, laid) for span in cuts)


def _at_its_times(laid: Sequence[Span], program: Program, heard: Sequence[Span], end_s: float) -> bool:
    """Whether the pecks heard came when the program, as it was laid, has them: then what is still to come
    says nothing against it. The first may be heard late, as the point goes in; the last broke off."""
    so_far = [one for one in laid if one.start_s < end_s]
    if len(so_far) != len(heard):
        return False
    enters_s = min(program.enters_s, (so_far[0].end_s - so_far[0].start_s) / 2)
    late_s = heard[0].start_s - so_far[0].start_s
    contacts = all(abs(a.start_s - b.start_s) < AGREES_S for a, b in zip(so_far[1:], heard[1:], strict=True))
    ends = all(abs(a.end_s - b.end_s) < AGREES_S for a, b in zip(so_far[:-1], heard[:-1], strict=True))
    return -AGREES_S < late_s < enters_s + AGREES_S and contacts and ends


def _first_cuts(blank: HeardBlank) -> bool:
    """Whether the first peck heard surely was a cut: it loaded where load tells, or else it got louder as
    the lips come round."""
    return blank.pecks[0].sure if blank.detector.load_tells else blank.pecks[0].beats


def _is_first_by_length(blank: HeardBlank) -> bool:
    """Whether the first peck heard surely was a cut, as long as the program's first one and no other."""
    schedule, first = blank.schedule, blank.pecks[0]
    others = any(schedule.alike(first, k) for k in range(1, schedule.count))
    return _first_cuts(blank) and schedule.alike(first, 0) and not others


def off_lead(blank: HeardBlank) -> bool:
    """Whether the first contact came at another time after the spindle's start, or the blank before, than
    it always does: it was another sound, or is not the first one."""
    if not blank.untold:
        return False
    return comes_off_lead(blank.begin, blank.schedule, blank.feed_mm_s, blank.untold[0].start_s)


def surely_cut(blank: HeardBlank) -> bool:
    """Whether more than sound says that pecks of this blank were some: one loaded the spindle, or beat as
    the lips come round; the first contact came when it always does; or two had the program's lengths.

    A blast of air and knocks as a blank is changed sound like pecks too, where the spindle turns on.
    """
    if any(peck.told for peck in blank.pecks):
        return True
    if usual_lead(blank.begin, blank.schedule) is not None and not off_lead(blank):
        return True
    alike = sum(blank.schedule.alike(peck, k) for k, peck in enumerate(blank.pecks))
    return alike >= TWO_ALIKE  # of the job's, where no blank was heard yet


def may_be_in(blank: HeardBlank) -> bool:
    """Whether by its sound the drill may be in, though no cut like those before is heard."""
    if _only_rubs(blank):
        return False
    sound, _, heard = laid_over(blank)
    hops = round(STOOD_S / HOP_S)
    return 2 * int(np.count_nonzero(sound.stands(heard[-1].end_s)[-hops:])) > hops


def _only_rubs(blank: HeardBlank) -> bool:
    """Whether what is heard after a peck that ended early loads nothing, where cuts do: a stub, or a
    blank that spins."""
    course, detector = blank.course, blank.detector
    early = blank.pecks[-1].length_mm < EARLY * blank.schedule.least_mm(len(blank.pecks) - 1)
    if not (early and detector.load_tells):
        return False
    newest = (course[-1 - i].sag_pct for i in range(min(round(STOOD_S / HOP_S), len(course))))
    sags = [sag_pct for sag_pct in newest if sag_pct == sag_pct]
    return len(sags) >= TOLD_HOPS and mean(sags) < TOUCH_LOAD * 100 * detector.cut_sag


def is_overdue(blank: HeardBlank) -> bool:
    """Whether a contact stayed away by the program laid over all that was heard of this blank too.

    Other sound may have hidden the end of a peck, or be taken for one: then the pecks heard tell wrongly
    when the next contact is due.
    """
    sound, program, heard = laid_over(blank)
    sound = sound.goes_on(2 * program_s(program))
    _, _, no_more = sound.broken_off(heard[-1].end_s)
    _, laid = no_more.lay(program)
    if laid and laid[0][-1].start_s < heard[-1].end_s:
        return False  # of the pecks heard the last one was the program's
    if not _is_any_too_long(blank):
        return True  # no other sound ran into a peck
    _, laid = sound.lay(program)
    if not laid:
        return True
    pecks = laid[0]
    if not all(is_covered(one, pecks) for one in heard):
        return True  # of such a peck it knows nothing
    return any(sound.silent_s(p) > OVERDUE_S for p in pecks if p.end_s > heard[-1].end_s)


def _is_any_too_long(blank: HeardBlank) -> bool:
    """Whether a peck lasted longer than the program's."""
    usual_s = [blank.schedule.length_mm(k) / blank.feed_mm_s for k in range(len(blank.pecks))]
    pairs = zip(blank.pecks, usual_s, strict=True)
    return any(peck.seconds > (1 + LIKE) * s + OFF_S for peck, s in pairs)
