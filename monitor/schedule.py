"""The cycle as the program runs it: peck lengths, gaps and their number, learned from the blanks heard.

A machine repeats its program to a few hundredths of a second, so one blank heard to its end tells the next
one better than any job file. Before that the job's pecks have to do, and how far they are right is told by
the pecks heard so far.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

from monitor.dating import LEAST_RELOAD_S, LENGTH_SD, LENGTH_SD_S, Known, Program, about
from monitor.quantities import Units, format_length

BLANKS = 7
"""Blanks remembered: the program or the feed may be changed in the middle of a batch."""

DATED_S = 0.07
"""Deviation of a gap or a peck's length: contact and end of a cut are each known to about a hop."""

LIKE = 0.15
"""Lengths that differ by less, or by three `DATED_S` of feed, are the same: drag and dating."""

EARLY = 0.75
"""A peck shorter than this share of what is expected has ended early."""

SLOWEST_RAPID_MM_S, LONGEST_DWELL_S, CLEARANCE_MM, APPROACH_MM = 15.0, 2.0, 10.0, 1.5
"""Retract and return before a gap was heard: small machines rapid at 15 mm/s and more, a program waits out
of the hole for a second or two, some millimetres above the work, and feeds from a millimetre or so above the
bottom of the hole (common practice, no published source)."""

POINT_DIAMETERS = 0.3
"""Height of a 118 degree point, in drill diameters."""

PAUSE_S, PAUSE_TIMES = 2.0, 1.5
"""A pause of this, and of so many times the longest gap heard, is no gap: the tool is changed, or at full
depth the blank, though the spindle turns on (judged)."""

STEADY_S, STEADY_SHARE = 0.15, 0.6
"""Times of two blanks that differ by no more agree; so large a share of a cycle's times has to, or a person
pecks by hand, who keeps no such time."""

AGREED = 3
"""Blanks heard before a number of pecks that is not the job's is believed."""

LEAD_SD_S, LEAD_MOST_S = 0.2, 0.5
"""From the spindle's start, which is known to some hops, or the blank before to the first contact: deviation,
and where it is larger a person starts the program."""

RELOAD_SHARE = 0.7
"""Of the shortest time from one blank to the next that was heard: two blanks within what was taken for one
are as far apart."""

SOONEST_SHARE, RELOADS = 0.5, 3
"""Of the same, heard so many times: no blank is changed sooner. In each of fewer there may have been a blank
that was not heard."""

GAPS_SDS = 5.0
"""Deviations of the difference of two gaps, by which one may seem shorter after a deeper peck: a blank has
some six gaps, and dating errors have heavier tails than the normal distribution's."""

LEAST_CLEARANCE_MM = 2.0
"""A drill is drawn out of the hole by at least so much. The way out and back grows with the depth beyond it,
and with it at most the gap: a dwell does not grow."""


class HeardPeck(NamedTuple):
    """Length in mm by feed and revolutions, and times in s; ``gap_s`` since the peck before, NaN if none.

    ``sure``: the spindle was heard in it, at its speed, and loaded as cuts do where that tells.
    ``early_s``, ``late_s``: how long before its contact and after its end it sounded like a cut, where the
    schedule dates these: another sound hid them.
    ``beats``: it clearly got louder as often as the lips come round, which other sound does only by chance.
    ``loads``: it was seen to load the spindle.
    """

    length_mm: float
    gap_s: float
    seconds: float
    sure: bool = True
    early_s: float = 0.0
    late_s: float = 0.0
    beats: bool = False
    loads: bool = False

    @property
    def told(self) -> bool:
        """Whether more than its sound says that it was a cut."""
        return self.loads or self.beats

    @property
    def cut(self) -> bool:
        """Whether it surely was one, as its load or its beat tells."""
        return self.sure or self.beats

    @property
    def reckoned(self) -> bool:
        """Whether its length was not heard."""
        return self.early_s > 0 or self.late_s > 0


class Typical(NamedTuple):
    """Median of what was heard and its deviation."""

    middle: float
    spread: float


@dataclass(slots=True)
class Schedule:
    """What to expect of each peck of a blank, counted from 0.

    ``job_mm`` are the job's pecks, ``count`` is the number of pecks of a blank, ``depth_mm`` the depth of the
    hole; ``learned``: a blank was heard to its end. ``lengths`` and ``gaps`` are
    those of the usual blank, empty before one was heard to its end; ``gaps[k]`` comes before peck ``k``.
    ``contacts_s`` and ``retracts_s``: when each of its pecks begins and ends, from the first contact; empty
    where the blanks heard do not agree about it to a tenth of a second. ``seconds``: how long each was heard;
    ``leads_s``: times from the end of the blank before, and from the spindle's start, to the first contact;
    ``reloads_s``: times from one blank to the next; ``changes_s``: from the end of a centre drill that turns
    as fast as the drill to the first contact.
    ``as_job``: nothing heard differs from the job, which then says the depths exactly. ``point_mm`` is the
    height of the drill's point: it enters a flat face little by little, so that much of the first peck may
    pass before contact is heard.
    """

    job_mm: tuple[float, ...]
    point_mm: float = 0.0
    lengths: list[Typical] = field(default_factory=list)
    gaps: list[Typical] = field(default_factory=list)
    contacts_s: list[float] = field(default_factory=list)
    retracts_s: list[float] = field(default_factory=list)
    as_job: bool = True
    seconds: list[float] = field(default_factory=list)
    leads_s: tuple[deque[float], deque[float]] = field(
        default_factory=lambda: (deque(maxlen=BLANKS), deque(maxlen=BLANKS))
    )
    reloads_s: deque[float] = field(default_factory=lambda: deque(maxlen=BLANKS))
    changes_s: deque[float] = field(default_factory=lambda: deque(maxlen=BLANKS))
    depth_mm: float = field(init=False)
    learned: bool = field(init=False)
    count: int = field(init=False)
    _blanks: deque[list[HeardPeck]] = field(default_factory=lambda: deque(maxlen=BLANKS))
    _supposed: bool = False  # not known: the job's pecks, laid over other sound; or found to be wrong

    def __post_init__(self) -> None:
        self.learned, self.count = bool(self.lengths), len(self.lengths) or len(self.job_mm)
        self.depth_mm = sum(self.job_mm)

    def planned_mm(self, k: int) -> float:
        """What peck ``k`` adds to the depth."""
        return self.job_mm[min(k, len(self.job_mm) - 1)] if self.as_job else self.length_mm(k)

    def length_mm(self, k: int) -> float:
        """Length at which peck ``k`` will be heard; what comes after the last is like the last."""
        if self.lengths:
            return self.lengths[k if k < len(self.lengths) else -1].middle
        return self.job_mm[k if k < len(self.job_mm) else -1]

    def least_mm(self, k: int) -> float:
        """What a peck is at least that does not end early: after one blank only, another sound may have made
        one seem longer than the job's."""
        mm, job_mm = self.length_mm(k), self.job_mm
        return min(mm, job_mm[k]) if self.blanks == 1 and self.count == len(job_mm) > k else mm

    def falls_short(self, peck: HeardPeck, k: int) -> bool:
        """Whether a heard peck is shorter than peck ``k``, by more than its length may be misheard."""
        least_mm = self.least_mm(k)
        return peck.length_mm < least_mm and not (self.alike(peck, k) or same(peck, least_mm))

    def follows(self, pecks: Sequence[HeardPeck], k: int = 0) -> bool:
        """Whether each of these pecks, the first being peck ``k``, has the expected length."""
        if k + len(pecks) > self.count:
            return False
        return all(self.alike(peck, k + i) for i, peck in enumerate(pecks))

    def keeps_step(self, pecks: Sequence[HeardPeck]) -> bool:
        """Whether none of these pecks was missed or made two: each has its length, or all together have."""
        if self.follows(pecks):
            return True
        lengths = [self.length_mm(k) for k in range(self.count)]
        apart_mm = sum([peck.length_mm for peck in pecks], 0.0) - sum(lengths[: len(pecks)])
        return len(pecks) <= self.count and abs(apart_mm) < min(lengths) / 2

    def alike(self, peck: HeardPeck, k: int) -> bool:
        """Whether a heard peck is peck ``k``, as far as its length tells."""
        expected_mm = self.length_mm(k)
        missed_mm = min(self.point_mm, expected_mm / 2) if k == 0 and peck.length_mm < expected_mm else 0.0
        return same(peck, max(expected_mm - missed_mm, peck.length_mm) if missed_mm else expected_mm)

    def learn(self, pecks: list[HeardPeck], supposed: bool = False) -> None:
        """Take a blank that was heard to its end; the usual one is what most of the last blanks were like.

        ``supposed``: its pecks are the job's, laid over sounds of which none was surely a cut.
        """
        if not pecks:
            return
        self._supposed = supposed and (self._supposed or not self._blanks)
        self._blanks.append(pecks)
        counts = [len(blank) for blank in self._blanks]
        usual = max(counts, key=lambda count: (counts.count(count), count == len(pecks)))
        like = [blank for blank in self._blanks if len(blank) == usual]
        told = [[peck for blank in like if not (peck := blank[k]).reckoned] for k in range(usual)]
        gaps = [[blank[0].gap_s for blank in like]]
        for k in range(1, usual):
            ends = [blank[k] for blank in like if not (blank[k].early_s or blank[k - 1].late_s)]
            gaps.append([peck.gap_s for peck in ends])
        if not (all(told) and all(gaps)):
            return  # other sound hid one of them in every blank
        job_mm = self.job_mm if usual == len(self.job_mm) else ()
        told = [_nearer(heard, *job_mm[k : k + 1]) for k, heard in enumerate(told)]
        lengths = [[peck.length_mm for peck in heard] for heard in told]
        self.lengths = [_typical(values, statistics.median(values)) for values in lengths]
        self.learned, self.count = True, usual
        self.seconds = [statistics.median(peck.seconds for peck in heard) for heard in told]
        self.as_job = usual == len(self.job_mm) and self._is_job(pecks)
        self.depth_mm = sum([self.planned_mm(k) for k in range(usual)])
        # what is misheard is cut short
        self.gaps = [_typical(values, statistics.median_high(values)) for values in gaps]
        self._lay_out(like)

    def _is_job(self, pecks: Sequence[HeardPeck]) -> bool:
        """Whether a whole blank is as the job says: its first and last peck may be heard too short, as the
        point goes in and comes out, if there are others."""
        last = len(self.job_mm) - 1
        for k, (peck, mm) in enumerate(zip(pecks, self.job_mm, strict=False)):
            faint_mm = min(self.point_mm, mm / 2) if last > 0 and k in (0, last) else 0.0
            if not same(peck, min(max(peck.length_mm, mm - faint_mm), mm)):
                return False
        return any(same(peck, mm) for peck, mm in zip(pecks, self.job_mm, strict=False))

    def doubt(self) -> None:
        """What was expected by it alone did not come true: it is not believed before another blank is heard.

        Not where so many were heard that they know better.
        """
        self._supposed = self._supposed or self.blanks < AGREED

    def forget(self) -> None:
        """The program has changed: the blanks before tell nothing any more."""
        self._blanks.clear()

    def _lay_out(self, blanks: list[list[HeardPeck]]) -> None:
        """When pecks begin and end, as most blanks agree; one blank does where it is as the job says."""
        self.contacts_s, self.retracts_s = [], []
        newest = _edges(blanks[-1])
        heard = [_laid_over(_edges(blank), newest) for blank in blanks]
        # where they do not, as much as may be is left to be heard
        agreed = [_agreed(edges, k % 2 == 1) for k, edges in enumerate(zip(*heard, strict=True))]
        share = sum(count > 1 for _, count in agreed) / len(agreed)
        if len(blanks) == 1 and len(blanks[0]) == len(self.job_mm):
            share = sum(same(peck, mm) for peck, mm in zip(blanks[0], self.job_mm, strict=True)) / len(
                self.job_mm
            )
        if share >= STEADY_SHARE:
            times = [time - agreed[0][0] for time, _ in agreed]
            self.contacts_s, self.retracts_s = times[::2], self._not_cut_short(times[::2], times[1::2])

    def _not_cut_short(self, contacts_s: list[float], retracts_s: list[float]) -> list[float]:
        """Ends of pecks, none much shorter beside the others than in the job: a faint one is misheard so."""
        if len(contacts_s) != len(self.job_mm):
            return retracts_s
        slow = statistics.median(
            (end_s - begin_s) / mm
            for begin_s, end_s, mm in zip(contacts_s, retracts_s, self.job_mm, strict=True)
        )
        latest = [*contacts_s[1:], math.inf]
        ends = [
            min(max(end_s, begin_s + slow * mm), next_s)
            for begin_s, end_s, mm, next_s in zip(contacts_s, retracts_s, self.job_mm, latest, strict=True)
        ]
        return [retracts_s[0], *ends[1:]]  # a drill enters a flat face unheard

    def program(
        self,
        heard: Sequence[HeardPeck],
        feed_mm_s: float,
        longest_gap_s: float,
        lead: Known | None,
        since_s: float,
        out_s: float = -math.inf,
    ) -> Program:
        """What the program does, to date a blank's pecks by; ``heard`` are those of this blank, and the one
        before was done at ``out_s``.

        Lengths are the job's, at the feed that was heard, wherever what was heard is like them: then a first
        peck that is heard late and a last one that is heard short are known to be longer.
        """
        job_s = [mm / feed_mm_s for mm in self.job_mm]
        enters_s = self.point_mm / feed_mm_s
        told_s = self.seconds or [peck.seconds for peck in heard]
        feed = _slower(told_s, job_s)
        if feed == feed or not self.seconds:
            lengths_s = [s if feed != feed else feed * s for s in job_s]
            for k in range(1, len(lengths_s) - 1) if self.seconds else ():
                lengths_s[k] = self.seconds[k]
            for k in (0, -1) if self.seconds else ():
                if not 0 < lengths_s[k] - self.seconds[k] < enters_s + 3 * DATED_S:
                    lengths_s[k] = self.seconds[k]
        else:
            lengths_s = self.seconds
        gaps = [about(gap.middle, math.hypot(gap.spread, LENGTH_SD_S)) for gap in self.gaps[1:]]
        lengths = [about(s, math.hypot(LENGTH_SD_S, LENGTH_SD * s)) for s in lengths_s]
        grows = 2 * feed_mm_s / SLOWEST_RAPID_MM_S
        apart_s = min(self.reloads_s, default=0.0)
        reload_s = max(LEAST_RELOAD_S, RELOAD_SHARE * apart_s)
        if len(self.reloads_s) < RELOADS:
            apart_s = (apart_s - sum(lengths_s) - sum([gap.middle for gap in self.gaps[1:]])) / 2
        earliest_s = out_s + max(LEAST_RELOAD_S, SOONEST_SHARE * apart_s)
        return Program(
            tuple(lengths), tuple(gaps), enters_s, longest_gap_s, grows, lead, since_s, reload_s, earliest_s
        )

    def lead(self, from_rest: bool) -> Known | None:
        """Time from the spindle's start, or else from the end of the blank before, to the first contact,
        where blanks agree about it; after one blank only roughly."""
        return lead_of(self.leads_s[from_rest])

    @property
    def known(self) -> bool:
        """Whether it is believed: a blank as the job says was heard, or two alike, and three where their
        number of pecks is not the job's, since a sound of the workshop may have made a peck of its own.

        One will do whose pecks, in the job's number, were heard no shorter: what goes on for a moment after
        each of them, as an axis or a blast of air does, leaves their number. Lengths that were taken from the
        job in the first place prove nothing, if another sound may have made all of it. Nor is one believed
        that was heard to come back sooner from a deeper hole."""
        if self._supposed:
            return False
        if self.as_job:
            return self.learned
        if self.count != len(self.job_mm):
            return self.blanks >= AGREED
        pairs = list(zip(self.lengths, self.job_mm, strict=True))
        longer = all(typical.middle >= (1 - LIKE) * mm for typical, mm in pairs)
        # but not for longer than the axis takes to draw the drill out: that is another sound
        rate_mm_s = statistics.median(
            typical.middle / s for typical, s in zip(self.lengths, self.seconds, strict=True)
        )
        out_mm = rate_mm_s * (sum(self.job_mm) + CLEARANCE_MM) / SLOWEST_RAPID_MM_S
        longer = longer and all(typical.middle <= (1 + LIKE) * mm + out_mm for typical, mm in pairs)
        return self.blanks >= (1 if longer and self._comes_back_later() else 2)

    def _comes_back_later(self) -> bool:
        """Whether from peck to peck the drill is out for as long as before, or longer, were each peck the
        job's: no way out and back is shorter from deeper in. Else another sound, as the axis', was taken for
        pecks, or hid where one began."""
        ratios = [mm / typical.middle for typical, mm in zip(self.lengths, self.job_mm, strict=True)]
        most = max(ratios)  # a feed turned down makes all of them longer
        over_s = [seconds * (1 - ratio / most) for seconds, ratio in zip(self.seconds, ratios, strict=True)]
        outs_s = [gap.middle + over for gap, over in zip(self.gaps[1:], over_s, strict=False)]
        shorter_s = GAPS_SDS * math.sqrt(2) * DATED_S
        return all(after > before - shorter_s for before, after in pairwise(outs_s))

    def shortest_gap_s(self, pecks: int) -> float:
        """The shortest way out of the hole and back after so many pecks, or after one fewer, should another
        sound have been taken for one; 0 where none is known."""
        return min((gap.middle for gap in self.gaps[max(pecks - 1, 1) :]), default=0.0)

    def hidden_s(self, feed_mm_s: float) -> list[float]:
        """By how much each gap between pecks may be longer than it was heard: a peck beside it outlasted the
        job's, which another sound that hid its edge makes so too. In more blanks than one it is the axis
        mostly, which is not heard in each."""
        if self.count != len(self.job_mm):
            return [0.0] * (len(self.gaps) - 1)
        pairs = list(zip(self.lengths, self.job_mm, strict=True))
        # a feed turned down makes all of them longer
        slower = max(min([typical.middle / mm for typical, mm in pairs]), 1.0)
        over_s = [(typical.middle - slower * mm) / feed_mm_s for typical, mm in pairs]
        # (a length is the difference of two dates)
        over_s = [over if over > 3 * math.sqrt(2) * DATED_S else 0.0 for over in over_s]
        return [before + after for before, after in pairwise(over_s)]

    @property
    def blanks(self) -> int:
        """Number of remembered blanks that were like the usual one."""
        return sum(len(blank) == len(self.lengths) for blank in self._blanks)


def lead_of(leads_s: Sequence[float]) -> Known | None:
    """What the times to a first contact agree about; of one only roughly, None where they do not."""
    if not leads_s:
        return None
    if len(leads_s) == 1:
        return about(leads_s[0], LEAD_MOST_S)
    middle_s = statistics.median(leads_s)
    spread_s = _typical(list(leads_s), middle_s).spread
    return about(middle_s, math.hypot(spread_s, LEAD_SD_S)) if spread_s < LEAD_MOST_S else None


def same(peck: HeardPeck, length_mm: float) -> bool:
    """Whether a heard peck has this length, as far as it can be heard."""
    rate_mm_s = peck.length_mm / peck.seconds if peck.seconds > 0 else 0.0
    return abs(peck.length_mm - length_mm) <= max(LIKE * length_mm, 3 * DATED_S * rate_mm_s)


def _nearer(pecks: list[HeardPeck], job_mm: float = math.nan) -> list[HeardPeck]:
    """Of two that are not of one length the one that is nearer to the job's: the mean of both is neither."""
    if len(pecks) != 2 or job_mm != job_mm or same(pecks[0], pecks[1].length_mm):
        return pecks
    return [min(pecks, key=lambda peck: abs(peck.length_mm - job_mm))]


def difference(job_mm: Sequence[float], pecks: Sequence[HeardPeck], units: Units) -> str:
    """How a blank heard to its end differs from the job, as a sentence; empty where it does not."""
    n = min(len(job_mm), len(pecks))
    unlike = [k for k in range(n) if _differs(pecks[k], job_mm[k])]
    if not unlike and len(pecks) == len(job_mm):
        return ""
    ratios = [pecks[k].length_mm / job_mm[k] for k in range(n)]
    ratio = statistics.median(ratios)
    if len(pecks) == len(job_mm) and n > 1 and all(abs(r / ratio - 1) <= LIKE / 2 for r in ratios):
        much = f"{abs(ratio - 1):.0%} {'longer' if ratio > 1 else 'shorter'}"
        return f"Every peck takes {much} than the job's feed says: is the feed overridden?"
    said = ""
    if unlike:
        k = unlike[0] if len(unlike) < 3 else unlike[len(unlike) // 2]
        heard, job = (format_length(mm, units) for mm in (round(pecks[k].length_mm, 1), job_mm[k]))
        said = f"The program pecks {heard} where the job says {job} (peck {k + 1})"
    if len(pecks) != len(job_mm):
        number = f"{len(pecks)} pecks to a hole where the job says {len(job_mm)}"
        said = f"{said}, {number}" if said else f"The program makes {number}"
    return f"{said}. Depths follow what is heard; mend the job file."


def _differs(peck: HeardPeck, length_mm: float) -> bool:
    """Whether a heard peck is surely of another length: twice what may count as the same."""
    halfway = (peck.length_mm + length_mm) / 2
    return not same(peck._replace(length_mm=halfway), length_mm)


def _slower(told_s: Sequence[float], job_s: Sequence[float]) -> float:
    """How many times as long as the job says the pecks take that are neither the first nor the last; NaN
    where these are not alike, or their number is not the job's."""
    if len(told_s) != len(job_s):
        return math.nan
    inner = slice(1, -1) if len(job_s) > 2 else slice(None)
    pairs = list(zip(told_s[inner], job_s[inner], strict=True))
    slower = statistics.median(told / job for told, job in pairs)
    alike = [abs(told - slower * job) <= max(3 * DATED_S, LIKE / 2 * job) for told, job in pairs]
    return slower if sum(alike) >= STEADY_SHARE * len(alike) else math.nan


class _Edge(NamedTuple):
    """When it began or ended to sound like a peck; ``plain``: as far as heard it was the peck's own sound."""

    s: float
    plain: bool


def _edges(pecks: Sequence[HeardPeck]) -> list[_Edge]:
    """The edges of some pecks, in turns, from the first contact."""
    edges: list[_Edge] = []
    at_s = 0.0
    for k, peck in enumerate(pecks):
        at_s += peck.gap_s if k else 0.0
        edges.append(_Edge(at_s - peck.early_s, not peck.early_s))
        at_s += peck.seconds
        edges.append(_Edge(at_s + peck.late_s, not peck.late_s))
    return edges


def _laid_over(edges: list[_Edge], others: list[_Edge]) -> list[_Edge]:
    """The edges of one blank in the time of another: the first contact may be misheard in either."""
    off = [
        _Edge(other.s - edge.s, edge.plain and other.plain) for edge, other in zip(edges, others, strict=True)
    ]
    by_s, _ = _agreed(off, True)
    return [_Edge(edge.s + by_s, edge.plain) for edge in edges]


def _agreed(edges: Sequence[_Edge], latest: bool) -> tuple[float, int]:
    """Median of the most of some edges that agree, and how many they are; where others are as many, of those
    that no other sound hid, or of the latest or the earliest such."""
    around = [[other for other in edges if abs(other.s - edge.s) <= STEADY_S] for edge in edges]
    best = max(
        around,
        key=lambda group: (
            len(group),
            sum(edge.plain for edge in group),
            group[0].s if latest else -group[0].s,
        ),
    )
    return statistics.median(edge.s for edge in best), len(best)


def _typical(values: list[float], middle: float) -> Typical:
    spread = 1.48 * statistics.median([abs(value - middle) for value in values])
    return Typical(middle, spread)
