"""When each peck of a blank began and ended, once it is over: the program laid over what was heard.

As the sound comes in, a peck can only be told by what was heard so far: other sound runs pecks together, a
drill that enters a flat face, or comes out of the far side, is faint. Afterwards more is known. A program
keeps its times: the lengths of its pecks are those of the job (or of the blanks before), its gaps those of
the blanks before, or, in a first blank, as yet unknown. Of all ways to lay it over the sound of the blank,
the likeliest is found by dynamic programming (segmental Viterbi; Rabiner 1989, Proc. IEEE 77:257, section on
explicit durations, from memory). What speaks for one:

- a drill that is in is heard: silence within a peck counts against it;
- sound between pecks hardly does: other sound may go on for long;
- contact and retract are steps of the level, in whatever else goes on;
- a peck has its length, a gap its own, as far as these are known.

Pecks as they were heard are weighed on the same scale, without a program's times; the better of both is kept,
so that a program unlike the job's is dated as it was heard.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SILENT_NATS = 1.0
"""A hop of silence within a peck, at most."""

SOUND_NATS, RUN_NATS, LULL_HOPS = 0.5, 4.0, 4
"""A hop of sound between pecks, at most, and all of a stretch of it, which a lull of 0.2 s does not end:
other sound that has begun goes on, so that its hops are one piece of evidence, not many."""

HIDDEN_NATS, HIDDEN_HOPS = 2.0, 40
"""An edge without a step, in sound that goes on before and after: another sound must be there, some one time
in five or less; once for every so long a stretch of sound, for what has been there so long is there still."""

OUT_NATS = 20.0
"""What it costs a peck to begin, or end, in a hop whose evidence is -inf: the drill was out, as surely as the
spindle was heard at another speed than the drill's."""

TELLING_NATS, SURE_NATS = 2.0, 1.5
"""Evidence of a hop that counts in full, and that is sure by itself."""

EDGE_NATS, EDGE_HOPS = 4.0, 2.0
"""A step of the level at an edge of a peck over one of another sound, which comes once in some ten seconds:
log(10 s / (sqrt(2 pi) 0.1 s)) = 3.7 nats; and deviation of its dating."""

STANDS_SHARE, STANDS_HOPS = 0.3, 7
"""Of what a cut rises over the idle machine, dB: what stands over the quietest since the last cut by more may
be the next one. Contacts of good work that were taken to be missing stood by 0.34 and more (ten, half of them
the last of a hole, as the point came out); stubs and blanks that spin by 0.26 and less in 56 holds of drawn
machines by which it was chosen, later once by a third, where the load told. And hops of which a mean is
taken: single ones of the idle machine scatter by nearly as much."""

STEP_HOPS, STEP_LEAST_DB, STEP_SPREAD_DB = 6, 1.0, 1.0
"""Steps of the level are from the mean over 0.3 s to that after; smaller ones are wavering; least spread of
hops."""

LOUDER_DB = 4.0
"""Cuts of one machine differ in level by no more."""

ANY_S = 10.0
"""Times that are not known are as likely anywhere within so much."""

PLACES = 3.5
"""An edge is dated to some hops: the likeliest place stands for so many."""

LENGTH_SD_S, LENGTH_SD = 0.1, 0.02
"""Deviation of a peck's length where it is known: dating, and as a share of it."""

DEVIATIONS = 4.0
"""So far off its usual time is tried."""

LEAST_GAP_S = 0.25
"""No program is out of the hole and back sooner."""

LEAST_RELOAD_S = 1.0
"""Nor does a blank follow the one before sooner."""

GAP_STEP_S, GAP_SLOPES, GAP_SD_S = 0.15, 6, 0.3
"""Gaps that are not known are sought in such steps, growing with depth in so many ways, and are then known to
so much."""

MISHEARD_SD_S = 0.5
"""Deviation of a gap that another sound cut short."""

ZEROS, LONGEST_S = 300, 200.0
"""Of about so many first contacts; in longer stretches they are not sought, for it would take too long."""

ODD_LEAD = 0.1
"""Share of blanks whose first contact does not come when it usually does: a start that was misheard, a person
who waits."""


class Span(NamedTuple):
    """A peck, s."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a time, s: Gaussian about ``middle_s``, or, where ``sd_s`` is inf, as likely from
    ``least_s`` to ``most_s``."""

    middle_s: float
    sd_s: float
    least_s: float
    most_s: float


@dataclass(frozen=True, slots=True)
class Program:
    """What the program does in a blank: lengths of its pecks, the gaps before the second and later ones.

    Gaps may not be known: then ``gaps`` are empty, none is over ``longest_gap_s``, and they grow with depth
    by no more than ``gap_grows`` of the time drilled. ``lead``: time from ``since_s`` to the first contact,
    as far as known. ``reload_s``: least time between two blanks. ``earliest_s``: none began sooner, for the
    one before had to be changed. ``enters_s``: so much of the first peck, and
    of the last, may pass unheard: the point goes in, or comes out, little by little. ``paid``: nats that
    it costs to have fitted it.
    """

    lengths: tuple[Known, ...]
    gaps: tuple[Known, ...]
    enters_s: float
    longest_gap_s: float = math.inf
    gap_grows: float = 0.0
    lead: Known | None = None
    since_s: float = math.nan
    reload_s: float = LEAST_RELOAD_S
    earliest_s: float = -math.inf
    paid: float = 0.0

    def with_longest_gaps(self, sd_s: float, hidden_s: Sequence[float]) -> Program:
        """The program, its gaps known no better than ``sd_s``, each longer by what of it another sound may
        have hidden; one that is shorter than one before it was misheard, for what is deeper is farther."""
        gaps: list[Known] = []
        longest_s = 0.0
        for gap, more_s in zip(self.gaps, hidden_s, strict=True):
            misheard = gap.middle_s < longest_s - 2 * gap.sd_s
            longest_s = max(longest_s, gap.middle_s + more_s)
            gaps.append(about(longest_s, max(gap.sd_s, sd_s, MISHEARD_SD_S if misheard else 0.0)))
        return replace(self, gaps=tuple(gaps))

    def cost_nats(self, k: int, hop_s: float) -> float:
        """What peck ``k`` and those after it, with the gaps before them, cost where nothing was heard of
        them yet: of all times they may come at, one was taken."""
        to_come = (*self.lengths[k:], *self.gaps[max(k - 1, 0) :])
        return -sum([_most_nats(known, hop_s) for known in to_come], 0.0)


def about(middle_s: float, sd_s: float) -> Known:
    """A time that is known."""
    off_s = DEVIATIONS * sd_s
    return Known(middle_s, sd_s, middle_s - off_s, middle_s + off_s)


def anything(least_s: float, most_s: float) -> Known:
    """A time that is not."""
    return Known(math.nan, math.inf, least_s, most_s)


class Sound:
    """What was heard of a stretch of time.

    Parameters
    ----------
    evidence : shape (n,)
        Log odds of a cut that each hop gives, nats; -inf where the drill surely was out.
    level_db : shape (n,)
        Broadband level of each.
    begin_s, hop_s : float
        Hop ``i`` tells of the time ``begin_s + i * hop_s``.
    cut_db : float
        Rise of the level that a cut makes over the idle machine, inf where that is not known: a larger step
        is another sound's.
    edges : steps of the level up and down, where they are known from it already
    """

    def __init__(
        self,
        evidence: Array,
        level_db: Array,
        begin_s: float,
        hop_s: float,
        cut_db: float = math.inf,
        edges: tuple[Array, Array] | None = None,
    ) -> None:
        self._evidence, self._level_db, self._cut_db = evidence, level_db, cut_db
        self.begin_s, self.hop_s = begin_s, hop_s
        self.n = evidence.size + 1  # places between hops, the ends included
        self.end_s = begin_s + evidence.size * hop_s
        telling = np.clip(evidence / TELLING_NATS, -1.0, 1.0)
        loud = telling > 0.5
        runs = _runs(loud)
        self._silent = _sums(SILENT_NATS * np.maximum(-telling, 0.0))
        self._sound = _sums(_of_other_sound(np.maximum(telling, 0.0), loud, runs))
        self._edges = begins, ends = edges or _edges(level_db, cut_db + LOUDER_DB)
        hidden = np.zeros(self.n)
        if loud.size > 4:
            within = loud[:-3] & loud[1:-2] & loud[2:-1] & loud[3:]
            hidden[2:-2] = within * HIDDEN_NATS * np.minimum(1.0, HIDDEN_HOPS / np.maximum(runs[2:-1], 1))
        self._begins = np.where(begins > 0.0, begins, -hidden)
        self._ends = np.where(ends > 0.0, ends, -hidden)
        out = np.isneginf(evidence)
        self._begins[:-1][out] = self._ends[1:][out] = -OUT_NATS

    @property
    def _any_nats(self) -> float:
        return math.log(PLACES * self.hop_s / ANY_S)

    def at(self, s: float) -> int:
        """The place at a time."""
        return min(max(round((s - self.begin_s) / self.hop_s), 0), self.n - 1)

    def s(self, place: int) -> float:
        """The time of a place."""
        return self.begin_s + place * self.hop_s

    def as_heard(self, pecks: Sequence[Span], usual_s: float = ANY_S) -> float:
        """Log likelihood of some pecks in nats, their times not known before, but that they last about so
        long."""
        nats, last = 0.0, 0
        for peck in pecks:
            a, r = self.at(peck.start_s), self.at(peck.end_s)
            nats += self._begins[a] + self._ends[r] - (self._silent[r] - self._silent[a])
            nats -= self._sound[a] - self._sound[last] if a > last else 0.0
            nats += (
                self._any_nats
                + math.log(PLACES * self.hop_s / usual_s)
                - (peck.end_s - peck.start_s) / usual_s
            )
            last = r
        return float(nats - (self._sound[-1] - self._sound[last]))

    def silent_nats(self, peck: Span) -> float:
        """How much silence in some time counts against a cut, nats."""
        return float(self._silent[self.at(peck.end_s)] - self._silent[self.at(peck.start_s)])

    def silent_s(self, peck: Span) -> float:
        """How long it was silent in some time, s, as far as that was heard."""
        return self.silent_nats(peck) / SILENT_NATS * self.hop_s

    def tells_gap(self, gap: Span) -> bool:
        """Whether it was heard that the drill was out: by silence, or by steps of the level at both ends."""
        steps = self._ends[self.at(gap.start_s)] > 0.0 and self._begins[self.at(gap.end_s)] > 0.0
        return bool(steps) or self.silent_s(gap) >= LEAST_GAP_S

    def lay(self, program: Program, blanks: int = 1) -> tuple[float, list[list[Span]]]:
        """The likeliest pecks of so many blanks of a program, and their log likelihood, nats; none where
        they do not fit into this time."""
        count = len(program.lengths)
        program = self.with_gaps(program)
        if len(program.gaps) < count - 1:
            return -math.inf, []
        steps: list[_Step] = []
        # of all before the first contact
        score = self._lead(program) - self._sound
        for k in range(blanks * count):
            blank, k = divmod(k, count)
            if blank or k:
                gap = program.gaps[k - 1] if k else anything(program.reload_s, math.inf)
                steps.append(_Step(score + self._sound, gap, self.hop_s))
                score = steps[-1].best() - self._sound
            # no more than half of a peck passes unheard, or it could be missed as a whole
            most_s = min(program.enters_s, program.lengths[k].middle_s / 2)
            faint_s = most_s if k == 0 else 0.0, most_s if k == count - 1 else 0.0
            into, out = (round(s / self.hop_s) for s in faint_s)
            steps.append(_Step(score + self._begins, program.lengths[k], self.hop_s, self._silent, into, out))
            score = steps[-1].best() + self._ends
        total = score + self._sound - self._sound[-1]
        place = int(np.argmax(total))
        best = float(total[place])
        if not math.isfinite(best):
            return best, []
        places = [place]
        for step in reversed(steps):
            places.append(step.came_from(places[-1]))
        places.reverse()
        spans = [Span(self.s(a), self.s(r)) for a, r in zip(places[::2], places[1::2], strict=True)]
        return best - program.paid, [spans[blank * count : (blank + 1) * count] for blank in range(blanks)]

    def stands(self, since_s: float) -> NDArray[np.bool_]:
        """Whether the level of each hop since then, the end of a cut, may be that of a faint one.

        Over the quietest, not over what idling was learned to be: that follows a faint cut, and other sound.
        """
        level_db = self._level_db[self.at(since_s) :]
        if level_db.size < STANDS_HOPS:
            return np.zeros(level_db.size, bool)
        mean_db = _means(level_db, STANDS_HOPS)
        stands: NDArray[np.bool_] = mean_db - mean_db.min() > STANDS_SHARE * self._cut_db
        return stands

    def surely_silent(self, since_s: float, longest_s: float) -> Sound:
        """The same, but that nothing since then speaks against a cut while the level may be that of one.

        What stands for longer than the longest peck is none: another sound.
        """
        evidence = self._evidence.copy()
        after, stands = evidence[self.at(since_s) :], self.stands(since_s)
        turns = np.flatnonzero(np.diff(stands.astype(np.int8), prepend=0, append=0))
        for begin, end in zip(turns[::2], turns[1::2], strict=True):
            if (end - begin) * self.hop_s > longest_s:
                stands[begin:end] = False
        np.maximum(after, 0.0, out=after, where=stands)
        return Sound(evidence, self._level_db, self.begin_s, self.hop_s, self._cut_db, self._edges)

    def broken_off(self, s: float) -> tuple[float, Sound, Sound]:
        """Two readings of what was heard since the last cut ended, at ``s``: that the drill is as it was, and
        that it cuts no more, for which silence is no evidence; and what the level says for an end there,
        nats, which the second explains.

        Only hops that are surely silent count: under other sound each tells a little wrongly, all the same
        way.
        """
        at = self.at(s)
        as_before, no_more = self._evidence.copy(), self._evidence.copy()
        after = as_before[at:]
        after[np.abs(after) < SURE_NATS] = 0.0
        np.maximum(after, 0.0, out=no_more[at:])
        return (
            float(max(self._ends[at], 0.0)),
            Sound(as_before, self._level_db, self.begin_s, self.hop_s, self._cut_db, self._edges),
            Sound(no_more, self._level_db, self.begin_s, self.hop_s, self._cut_db, self._edges),
        )

    def goes_on(self, seconds: float, before_s: float = 0.0) -> Sound:
        """The same, and as much time of which nothing is known yet, and so much before it of which nothing
        is remembered."""
        around = round(before_s / self.hop_s), round(seconds / self.hop_s)
        return Sound(
            np.pad(self._evidence, around),
            np.pad(self._level_db, around, mode="edge"),
            self.begin_s - around[0] * self.hop_s,
            self.hop_s,
            self._cut_db,
        )

    def _lead(self, program: Program) -> Array:
        lead, at_s = program.lead, self.begin_s + np.arange(self.n) * self.hop_s
        told: Array = np.full(self.n, self._any_nats)
        if lead is not None:
            off = (at_s - program.since_s - lead.middle_s) / lead.sd_s
            usual = np.exp(-0.5 * np.square(off)) / (math.sqrt(2 * math.pi) * lead.sd_s)
            told = np.log(PLACES * self.hop_s * ((1 - ODD_LEAD) * usual + ODD_LEAD / ANY_S))
        told[at_s < program.earliest_s] = -np.inf
        return told

    def with_gaps(self, program: Program) -> Program:
        """The program, if its gaps are not known with those that fit best, growing with the depth as the way
        out and back does."""
        if len(program.gaps) == len(program.lengths) - 1 or self.n * self.hop_s > LONGEST_S:
            return program
        lengths = np.array([known.middle_s for known in program.lengths])
        drilled = np.cumsum(lengths)[:-1]
        grown = drilled - drilled[0]
        contact, retract = _widened(self._begins) - self._sound, _widened(self._ends) + self._sound
        spoken = -self._silent
        faint = round(program.enters_s / self.hop_s)
        step = min(max(2, self.n // ZEROS), STEP_HOPS)
        slopes = min(GAP_SLOPES, 1 + math.ceil(program.gap_grows * grown[-1] / GAP_SD_S))
        best, chosen = -math.inf, np.full(grown.size, LEAST_GAP_S)
        for grows in np.linspace(0.0, program.gap_grows, slopes):
            first_s = np.arange(LEAST_GAP_S, program.longest_gap_s - grows * grown[-1], GAP_STEP_S)
            gaps = first_s[:, None] + grows * grown
            into = np.zeros((first_s.size, lengths.size))
            np.cumsum(lengths[:-1] + gaps, axis=1, out=into[:, 1:])
            begun = np.rint(into / self.hop_s).astype(np.intp).tolist()
            ended = np.rint((into + lengths) / self.hop_s).astype(np.intp).tolist()
            for tried, at, out in zip(gaps, begun, ended, strict=True):
                if out[-1] >= self.n:
                    break
                # of each first contact tried; the point of the drill is not heard as it enters and comes out
                zeros = slice(0, self.n - out[-1], step)
                told = [contact[a:][zeros] for a in at] + [retract[r:][zeros] for r in out]
                at[0] = min(faint, out[0])
                out[-1] = max(out[-1] - faint, at[-1])
                told += [self._silent[a:][zeros] for a in at] + [spoken[r:][zeros] for r in out]
                most = float(np.add.reduce(told).max())
                if most > best:
                    best, chosen = most, tried
        paid = 2 * math.log(ANY_S / GAP_SD_S)
        return replace(program, gaps=tuple(about(gap, GAP_SD_S) for gap in chosen), paid=paid)


class _Step:
    """From the best score at each place, shape (n,), to that some known time later.

    ``silent``: sums over the silence that is not to be in it, but for its first and last hops.
    """

    def __init__(
        self,
        score: Array,
        known: Known,
        hop_s: float,
        silent: Array | None = None,
        into: int = 0,
        out: int = 0,
    ) -> None:
        self._score, self._known, self._hop_s = score, known, hop_s
        self._silent, self._into, self._out = silent, into, out
        n = score.size
        self._least = max(1, math.ceil(known.least_s / hop_s - 1e-9))
        self._most = (
            n - 1 if math.isinf(known.most_s) else min(n - 1, math.floor(known.most_s / hop_s + 1e-9))
        )

    def best(self) -> Array:
        """The best score at each place, -inf where it cannot have been reached."""
        n, least, most = self._score.size, self._least, self._most
        best = np.full(n, -np.inf)
        if least > most:
            return best
        if math.isinf(self._known.sd_s) and most == n - 1 and self._silent is None:
            best[least:] = np.maximum.accumulate(self._score[: n - least]) + self._nats(least)
            return best
        silent = self._silent
        faint = self._into + self._out
        if silent is not None and most > faint:
            # all of a peck is to be heard but its first and last hops; one that is hardly longer need not
            heard, quiet = self._score[: n - self._into] + silent[self._into :], silent[: n - self._out]
            for hops in range(max(least, faint + 1), most + 1):
                at = best[hops:]
                np.maximum(at, heard[: n - hops] + self._nats(hops), out=at)
            best[self._out :] -= quiet
            most = min(most, faint)
        for hops in range(least, most + 1):
            at = best[hops:]
            np.maximum(at, self._score[: n - hops] + self._nats(hops), out=at)
        return best

    def came_from(self, place: int) -> int:
        """Whence the best score at a place."""
        hops = np.arange(self._least, min(self._most, place) + 1)
        tried = self._score[place - hops] + np.array([self._nats(h) for h in hops.tolist()])
        if self._silent is not None:
            long = hops > self._into + self._out
            begun = place - hops[long] + self._into
            tried[long] += self._silent[begun] - self._silent[place - self._out]
        return place - int(hops[np.argmax(tried)])

    def _nats(self, hops: int) -> float:
        known = self._known
        if math.isinf(known.sd_s):
            return _most_nats(known, self._hop_s)
        off = (hops * self._hop_s - known.middle_s) / known.sd_s
        return _most_nats(known, self._hop_s) - 0.5 * off * off


def _most_nats(known: Known, hop_s: float) -> float:
    """Log likelihood of a time where it is likeliest, to a hop."""
    width_s = ANY_S if math.isinf(known.sd_s) else math.sqrt(2 * math.pi) * known.sd_s
    return math.log(PLACES * hop_s / width_s)


def _sums(values: Array) -> Array:
    return np.concatenate([[0.0], np.cumsum(values)])


def _runs(loud: NDArray[np.bool_]) -> Array:
    """Length of the stretch of sound that each hop is in, hops; 0 in silence."""
    at = np.flatnonzero(loud)
    sizes = np.zeros(loud.size)
    if at.size:
        run = np.concatenate([[0], np.cumsum(np.diff(at) > LULL_HOPS)])
        sizes[at] = np.bincount(run)[run]
    return sizes


def _of_other_sound(telling: Array, loud: NDArray[np.bool_], runs: Array) -> Array:
    """What each hop of sound costs where nothing is drilled."""
    cost: Array = SOUND_NATS * telling
    cost[loud] = np.minimum(cost[loud], RUN_NATS / runs[loud])
    return cost


def _widened(told: Array) -> Array:
    """Edges that also count for places a little farther off."""
    wide = _windows(told, STEP_HOPS).max(axis=0)
    smooth: Array = _windows(0.5 * (told + wide), STEP_HOPS // 2).mean(axis=0)
    return smooth


def _means(values: Array, hops: int) -> Array:
    """Mean of so many values, an odd number, about each; at either end that of the outermost so many."""
    sums = _sums(values)
    return np.pad((sums[hops:] - sums[:-hops]) / hops, hops // 2, mode="edge")


def _windows(told: Array, around: int) -> Array:
    """Each place with so many before and after it, shape (2 * around + 1, n)."""
    wide = told.take(np.arange(-around, told.size + around), mode="clip")
    return np.ndarray((2 * around + 1, told.size), wide.dtype, wide, 0, 2 * wide.strides)


def _edges(level_db: Array, most_db: float) -> tuple[Array, Array]:
    """What a step up, and a step down, of the level gives to an edge at each place, shape (n + 1,) each."""
    n, w = level_db.size, STEP_HOPS
    begins, ends = np.zeros((2, n + 1))
    if n < 2 * w + 1:
        return begins, ends
    sums, squares = _sums(level_db), _sums(np.square(level_db))
    mean = (sums[w:] - sums[:-w]) / w  # of w hops from each on
    variance = np.maximum((squares[w:] - squares[:-w]) / w - mean * mean, 0.0)
    # a frame that holds the step itself is left out: places w ... n - w - 1 between hops
    before, after = slice(0, n - 2 * w), slice(w + 1, n - w + 1)
    step = mean[after] - mean[before]
    spread = np.sqrt(np.maximum((variance[after] + variance[before]) / 2, STEP_SPREAD_DB**2))
    # neighbouring frames share half of their samples
    nats = np.square(step / spread) * w / 8
    unsure = 0.5 * np.square(np.arange(-w, w + 1) / EDGE_HOPS)
    for sign, told in ((1.0, begins), (-1.0, ends)):
        strong = np.where(sign * step > STEP_LEAST_DB, nats, 0.0)
        # the strongest of those around, unless louder than cuts
        edges = (strong >= 1.0) & (strong >= _windows(strong, w // 2).max(axis=0)) & (sign * step <= most_db)
        for i in edges.nonzero()[0].tolist():
            near = told[i : i + 2 * w + 1]
            np.maximum(near, min(strong[i], EDGE_NATS) - unsure, out=near)
    return begins, ends
