"""`lost_cut`: the feed goes on, but nothing is cut: the drill broke, the blank spins or is missing.

Physical reason: a program goes on whatever the drill does. A stub that turns in the hole, or a blank that
turns with the drill, is neither cut nor loads the spindle, and the next peck makes no contact. One sign is a
peck that ends before its length; the other, without which nothing is held, is a contact that does not come
when the rhythm of the cycle says so.

Where the program is known, the statistic is how much likelier what was heard of the blank is if nothing is
cut any more than if the drill cuts on: a generalised likelihood ratio, the program laid over it either way as
it fits best (`Cycle.missed_contact_s`). Gaps that few blanks tell may be other ones in the next: until one of
its own agrees with them, a contact after a whole peck is waited for well into the next one's time. In a first
blank its gaps are not known. There it is the time waited for the contact, over what is left of the peck's
feed if it ended early, and the gap as it grows with depth; a wait that is `SURE` deviations too long is
chance once in 20 h at six pecks a minute (7200 waits; one-sided 3.6 deviations of a normal distribution).
What only touches meanwhile (`Cycle.touched`) does not end it.

A blank that spins may rub as loudly as some cuts. Where load tells, a peck that loads the spindle by much
less than cuts do is held too, if the one before ended early or was as light. Whether load tells or not, a cut
that went faint in one peck and is as faint in the next is lost (`monitor.faults.lost_cut_faint`).

It is not judged while other sound or a lost speed may hide the contact, at another speed than the drilling
one, after the hole should be through, nor where pecks of this machine would hardly be heard, as the last one
is where it is no longer than the drill's point, which is coming out by then (unless the one before ended
early). Nor is silence known where a contact may be heard that is no cut like those before: as the point comes
out of the far side a cut loses its sound and its load, and after other sound idling is taken to be louder
than it is (`monitor.dating.Sound.stands`).
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from monitor.cutting import ON_DB_LEAST, CuttingDetector
from monitor.faults.episode import Finding
from monitor.faults.loosening import FASTER
from monitor.faults.lost_cut_faint import FaintCuts
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.pecks.cycle import Cycle
from monitor.schedule import (
    AGREED,
    APPROACH_MM,
    CLEARANCE_MM,
    DATED_S,
    EARLY,
    LEAST_CLEARANCE_MM,
    LONGEST_DWELL_S,
    SLOWEST_RAPID_MM_S,
    HeardPeck,
    same,
)
from monitor.spindle import STOPPED, TURNING, UNKNOWN, Rotation

SURE = 3.6
"""Deviations of the wait for a contact in a first blank."""

MAYBE = -1.0
"""Log-odds of a cut above which contact may have been made: the wait begins anew."""

MISDATED_S, GAPS_DIFFER = 0.5, 1.5
"""In the first blank a gap may have been cut short by another sound: the only one so far by so much, and one
among others so that it is shorter than they are by this factor, which depth alone does not make it."""

PROGRAM_WAITS_S = 15.0
"""A contact that came after its hold, within so long, was not lost: the program waits there, for chips to be
cleared or the drill to cool, and will again. Nobody looks, changes the drill and resets in less (judged)."""

CLEAR_S = 0.3
"""Sound other than a cut, or a speed not known, for longer than a tap on the bench may hide a contact."""

PASSES_S = 10.0
"""A speed over the free one (`monitor.faults.loosening.FASTER`) is another machine's, which covers this one:
cuts that are told by their load alone go unheard meanwhile. For so long at most: a lathe that runs up beside
this one is past its speed in some seconds; what stands there for longer is a free speed that was read too
low."""

AGREES_SDS = 5.0
"""Deviations of two gaps of one program from another: those of some blanks may be theirs alone, where a
person pecks by hand or waits for chips, and two or three agree by chance."""

SPARE_SHARE = 0.2
"""A lost cut is to be told within the peck that should have come; a fifth of its time is spent on being sure:
a peck under other sound may have been dated late, or a gap been learned too short."""

MOST_SHARE = 0.65
"""Of the time of the peck that should come, waited at most beyond its contact."""

FIRST_S = 0.6
"""A blank's first peck that was over sooner, and before its length, may have been a tap or a word between two
blanks; not where load tells, and told so."""

QUIETER_DB = 3.0
"""Idling that has become so much quieter within a first blank was heard through another sound until then, and
so were its pecks: how many they were is not known."""

DECIDED_S = 0.15
"""From contact until the odds of a cut have risen over `MAYBE`."""


ASK_S = 0.25
"""Between two looks whether the program, laid over all that was heard, has a contact due."""

LEAST_LATE_S = 0.5
"""No contact is missed sooner after the shortest gap: 0.4 s of silence since it was due have to tell it."""

ANSWERED_S = 0.5
"""After this a cut shows its load."""

TELLING = 3.0
"""Nats a hop expected of the lines, from which on they tell the load; what rubs is too faint
to drown them."""

RUBS_HOPS, RUBS_SHARE, RUBS_SDS, FAINTER_DB = 20, 0.4, 2.0, 3.0
"""Hops of load, and share of that of cuts, under which a peck rubs: loads of one machine's cuts scatter by a
quarter, within and between pecks, so that a second's mean is more than two deviations off there. And
deviations of idling over which it does: what loads nothing is another sound, or a drive that wins its speed
back. What cuts no chips is fainter, by half at least; a load that is small while the cut is as loud as ever
is a free speed that was read wrong."""


LULL_S = 0.15
"""Silence within a cut that is not yet asked whether it broke off: half of what ends a peck."""

TOGETHER_S = 0.5
"""What broke off is dated to a hop or two, later where a room sounds on, and what began to knock to two
turns: 0.4 s at 300 a minute."""


def broken_off(knock: Finding | None, broke_off_s: float) -> Finding | None:
    """The lost cut that a knock of every turn is, if it began no sooner than the cut broke off; else None.

    A holding that backs off knocks while the drill cuts. A stub, and a blank that turns with the drill, rub
    once a turn from the moment on at which nothing is cut any more.

    Parameters
    ----------
    knock : finding of `monitor.faults.loosening`
    broke_off_s : when the newest cut ended, if too soon for its peck; NaN otherwise
    """
    if knock is None or not knock.onset_s >= broke_off_s - TOGETHER_S:
        return None
    message = (
        "The cut broke off before its peck was done, and knocks once a turn since, "
        f"{knock.value:.0f} dB over the sound beside it: the drill is broken, or the blank spins. Stop and "
        "look."
    )
    value, limit = knock.value, knock.limit
    return Finding(Kind.LOST_CUT, Severity.HOLD, message, value, limit, "dB", knock.onset_s)


def _grown_s(gap_s: float, from_mm: float, to_mm: float) -> float:
    """The longest that a gap may become as the way out and back grows: all of it went into the way, and no
    machine is slower than the slowest."""
    return min(gap_s * to_mm / from_mm, gap_s + 2 * (to_mm - from_mm) / SLOWEST_RAPID_MM_S)


@dataclass(slots=True)
class LostCutRule:
    """One `step` a hop; ``feed_mm_s`` is the feed of the drilling step.

    ``broke_off_s``: when the newest cut of this blank ended, NaN unless nothing is heard of it any more and
    it was too short for its peck."""

    feed_mm_s: float
    _end_s: float = math.nan
    _allowed_s: float = math.nan
    _hidden_s: float = 0.0
    _strange_s: float = 0.0
    _unheard_s: float = -math.inf
    _missing: bool = False
    _asked_s: float = -math.inf
    _loud_s: float = 0.0
    _heard: tuple[int, int] = (0, 0)
    _loads: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=RUBS_HOPS))
    _rubs: Finding | None = None
    broke_off_s: float = math.nan
    _blank: int = 0
    _loudest_db: float = -math.inf
    _faint: FaintCuts = field(init=False)
    _held: tuple[int, int] = (0, 0)
    _waits_s: dict[int, float] = field(default_factory=dict)  # the program's, by the pecks before

    def __post_init__(self) -> None:
        self._faint = FaintCuts(self.feed_mm_s)

    def step(self, hop: Hop, rotation: Rotation, detector: CuttingDetector, cycle: Cycle) -> Finding | None:
        """Finding while a contact that the rhythm expects stays away, or only rubs."""
        rubs = self._faint.step(hop, rotation, detector, cycle)
        return self._wait(hop, rotation, detector, cycle) or rubs

    def _wait(self, hop: Hop, rotation: Rotation, detector: CuttingDetector, cycle: Cycle) -> Finding | None:
        if cycle.blank != self._blank:
            self._blank, self._loudest_db = cycle.blank, -math.inf
        self._loudest_db = max(self._loudest_db, detector.idle_db)
        stopped = rotation.state in (STOPPED, UNKNOWN)
        cuts = detector.cutting or cycle.in_cut  # a lull may still be within the peck
        if stopped or rotation.elsewhere or cuts or not cycle.in_blank or cycle.spotting:
            self._end_s, self._missing, self.broke_off_s = math.nan, False, math.nan
            lulls = hop.t - detector.end_s < LULL_S  # as an eccentric blank does at every turn
            if cycle.in_cut and not (stopped or rotation.elsewhere or detector.cutting or lulls):
                # a knock may be told before it is known that this is no lull
                pecks = [*cycle.heard, cycle.so_far(detector.end_s)]
                self.broke_off_s = detector.end_s if self._broke_off(cycle, pecks) else math.nan
            return self._rubbing(hop, rotation, detector, cycle)
        self._loads.clear()
        if self._rubs is not None:
            return self._rubs
        if self._end_s != self._end_s:
            self._end_s, self._hidden_s = detector.end_s, 0.0
            self._learn_wait(cycle)
            self.broke_off_s = cycle.last_end_s if self._broke_off(cycle, cycle.heard) else math.nan
            self._allowed_s = self._allowed(cycle, detector.load_tells)
            heard = (cycle.blank, len(cycle.heard))
            if cycle.touched:
                # the peck that is due may still come, but for what was hidden since it was waited for
                self._end_s = max(cycle.last_end_s, self._unheard_s)
            elif heard == self._heard and heard[1] == cycle.schedule.count - 1:
                self._allowed_s = math.nan  # something touched since: a last peck may be as faint and short
            self._heard = heard
        if self._missing:
            return self._finding(hop.t, cycle)
        self._hidden_s = (
            self._hidden_s + hop.step_s if self._is_hidden(hop, rotation, detector, cycle) else 0.0
        )
        if self._hidden_s > CLEAR_S:
            self._unheard_s = hop.t
        if self._hidden_s > CLEAR_S or detector.log_odds > MAYBE:
            self._end_s = hop.t  # contact may have been made unheard
        # as loud as a cut: the load of one that has just begun is still to come
        self._loud_s = self._loud_s + hop.step_s if detector.strength >= 1 else 0.0
        clear = not 0 < self._loud_s < ANSWERED_S and not self._hidden_s and self._would_hear(detector)
        if clear and hop.t >= self._asked_s + ASK_S:
            self._missing = self._ask(hop.t, detector, cycle)
            self._held = (cycle.blank, len(cycle.heard)) if self._missing else self._held
        return self._finding(hop.t, cycle) if self._missing else None

    def _learn_wait(self, cycle: Cycle) -> None:
        """Remember where the program waits so long that it was held there, and then cut on."""
        blank, k = self._held
        if blank == cycle.blank and 0 < k < len(cycle.heard):
            peck, self._held = cycle.heard[k], (0, 0)
            if peck.cut and peck.gap_s <= PROGRAM_WAITS_S:
                self._waits_s[k] = peck.gap_s

    def _ask(self, t: float, detector: CuttingDetector, cycle: Cycle) -> bool:
        """Whether a contact stayed away: by the program where it is known, else by the pecks so far."""
        if not cycle.surely_cut or cycle.spot_was_a_peck:
            return False  # other sound may have made all of them; or it is not known which they were
        if cycle.schedule.known:
            tapped = len(cycle.heard) == 1 and cycle.heard[0].seconds < FIRST_S and not detector.load_tells
            # what sounded like a cut since was no peck: too short, or a touch
            end_s, gap_s = cycle.last_end_s, cycle.schedule.shortest_gap_s
            if not tapped and t - end_s > gap_s(1):
                self._asked_s = t
            k = min(len(cycle.heard), cycle.schedule.count - 1)
            if not tapped and t - end_s > gap_s(k) + LEAST_LATE_S:
                due_s = cycle.missed_contact_s(end_s, t)
                may_differ_s = 0.0 if self._knows_gaps(cycle) else MOST_SHARE * cycle.schedule.length_mm(k)
                self._end_s, self._allowed_s = end_s, due_s - end_s + may_differ_s / self.feed_mm_s
                return t - end_s > self._allowed_s  # false for NaN
        elif t - self._end_s > self._allowed_s and detector.idle_db > self._loudest_db - QUIETER_DB:
            self._asked_s = t
            if not cycle.may_be_in():
                return cycle.is_overdue()
            # the peck that was due may be under way, as faint as it is; after the last one none is due
            k, schedule = len(cycle.heard), cycle.schedule
            last = k == schedule.count - 1
            peck_s = schedule.length_mm(k) / self.feed_mm_s
            self._allowed_s = math.nan if last else t - self._end_s + peck_s + self._allowed_s
        return False

    def _knows_gaps(self, cycle: Cycle) -> bool:
        """Whether a contact that stays away is known to be late: many blanks before, or a gap of this one,
        agree about the program's, or the peck before was not whole. A first contact is no gap's."""
        if not cycle.heard:
            return True
        whole = same(cycle.heard[-1], cycle.schedule.length_mm(len(cycle.heard) - 1))
        gaps = zip(cycle.heard[1:], cycle.schedule.gaps[1:], strict=False)
        agree = any(abs(peck.gap_s - gap.middle) < AGREES_SDS * DATED_S for peck, gap in gaps)
        return cycle.schedule.blanks > AGREED or agree or not whole

    def _is_hidden(self, hop: Hop, rotation: Rotation, detector: CuttingDetector, cycle: Cycle) -> bool:
        # a speed that is none of this spindle's is another machine's: a cut that only loads would go unheard
        strange = (rotation.slipped or rotation.sag < -FASTER) and not detector.rise_db > ON_DB_LEAST
        self._strange_s = self._strange_s + hop.step_s if strange else 0.0
        strange = strange and self._strange_s <= PASSES_S
        deaf = hop.deaf or not hop.heard or strange or rotation.state is not TURNING
        loud = detector.strength >= 1 or detector.hides_cut
        return deaf or not rotation.settled or (loud and (cycle.reckoned or not detector.load_tells))

    def _would_hear(self, detector: CuttingDetector) -> bool:
        return detector.rise_db > ON_DB_LEAST or detector.load_tells

    def _allowed(self, cycle: Cycle, load_tells: bool) -> float:
        """Longest wait for the next contact from the end of the cut; NaN where none is expected.

        As long as the schedule says, and then as long as that is unsure and the time that is spent on being
        sure, but not so long that the coming peck is over.
        """
        expected_s, unsure_s = self._expected_s(cycle, load_tells)
        peck_s = cycle.schedule.length_mm(len(cycle.heard)) / self.feed_mm_s
        most_s = max(MOST_SHARE * peck_s, SURE * DATED_S + DECIDED_S)
        expected_s = max(expected_s, self._waits_s.get(len(cycle.heard), expected_s))  # NaN stays
        return expected_s + min(unsure_s + SPARE_SHARE * peck_s + DECIDED_S, most_s)

    def _expected_s(self, cycle: Cycle, load_tells: bool) -> tuple[float, float]:
        """Time from the end of the cut to the next contact, NaN where none is expected, and how far it is
        unsure."""
        schedule, heard = cycle.schedule, cycle.heard
        k = len(heard)
        if (
            not heard
            or schedule.known
            or cycle.through
            or cycle.off_lead
            or k >= min(schedule.count, len(schedule.job_mm))
            or not self._follows(cycle, heard)
        ):
            return math.nan, 0.0
        left_mm = schedule.length_mm(k - 1) - heard[-1].length_mm
        whole = same(heard[-1], schedule.length_mm(k - 1))
        if left_mm < 0 and not whole:
            return math.nan, 0.0  # longer than the schedule says
        last_mm = schedule.length_mm(k)
        coming_out = schedule.length_mm(k - 1) + last_mm <= schedule.point_mm  # its end is not heard either
        if (whole or coming_out) and k == schedule.count - 1 and last_mm <= schedule.point_mm:
            return math.nan, 0.0
        tapped = k == 1 and not whole and heard[-1].seconds < FIRST_S and not load_tells
        if tapped or not self._is_sure(heard) or self._may_be_another(cycle, whole):
            return math.nan, 0.0
        left_s = 0.0 if whole else left_mm / self.feed_mm_s
        # where a peck outlasted its length, another sound hid its end, and the gap is so much longer
        over_s = [(peck.length_mm - schedule.length_mm(i)) / self.feed_mm_s for i, peck in enumerate(heard)]
        # (a length is the difference of two dates)
        late_s = [over if over > 3 * math.sqrt(2) * DATED_S else 0.0 for over in over_s]
        pairs = list(zip(late_s, heard, heard[1:], strict=False))
        sure = [i for i, (_, before, peck) in enumerate(pairs) if before.cut and peck.cut]
        gaps = [pairs[i][2].gap_s + pairs[i][0] for i in sure]
        depth_mm = sum([peck.length_mm for peck in heard])
        if len(gaps) > 1 or (gaps and not late_s[0]):
            way_mm = depth_mm + left_s * self.feed_mm_s + LEAST_CLEARANCE_MM
            # from the depth at which it was: pecks since may have been unsure
            newest_mm = sum([peck.length_mm for peck in heard[: sure[-1] + 1]]) + LEAST_CLEARANCE_MM
            before_mm = depth_mm - heard[-1].length_mm + LEAST_CLEARANCE_MM
            misdated_s = MISDATED_S if len(gaps) == 1 else 0.0
            # what is deeper is farther: a shorter gap than two before it was cut short by another sound
            usual = sorted(gaps)[-2] if len(gaps) > 2 else max(gaps) / GAPS_DIFFER
            gap_s = max(_grown_s(gaps[-1], newest_mm, way_mm), _grown_s(usual, before_mm, way_mm))
            return left_s + gap_s, misdated_s + SURE * DATED_S
        moves_s = 2 * (depth_mm + CLEARANCE_MM) / SLOWEST_RAPID_MM_S + APPROACH_MM / self.feed_mm_s
        return left_s + moves_s + LONGEST_DWELL_S, 0.0

    def _follows(self, cycle: Cycle, heard: list[HeardPeck]) -> bool:
        """Whether the pecks before the last are those of the schedule, or go on as long as the axis takes to
        draw the drill out, which may sound like it."""
        schedule, before = cycle.schedule, heard[:-1]
        if schedule.follows(before):
            return True
        if len(before) >= schedule.count:
            return False
        depth_mm = 0.0
        for k, peck in enumerate(before):
            expected_mm = schedule.length_mm(k)
            depth_mm += expected_mm
            out_s = (depth_mm + CLEARANCE_MM) / SLOWEST_RAPID_MM_S
            if not schedule.alike(peck, k) and not 0 < peck.seconds - expected_mm / self.feed_mm_s < out_s:
                return False
        return True

    def _broke_off(self, cycle: Cycle, heard: list[HeardPeck]) -> bool:
        """Whether the last of these pecks was too short for the one that was due."""
        schedule = cycle.schedule
        k = len(heard) - 1
        if not 0 <= k < schedule.count or cycle.touched or cycle.through or cycle.overrun:
            return False
        # what two blanks before agreed about is known to a tenth of a second or two
        share = 1.0 if schedule.known and schedule.blanks > 1 else EARLY
        short = heard[k].length_mm < share * schedule.least_mm(k)
        return short and schedule.falls_short(heard[k], k) and self._follows(cycle, heard)

    def _rubbing(
        self, hop: Hop, rotation: Rotation, detector: CuttingDetector, cycle: Cycle
    ) -> Finding | None:
        """Finding while a peck sounds like a cut but hardly loads, after one that ended early or did so too.

        A blank that turns with the drill, and a stub, rub: fainter than a cut, and so is the load. One such
        peck may be another sound.
        """
        if not (cycle.in_blank and cycle.in_cut and detector.cutting and detector.load_tells):
            self._loads.clear()
            self._rubs = self._rubs if cycle.in_blank else None
            return None
        sag = rotation.sag
        told = sag == sag and rotation.settled and hop.audible >= TELLING
        if told and hop.t > detector.onset_s + ANSWERED_S:
            self._loads.append((sag, detector.level_db - detector.idle_db))
        if len(self._loads) == RUBS_HOPS:
            mean = sum([sag for sag, _ in self._loads]) / RUBS_HOPS
            fainter_db = detector.rise_db - sum([rise_db for _, rise_db in self._loads]) / RUBS_HOPS
            light = RUBS_SDS * detector.idle_sag_sd < mean < RUBS_SHARE * detector.cut_sag
            if not (light and fainter_db > FAINTER_DB):
                self._rubs = None
            elif self._rubs is None and self._may_be_lost(cycle):
                share = 100 * mean / detector.cut_sag
                message = (
                    f"Peck {cycle.peck} loads the spindle by {share:.0f} % of what cuts do, and the one "
                    "before ended early: the drill is broken, or the blank spins. Stop and look."
                )
                limit, onset_s = 100 * RUBS_SHARE, detector.onset_s
                self._rubs = Finding(Kind.LOST_CUT, Severity.HOLD, message, share, limit, "%", onset_s)
        return self._rubs

    def _may_be_lost(self, cycle: Cycle) -> bool:
        """Whether the peck before the present one may have lost its cut, those before having cut."""
        heard, schedule = cycle.heard, cycle.schedule
        k = len(heard)
        if k < 2 or k >= schedule.count or cycle.through or cycle.overrun or cycle.reckoned:
            return False
        if not self._follows(cycle, heard):
            return False
        early = schedule.falls_short(heard[-1], k - 1)
        return (early or not heard[-1].sure) and any(peck.sure for peck in heard[:-1])

    def _is_sure(self, heard: list[HeardPeck]) -> bool:
        """Whether the last of these pecks was one, as its load or its beat tells; or else as it came when one
        was due: a cut that is lost loads no more."""
        if heard[-1].cut:
            return True
        before = heard[1:-1]
        return bool(before) and heard[-1].gap_s >= max(peck.gap_s for peck in before) - SURE * DATED_S

    def _may_be_another(self, cycle: Cycle, whole: bool) -> bool:
        """Whether what seems a first peck may be a later one: the spindle turned on, and it ended early, or
        pecks of the blank before are missing; or those heard since are as the later ones are too."""
        begins = cycle.from_rest or (whole and cycle.after_whole)
        schedule, heard = cycle.schedule, cycle.heard
        if len(heard) == 1:
            return not begins and any(schedule.alike(heard[0], k) for k in range(1, schedule.count))
        # shorter than the first one, and each as the later ones: that was not heard at all
        short = not same(heard[0], schedule.length_mm(0))
        return short and any(schedule.follows(heard, k) for k in range(1, schedule.count))

    def _finding(self, t: float, cycle: Cycle) -> Finding:
        heard = cycle.heard[-1]
        expected = cycle.schedule.length_mm(len(cycle.heard) - 1)
        early = heard.length_mm < EARLY * expected
        so_far = f"{heard.length_mm:.1f} of {expected:.1f} mm"
        ended = f"Peck {len(cycle.heard)} ended after {so_far}, and no" if early else "No"
        message = (
            f"{ended} contact came for {t - self._end_s:.1f} s where the program pecks within "
            f"{self._allowed_s:.1f} s: the drill is broken, or the blank spins or is missing. Stop and look."
        )
        waited = t - self._end_s
        return Finding(Kind.LOST_CUT, Severity.HOLD, message, waited, self._allowed_s, "s", self._end_s)
