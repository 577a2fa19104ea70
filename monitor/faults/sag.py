"""`sag`: the spindle turns slower than it does running free, because the drill loads it.

Physical reason: a motor without a stiff speed loop gives speed for torque, linearly for a DC motor;
chips packing at the bottom of a hole raise the torque until the drill binds. The statistic is the
maximum-likelihood speed at the newest sample over the free-running speed of this blank. The decision
is a sequential test on its deviation from the limit in units of its own standard deviation (Wald 1945,
from memory): one sure measurement suffices, unsure ones must agree over several hops.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from dataclasses import dataclass, field
from itertools import combinations

from monitor.faults.episode import Finding
from monitor.faults.falling import FallingCourse
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.signal.frames import HOP_S
from monitor.spindle import BEAT_TELLS, MASKED, STOPPED, TURNING, Rotation
from monitor.work import Work

ENOUGH_Z = 4.0
"""Summed deviations over the limit that decide: one hop alone errs on this side 3 times in 100 000."""

SURE, UNSURE_SHARE = 0.9, 0.3
"""A hop whose speed is tracked with less confidence than this counts by this share only, and not at all where
it is not sure that a peck is under way."""

SLOW_NATS, SLOW_MOST = 4.0, 3.5
"""Where the speed cannot be placed, its distribution may still lie beyond the limit as a whole: log odds of
that, summed over the hops, decide too. At most so much a hop, so that no single one decides; and of each that
follows one, the share that is new in its frame, for noise that misleads one frame is in the next as well."""

SLOW_LEAST = 1.0
"""At most so much where the lines tell hardly more than chance: what a hop expects of them is what it says,
less what the best of the wrong speeds gets by chance (`FAINT`). Four hops then have to agree, as where the
lines are drowned."""

SWITCHED_OFF_NATS = math.log(50)
"""So much more where it is not sure that a peck is under way: a program switches the spindle off after every
blank, which is some fifty times as often as a drill binds while the program should be elsewhere."""

_SURELY_NOT = 0.04  # log odds of this are under what a hop counts at most
_MAY_FALL = 0.005  # chance of a sag beyond the warning from which on courses of falling are compared: a track
# that the noise has led astray gives the truth no more for some tenths of a second

DROWNED_CHANCE, DROWNED_HOPS = 0.95, 4
"""The same where the lines are drowned, and the beat of the cut, whose windows overlap, tells most of it: so
much of the distribution, in so many hops running."""

LOUDER_DB = 12.0
"""A drill that binds gets louder by some 6 dB (common practice, no published source; twice that is allowed):
what is louder still, over the cut in which the speed was last sure, and over what cuts are (some machines'
drown the lines in all of them), is another sound, and tells nothing."""

LINES_LOUDER_DB, LOUDER_DB_S, CUT_S, HIDDEN_S = 8.0, 20.0, 0.25, 0.25
"""So much, where it is that lines are missed at the free speed that says that it was left: another sound
hides them without being as loud, and dies away for so long. It is over what cuts are, and over what this one
was when its speed was last sure, which it is so long after contact and gains so much of in a second."""

TREND_HOPS = 6
"""Hops over which a fall is measured. The distribution is that of a frame's middle; the spindle has fallen on
since."""

TOLD_S = 0.15
"""A speed that was told, by the lines or by the beat, is not noise for less than so long after: windows of
the beat share half of their sound and more."""

FALLS, FALL_HOPS, FALL_WITHIN = 0.05, 4, 0.0075
"""Per second, of the free speed: a bit that binds slows it at least so fast before its lines are drowned; in
so many of the newest speeds, each within so much of a straight line (the rotation's wander, and more)."""

TELLING, FAINT = 3.0, 2.5
"""Nats a hop expected of the lines, under which they are drowned (one in twenty, of a single hop), and under
which they tell nothing: the best of the speeds in reach gets 3 by chance (`monitor.faults.departure`)."""

LOST_S, LOST_FAST_S, LOST_TO_S = 0.5, 0.15, 1.5
"""A speed lost for so long in the noise of the cut, when it was last surely known to sag beyond the warning,
holds: half a second if it was not recovering, and the shorter time if it fell so fast that it is beyond
the hold limit by now."""

GONE_S = 1.0
"""A bit that binds faster than its lines can be followed has slowed the spindle for good in so long: a speed
that was lost earlier has only not been found again. And it was cutting at its speed so lately: lines that
sweep down as a spindle is switched off sound like a cut, which is older than they."""

SMALL_HOPS, SMALL_CHANCE = 3, 0.9
"""Heard in so many hops running to sag by less than the warning, it is not lost; it may never have sagged. Or
in some, of which one at least is right with this chance."""

RECOVERING = 0.02
"""Per second: a sag that shrinks faster was on its way back when the speed was lost."""

RUNS_UP = 0.1
"""Per second, of the free speed: a spindle that gains speed so fast is let go, or starts."""

DEEPEST, FOLLOWED_S = 0.4, 0.5
"""Sags deeper than this do not count, unless the spindle was followed down to there, lately: so far off, it
is a slip of the ear."""

LEAST_SUPPORT, SUPPORT_HOPS = 0.15, 6
"""Share of the expected evidence that the lines must give at the sagged speed, over the last 0.3 s: a wrong
speed, or a radio's tones, lend little of it; the right one lends all of it, give or take the noise."""

MACHINE_WANDER = 0.002
"""Added to the estimator's deviation: machines wander by 0.1 to 0.4 % rms by themselves."""

FADE = 0.8
"""Per hop without a speed: evidence from before a gap of half a second is spent."""

JUMP, JUMP_HOPS, BEFORE_HOPS = 0.03, 3, 5
"""A sag by so much more than any of the last quarter second, or by so much where none was known, must be seen
in three hops: a tracker that has lost its lines jumps like that, a spindle with a chuck on it rarely does."""

WARNS_HOPS, WARNS_S = 3, 0.2
"""Hops beyond the limit for a warning, and none short of it for as long as the frame of the refinement: it
may take a moment longer, and hops of one frame can be wrong together. Where an order is near another one,
lines at one speed pass for others at another speed, and the ear goes to and fro between the two."""

FAR = 0.12
"""So far down, the lines that give at the free speed what they give in cuts are missing there, within the
hops of a frame; or else the speed is another sound's."""

STANDS_STILL, RISES = 0.03, 0.02
"""Per second, of the free speed, and of it within three hops: a spindle that went down faster than its lines
can be followed goes on falling. What is steady where nothing led to, or comes up again, is a tone of another
sound: a bell, a voice, an axis."""

FALL_RATE, COURSE_HOPS, COURSE_S = 0.05, 3, 0.4
"""Per second, of the free speed: a spindle in a cut that falls so fast, by each of so many hops running and
by the rate that was measured within each of their frames, is on its course downwards. A bit that binds gets
the louder the deeper it has slowed the spindle, so that its lines drown on the way; but a spindle has inertia
and what binds it does not let go by itself: for so long it is taken to have fallen on, unless it is heard."""

COURSE_CHANCE = 0.5
"""That all of these speeds are the spindle's is likelier than not, by the confidence in each."""

COURSE_WITHIN = 0.01
"""A speed so near to where the course leads, and that falls too, is on it, however unsure it is by itself."""

LATELY_BENDS, LATELY_HOPS, LATELY_S = 2.5, 8, 0.6
"""The same just before the fall, 3.5 deviations of a difference: other sound that draws the speed to and fro
comes and goes, and where it scatters so much already, some hops lead down by chance. The median of so many
bends, no older: one slip of the ear, which bends three, tells little. Of fewer than half nothing is known."""

COURSE_SHARE = 0.5
"""Of the warning, which such a fall must have led beyond what cuts are known to sag: a spindle falls as fast
as a drill enters, and no farther than that."""

COURSE_BENDS, USUAL_BEND = 3.6, 0.001
"""Mean bends of the speed, its second differences from hop to hop, by which such a fall must have led down,
and what they are before this machine's were heard. Where few lines are heard over a cut the speed scatters,
however sure each of them is, and some three hops of a shift lead down. The mean bend of a scatter is 1.95 of
its deviations, and 5 of those of a difference are passed once in 3 million hops. A steady fall has none."""

BENDS_PRIOR, BENDS_MEMORY = 20.0, 200.0
"""Hops that this is worth, and newest hops that this machine's are a mean of."""

AWAY_S = 0.5
"""Beyond the warning for so long before a cut began, the speed is no sag of it: a cut is heard before it
loads so much. Another machine is followed, or the free speed is not what it was; only what falls on by the
hold limit is told then."""

TONE_WITHIN, TONE_HOPS, TONE_S = 0.005, 10, 30.0
"""A speed that was heard for half a second while nothing was cut, steady to so much of the free speed, is
that of a tone in the room. A cut that seems to slow the spindle to just there, and not further, was not heard
to: of the speeds a bind leads to, one in some twenty is so near. A compressor runs as long, some longer."""

RUNS_DOWN_FROM, RUNS_DOWN_HOPS, LIKE_RUNNING_DOWN = 0.03, 3, 1.5
"""A spindle that is switched off runs down as it did the times before: rates of its fall where none is cut,
from so far below the free speed on, and so many of them known. What falls within this factor of that, while
no peck is sure to be under way, was switched off under another sound: that it slows speaks for neither."""

LEAPS, LEAP_S = 0.04, 0.5
"""A speed that was lower by so much in two hops within so long, and sags still, leaps among tones of other
sounds: a chuck on its spindle gains as fast only when it is let go, and then it sags no more."""

MISLED_S, MISLED_NATS = 2.0, 4.0
"""Log odds are as right as what is known of the noise. Where they have been wrong so lately, as a speed that
leapt up as above, out of a sag or home from one, shows, other sound is heard that is not like the noise: so
much more is asked of them."""

ODDS_TELL, CHANCE_NATS, USUAL = 1.0, 3.0, 0.75
"""Nats between what the lines of a hop give where the speed was measured and at the speeds of good cuts, from
which on they speak for either. For the latter, they contradict the measurement: tones of another sound draw
the phases of some lines along, and a spindle is where its lines are. (Of hops in drawn binds 4 in 100 do, by
chance.) The best of the usual speeds gets so many by chance, which contradict nothing
(`monitor.faults.departure`). And the share of the warning up to which cuts usually sag: as far as what is
beyond the warning can be told from it."""

FOUND_NATS, FOUND_MOST, FOUND_HOPS = 4.0, 8.0, 6
"""Where little is expected of the lines, they may give much all the same: louder in the cut than they were
learned, or the drowned ones of them few. So many nats a hop at the speed measured, over what they give at the
speeds of good cuts, as the mean of so many hops (three frames of the search): the best of the speeds in reach
gets three in a hop by chance, and not at the same place in the next frames. Of a hop no more counts than what
takes four of them, two frames that share no sound; and those before a leap were at another place."""

LED = 0.015
"""By no more in a hop does a speed change that the ear follows down without a gap: what it leaps to is
another sound's, but a spindle that it went down with is where it is. Where lines at the free speed tell that
it is there all the same (a motor's field turns on as commanded; of noise the best gets as much), the beat of
the cut has to say so too."""

ALONG = 0.0075
"""Of the speed: lines that a sag sweeps through within a frame give what they give so near it."""

UNLED_S, AT_REST_S, LED_WITHIN = 1.0, 0.25, 0.01
"""A motor with a chuck on it comes to rest at a new load over some four of its time constants, of a tenth of
a second to three: a speed that stands still so soon after the one before, where no hop between led, is a note
of music, on which a few lines agree; most notes end so soon. Its speeds are so near, of the free speed. What
stands there for longer holds, if it is deep enough, but does not warn before it moves: a load comes up on a
spindle, and does not leave it where it was put."""


HOME_HOPS = 6
"""So many hops running the lines were in their places (`monitor.faults.departure`: one hop that shows it
stands for three more, so that two do), the drill being out of the cut. Of lines of another speed chance does
so once in two minutes, of the faintest that tell anything once in eight seconds, and few binds are out of a
cut for so long: the next cut is judged anew. The spindle runs free, and the speed that is followed is another
machine's, whatever it falls to: the program switches its own off, and then its lines go from their places
too. A sag has to build up in a cut again."""


@dataclass(slots=True)
class SagRule:
    """Compares sag with the job's two thresholds, one `step` a hop; thresholds in percent."""

    warning_pct: float
    hold_pct: float
    lag_s: float = 0.05
    flutes: int = 2
    _sums: list[float] = field(default_factory=lambda: [0.0, 0.0])
    _support: float = 0.0
    _before: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=BEFORE_HOPS))
    _fell_through: bool = False
    _known_sag: float = 0.0
    _known_s: float = -math.inf
    _known_hz: float = 0.0
    _followed_s: float = -math.inf
    _jump_hops: int = 0
    _small_hops: int = 0
    _beyond_hops: int = 0
    _short_hops: int = 0
    _short_s: float = -math.inf
    _wrong: float = 1.0
    _slow_sums: list[float] = field(default_factory=lambda: [0.0, 0.0])
    _slow_hops: list[int] = field(default_factory=lambda: [0, 0])
    _track: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=TREND_HOPS))
    _slipped: bool = False
    _sure_db: float = math.inf
    _sure_s: float = -math.inf
    _sure_sag: float = math.nan
    _sure_slope: float = 0.0
    _sure_falls: bool = False
    _path: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=round(UNLED_S / HOP_S)))
    _leapt_s: float = -math.inf
    _leapt: bool = False
    _misled_s: float = -math.inf
    _led_from: float = math.inf  # sag from which on it came down without a gap
    _beyond_s: float = math.inf
    _small_s: float = -math.inf
    _unled_sag: float = math.nan
    _unheard_sag: float = math.nan
    _found: float = 0.0
    _led: bool = False
    _led_sag: float = 0.0
    _led_s: float = -math.inf
    _run_down: deque[float] = field(default_factory=lambda: deque(maxlen=10 * RUNS_DOWN_HOPS))
    _rates: deque[float] = field(default_factory=lambda: deque(maxlen=RUNS_DOWN_HOPS))
    _fell_s: float = -math.inf
    _own_db: float = math.inf
    _own_s: float = -math.inf
    _hidden_s: float = -math.inf
    _told_s: float = -math.inf
    _away_s: float = math.inf
    _away_sag: float = 0.0
    _home_hops: int = 0
    _runs_free: bool = False
    _steady_hz: float = math.nan
    _steady_hops: int = 0
    _tone_hz: float = math.nan
    _tone_since_s: float = math.inf
    _tone_s: float = -math.inf
    _course: deque[tuple[float, float, float]] = field(default_factory=lambda: deque(maxlen=COURSE_HOPS))
    _course_from: tuple[float, float] = (0.0, 0.0)
    _bend: float = USUAL_BEND  # mean of the speed's second differences in cuts, over the free speed
    _bends: float = BENDS_PRIOR
    _lately: deque[tuple[float, float]] = field(
        default_factory=lambda: deque(maxlen=LATELY_HOPS + COURSE_HOPS)
    )
    _newest: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=3))
    _course_s: float = -math.inf
    _course_sag: float = 0.0
    _course_slope: float = 0.0
    _falling: FallingCourse = field(init=False)

    def __post_init__(self) -> None:
        self._falling = FallingCourse(self.lag_s, self.flutes)

    def step(
        self,
        hop: Hop,
        rotation: Rotation,
        work: Work,
        in_place: bool = False,
        missing: bool = True,
        at_work_s: float = math.inf,
    ) -> Finding | None:
        """Finding while a sag that built up in work is over a threshold.

        ``in_place``: the lines give at the free speed what they give in cuts, whatever speed is heard;
        ``missing``: they have not for some hops; ``at_work_s``: until when it was surely cutting, its lines
        in their places (`monitor.faults.departure`).
        """
        sag = rotation.sag
        self._follow_found(hop, rotation)
        # followed down to there, a spindle is not where chance or a motor's field has some lines
        in_place = in_place and not (self._led and self._found > ODDS_TELL and hop.beat >= BEAT_TELLS)
        leaps, came_away = self._leaps(hop, rotation, work), self._came_away(hop, rotation, work)
        elsewhere = self._is_tone(hop, rotation, work) or leaps or came_away
        elsewhere = self._runs_down(hop, rotation, work) or elsewhere
        elsewhere = self._was_let_go(rotation, work, in_place) or elsewhere
        self._support += (hop.support - self._support) / SUPPORT_HOPS
        in_cut = hop.t - at_work_s <= GONE_S
        stands = self._stands_unled(hop, rotation)
        self._follow_stand(hop, rotation, work, stands)
        slow = self._slow(hop, rotation, work, in_place, missing, elsewhere or stands, in_cut)
        self._follow_course(hop, rotation, work, in_place or elsewhere)
        self._falling.add(hop)
        falls = self._falls_unheard(hop, rotation, work, in_place or elsewhere)
        if sag <= DEEPEST:
            self._followed_s = hop.t
        elif hop.t - self._followed_s > FOLLOWED_S:
            sag = math.nan
        if in_place or elsewhere:
            sag = math.nan  # a tone of another sound, or switched off
        if in_place:
            self._sure_s = -math.inf  # nor is it lost: its lines are where they are in cuts
        if sag != sag or not hop.heard or self._support < LEAST_SUPPORT:
            self._sums, self._short_hops, self._beyond_hops = [FADE * s for s in self._sums], 0, 0
            return falls or self._judged(slow, math.nan, hop, rotation, work) or self._lost(hop, work)
        small = sag * 100 <= self.warning_pct
        gap = hop.t - self._known_s > WARNS_S + hop.step_s / 2  # of which nothing is known
        self._beyond_s = math.inf if small else hop.t if gap else min(self._beyond_s, hop.t)
        if small and hop.confidence >= SURE:
            self._small_s = hop.t
        self._small_hops = self._small_hops + 1 if small else 0
        self._wrong = self._wrong * (1 - hop.confidence) if small else 1.0
        if self._small_hops >= SMALL_HOPS or self._wrong < 1 - SMALL_CHANCE:
            self._sure_s = -math.inf  # not lost: heard again, if unsurely, and turning well
        if self._small_hops:
            self._fell_through = True
        elif sag - self._known_sag > JUMP * (hop.t - self._known_s) / hop.step_s:
            self._fell_through = False  # a spindle falls through the speeds between
        self._known_sag, self._known_s, self._known_hz = sag, hop.t, hop.spindle_hz
        self._follow_jump(hop, sag)
        told = self._is_told(hop)
        beyond_pct = max(self.warning_pct, 100 * work.cut_sag + COURSE_SHARE * self.warning_pct)
        away = 100 * sag > self.warning_pct
        odds = self._odds(hop, rotation) if away else 0.0
        contradicted = odds < -ODDS_TELL
        beyond = told and self._jump_hops <= 1 and sag * 100 > beyond_pct and not contradicted
        self._beyond_hops = self._beyond_hops + 1 if beyond else 0
        short = told and hop.audible >= TELLING and sag * 100 < self.hold_pct
        self._short_hops = self._short_hops + 1 if short else 0
        if self._short_hops >= SMALL_HOPS:
            self._short_s = hop.t
        if hop.confidence >= SURE and told:
            self._sure_db = hop.over_db
            under_way = hop.t - work.cut_s > CUT_S and self._own_s > work.cut_s
            most_db = self._own_db + LOUDER_DB_S * (hop.t - self._own_s) if under_way else math.inf
            self._own_db, self._own_s = hop.over_db if hop.over_db < most_db else most_db, hop.t
            sagging = beyond and work.loaded and self._fell_through and not stands
            agree = self._beyond_hops >= SMALL_HOPS and odds > ODDS_TELL
            if not sagging or hop.audible >= TELLING or agree:
                self._sure_s = hop.t if sagging else -math.inf
                self._sure_sag, self._sure_slope = sag, -hop.rate_hz_s / rotation.reference_hz
                self._sure_falls = not _is_heard(hop)
        if not work.loaded:
            self._sums = [0.0, 0.0]
            return falls
        sd = math.hypot(rotation.sag_sd, MACHINE_WANDER)
        counts = told and self._jump_hops <= 1 and not _runs_up(hop, rotation)
        if not counts or stands or contradicted or (sag > FAR and not missing):
            weight = 0.0
        elif hop.confidence >= SURE:
            weight = 1.0
        else:
            weight = UNSURE_SHARE if work.sure else 0.0
        over: list[bool] = []
        for i, limit in enumerate((self.warning_pct, self.hold_pct)):
            # a warning can wait until the frame's own sound shows it: the rate may be a glide of voices
            z = ((min(sag, self._middle(hop, rotation)) if i == 0 else sag) - limit / 100) / sd
            # Persistence: falls back as fast as it rose, so a single outlier leaves nothing behind.
            bounded = ENOUGH_Z if z > ENOUGH_Z else -ENOUGH_Z if z < -ENOUGH_Z else z
            total = self._sums[i] + weight * bounded
            self._sums[i] = min(total, 2 * ENOUGH_Z) if total > 0 else 0.0
            over.append(z > 0 and self._sums[i] >= ENOUGH_Z and not contradicted)
        lasts = hop.t - self._beyond_s > WARNS_S - hop.step_s / 2
        lasts = lasts and sum(100 * one > self.warning_pct for _, one in self._before) >= WARNS_HOPS
        over[0] = over[0] and lasts and not self._stays_unled
        found = self._judged([a or b for a, b in zip(over, slow, strict=True)], sag, hop, rotation, work)
        holds = found is not None and found.severity is Severity.HOLD
        return found if holds else falls or self._lost(hop, work) or found

    def _falls_unheard(self, hop: Hop, rotation: Rotation, work: Work, astray: bool) -> Finding | None:
        """A fall that no hop tells by itself: only all of them along its course do."""
        if astray or hop.deaf or not work.sure or _runs_up(hop, rotation):
            return None
        if hop.confidence >= SURE:
            return None  # this hop tells the speed by itself
        beyond = (1 - self.warning_pct / 100 - MACHINE_WANDER) * rotation.reference_hz
        if hop.probability_between((1 - DEEPEST) * rotation.reference_hz, beyond) < _MAY_FALL:
            return None
        fallen_to, slope = self._falling.sag(hop, rotation, work, self.hold_pct / 100)
        if not fallen_to:
            return None
        falls = f"falls by some {100 * slope:.0f} % a second in the noise of the cut"
        return self._passed(falls, fallen_to, work)

    def _odds(self, hop: Hop, rotation: Rotation) -> float:
        """Log odds, by the lines of this hop, of the speed that was measured over those of good cuts.

        Lines tell of a frame's middle; the speed measured is that of its end.
        """
        usual, here = self._given(hop, rotation)
        return here - usual if usual >= CHANCE_NATS else max(here - usual, 0.0)

    def _follow_found(self, hop: Hop, rotation: Rotation) -> None:
        """What the lines give at a sag over what they give at the speeds of good cuts, and whether the ear
        was led there."""
        if not hop.heard:
            self._found -= self._found / FOUND_HOPS
            return
        sag = 1 - hop.spindle_hz / rotation.reference_hz
        hops = (hop.t - self._led_s) / hop.step_s
        small = 100 * sag <= self.warning_pct
        leapt = abs(sag - self._led_sag) > LED * hops
        near = hops < 2.5 and not leapt
        self._led = (small and abs(sag) * 100 <= self.warning_pct) or (self._led and near)
        self._led_sag, self._led_s = sag, hop.t
        over = 0.0 if small else self._over_usual(hop, rotation)
        bounded = FOUND_MOST if over > FOUND_MOST else -FOUND_MOST if over < -FOUND_MOST else over
        before = 0.0 if leapt else self._found
        self._found = before + (bounded - before) / FOUND_HOPS

    def _over_usual(self, hop: Hop, rotation: Rotation) -> float:
        usual, here = self._given(hop, rotation)
        return here - max(usual, 0.0)

    def _given(self, hop: Hop, rotation: Rotation) -> tuple[float, float]:
        """What the lines of this hop give at the speeds of good cuts, and where the speed was measured."""
        reference_hz, hz = rotation.reference_hz, hop.spindle_hz
        usual_hz = (1 - USUAL * self.warning_pct / 100) * reference_hz, (1 + ALONG) * reference_hz
        speeds_hz = (hz - hop.rate_hz_s * self.lag_s, hz)
        here = max([hop.evidence_between((1 - ALONG) * one, (1 + ALONG) * one) for one in speeds_hz])
        return hop.evidence_between(*usual_hz), here

    def _middle(self, hop: Hop, rotation: Rotation) -> float:
        """Sag in the middle of the frame."""
        return 1 - (hop.spindle_hz - hop.rate_hz_s * self.lag_s) / rotation.reference_hz

    def _follow_jump(self, hop: Hop, sag: float) -> None:
        """Hops until a sag that came at once, or after none was known, counts."""
        before = self._before
        while before and hop.t - before[0][0] > (BEFORE_HOPS + 0.5) * hop.step_s:
            before.popleft()
        # the newest first: mostly that is enough to know
        jumped = sag - (before[-1][1] if before else 0.0) > JUMP
        jumped = jumped and sag - max((one for _, one in before), default=0.0) > JUMP
        self._jump_hops = JUMP_HOPS if jumped else self._jump_hops - 1 if self._jump_hops else 0
        before.append((hop.t, sag))

    def _follow_course(self, hop: Hop, rotation: Rotation, work: Work, astray: bool) -> None:
        """Where a spindle is that was seen to fall steadily, whether or not it is heard since."""
        if astray or hop.deaf or not work.sure:
            self._course.clear()
            self._course_s = -math.inf
            return
        t, sag = hop.t, 1 - hop.spindle_hz / rotation.reference_hz
        self._learn_bend(hop, sag)
        fallen_to = self._fallen_to(t)
        came_back = hop.heard and abs(sag) < self._course_from[1] + MACHINE_WANDER  # to where it fell from
        above = sag < fallen_to - (COURSE_WITHIN if _is_heard(hop) else JUMP)
        if came_back or (above and hop.confidence >= SURE):
            self._course_s = -math.inf
        # (what comes down from above it was another sound's, or a slip that is found out)
        falls = -hop.rate_hz_s >= FALL_RATE * rotation.reference_hz and sag > -COURSE_WITHIN
        if not falls or (self._course and sag <= self._course[-1][1]):
            self._course.clear()
        if not falls:
            return
        chance = hop.confidence
        if 100 * self._middle(hop, rotation) > self.warning_pct:
            chance = min(chance, 1 / (1 + math.exp(-self._odds(hop, rotation))))
        self._course.append((t, sag, chance))
        (start_s, start, _), hops = self._course[0], len(self._course)
        steadily = hops == COURSE_HOPS and sag - start >= FALL_RATE * (t - start_s)
        bends = max(COURSE_BENDS * self._bend, LATELY_BENDS * self._bend_before(start_s))
        steadily = steadily and sag - start >= bends
        far = sag - work.cut_sag > COURSE_SHARE * self.warning_pct / 100 and sag <= DEEPEST
        if steadily and far and math.prod(one[2] for one in self._course) >= COURSE_CHANCE:
            self._course_from = self._course_from if fallen_to else (start_s, start)
        elif not (fallen_to and abs(sag - fallen_to) < COURSE_WITHIN):
            return
        start_s, start = self._course_from
        self._course_s, self._course_sag, self._course_slope = t, sag, (sag - start) / (t - start_s)

    def _learn_bend(self, hop: Hop, sag: float) -> None:
        """By how much the speed scatters from hop to hop in cuts that do not sag."""
        if not hop.heard:
            return
        newest = self._newest
        newest.append((hop.t, sag))
        if len(newest) < 3 or hop.t - newest[0][0] > 2.5 * hop.step_s:
            return
        before, middle, last = (one for _, one in newest)
        bend = abs(last - 2 * middle + before)
        self._lately.append((hop.t, bend))
        if max(abs(before), abs(middle), abs(last)) < self.warning_pct / 100:
            self._bends = min(self._bends + 1, BENDS_MEMORY)
            self._bend += (bend - self._bend) / self._bends

    def _bend_before(self, start_s: float) -> float:
        """By how much it scattered just before a fall began; 0 where too little is known of that."""
        bends = [bend for t, bend in self._lately if start_s - LATELY_S <= t < start_s]
        return statistics.median(bends) if len(bends) >= LATELY_HOPS // 2 else 0.0

    def _fallen_to(self, t: float) -> float:
        """Sag at a time by the course, 0 where there is none."""
        since_s = t - self._course_s
        return self._course_sag + self._course_slope * since_s if since_s <= COURSE_S else 0.0

    def _lost(self, hop: Hop, work: Work) -> Finding | None:
        """The speed was lost while the spindle sagged beyond the warning: likelier a bind than not."""
        fallen_to = self._fallen_to(hop.t + hop.step_s)  # the feed stops no sooner than that
        if fallen_to > self.hold_pct / 100:
            sag, slope = 100 * self._course_sag, 100 * self._course_slope
            was = f"was heard {sag:.1f} % slower than it ran free, and falling by {slope:.0f} % a second"
            return self._passed(was, fallen_to, work)
        if self._slipped_to_part(hop):
            self._sure_s = -math.inf
        lost = hop.t - self._sure_s
        fast = self._sure_sag + self._sure_slope * LOST_FAST_S > self.hold_pct / 100
        long_enough = lost >= LOST_S and self._sure_slope > -RECOVERING and not self._sure_falls
        long_enough = lost >= LOST_FAST_S if fast else long_enough
        long_enough = long_enough and hop.t - self._short_s >= (LOST_FAST_S if fast else LOST_S)
        if not long_enough or lost > LOST_TO_S or not work.loud:
            return None
        message = (
            f"The spindle sagged by {self._sure_sag * 100:.1f} % and more, and its speed was then lost in "
            "the noise of the cut: retract and look."
        )
        return Finding(
            Kind.SAG, Severity.HOLD, message, self._sure_sag * 100, self.hold_pct, "%", work.onset_s
        )

    def _slipped_to_part(self, hop: Hop) -> bool:
        """Whether the ear follows a half, a third or a quarter of the speed that was last heard: all lines
        that it hears there are in their places."""
        if not (hop.confidence >= SURE and self._known_hz > 0):
            return False
        steady = abs(hop.rate_hz_s) < STANDS_STILL * hop.spindle_hz
        return steady and any(abs(part * hop.spindle_hz / self._known_hz - 1) < JUMP for part in (2, 3, 4))

    def _passed(self, fall: str, fallen_to: float, work: Work) -> Finding:
        """The hold of a fall that was heard to begin, or only all along its course."""
        message = (
            f"The spindle {fall}, so that it passes the limit ({self.hold_pct:g} %) by now: the drill is "
            "binding or chips are packed: retract and clear them."
        )
        value = 100 * fallen_to
        return Finding(Kind.SAG, Severity.HOLD, message, value, self.hold_pct, "%", work.onset_s)

    def _leaps(self, hop: Hop, rotation: Rotation, work: Work) -> bool:
        """Whether the speed has lately come up by more than a spindle in a cut could have.

        Or has ever, and was not heard home since: where no peck is sure it goes on being another sound's,
        unless it has come down by as much without a gap, as what leaps to and fro does not.
        """
        if hop.heard:
            path, sag = self._path, 1 - hop.spindle_hz / rotation.reference_hz
            while path and hop.t - path[0][0] > UNLED_S:
                path.popleft()
            lowest = sorted([one for t, one in path if one < DEEPEST and hop.t - t <= LEAP_S])[-2:]
            if len(lowest) == 2 and lowest[0] - sag > LEAPS:
                if rotation.settled:  # else it runs up
                    self._misled_s = hop.t
                if 100 * sag > self.warning_pct:
                    self._leapt_s, self._leapt = hop.t, True
            led = bool(path) and hop.t - path[-1][0] < 1.5 * hop.step_s and 0 <= sag - path[-1][1] < JUMP
            self._led_from = self._led_from if led else sag
            if 100 * sag <= self.warning_pct or sag - self._led_from > LEAPS:
                self._leapt = False
            path.append((hop.t, sag))
        return hop.t - self._leapt_s <= LEAP_S or (self._leapt and not work.sure)

    def _stands_unled(self, hop: Hop, rotation: Rotation) -> bool:
        """Whether the speed stands still already where no hop between led it from those heard just before."""
        path = self._path
        still = abs(hop.rate_hz_s) < STANDS_STILL * rotation.reference_hz
        if not (hop.heard and still) or len(path) < 3 or rotation.sag != rotation.sag:
            return False
        sag = path[-1][1]
        # (deeper ones led to nothing: a spindle that binds does not come up again to stand)
        before = [one for one in path if one[1] < sag - LED_WITHIN]
        # two of those before: a single one may itself have been a slip of the ear
        if len(before) < 2 or not all(sag - one > JUMP for _, one in before[-2:]):
            return False
        last_s = before[-1][0]
        came_s = next(t for t, one in path if t > last_s and abs(one - sag) <= LED_WITHIN)
        return came_s - last_s <= AT_REST_S

    @property
    def _stays_unled(self) -> bool:
        """Whether the speed still is where it came to at once."""
        return self._unled_sag == self._unled_sag

    def _follow_stand(self, hop: Hop, rotation: Rotation, work: Work, stands: bool) -> None:
        """Take one hop of a speed that may stand where it came to at once, until the cut is over."""
        if not (work.in_cut or work.loaded):
            self._unled_sag = math.nan
        if not hop.heard or rotation.sag != rotation.sag:
            return
        moves = abs(hop.rate_hz_s) >= STANDS_STILL * rotation.reference_hz
        if stands:
            self._unled_sag = rotation.sag
        elif moves or not abs(rotation.sag - self._unled_sag) < LED_WITHIN:
            self._unled_sag = math.nan

    def _runs_down(self, hop: Hop, rotation: Rotation, work: Work) -> bool:
        """Whether the spindle falls as it does when it is switched off, while no peck is sure."""
        rate = -hop.rate_hz_s / rotation.reference_hz
        if hop.t - self._fell_s > FOLLOWED_S:
            self._rates.clear()  # of a fall before: what stands still, or falls slowly, does not run down
        if hop.heard and rate > FALLS:
            self._rates.append(rate)
            self._fell_s = hop.t
            if not (work.in_cut or work.loaded) and RUNS_DOWN_FROM < rotation.sag < DEEPEST:
                self._run_down.append(rate)
        known = self._rates and len(self._run_down) >= RUNS_DOWN_HOPS
        if work.sure or not (work.loaded and known):
            return False
        ratio = statistics.median(self._rates) / statistics.median(self._run_down)
        return 1 / LIKE_RUNNING_DOWN < ratio < LIKE_RUNNING_DOWN

    def _came_away(self, hop: Hop, rotation: Rotation, work: Work) -> bool:
        """Whether the speed was beyond the warning for long before the present cut, and is no lower since."""
        sag = rotation.sag
        if sag * 100 <= self.warning_pct or rotation.state is not TURNING:
            self._away_s = math.inf
        elif sag == sag and not (work.in_cut or work.loaded):
            self._away_s, self._away_sag = min(self._away_s, hop.t), sag
        if not (work.in_cut and work.cut_s - self._away_s > AWAY_S):
            return False
        return not sag > self._away_sag + self.hold_pct / 100

    def _was_let_go(self, rotation: Rotation, work: Work, in_place: bool) -> bool:
        """Whether the lines were in their places after the cut, and no sag can have built up since."""
        self._home_hops = self._home_hops + 1 if in_place and not work.in_cut else 0
        if work.in_cut or 100 * abs(rotation.sag) <= self.warning_pct:
            self._runs_free = False
        elif self._home_hops >= HOME_HOPS:
            self._runs_free = True
        return self._runs_free

    def _is_tone(self, hop: Hop, rotation: Rotation, work: Work) -> bool:
        """Whether the speed stands where one was heard lately that was not the spindle's."""
        if not hop.heard:
            return False
        hz, within_hz = hop.spindle_hz, TONE_WITHIN * rotation.reference_hz
        away = 100 * (1 - hz / rotation.reference_hz) > self.warning_pct
        steady = away and abs(hop.rate_hz_s) < STANDS_STILL * rotation.reference_hz
        if steady and not (work.cutting or work.loaded):
            if not abs(hz - self._steady_hz) < within_hz:
                self._steady_hz, self._steady_hops = hz, 0
            self._steady_hops += 1
            if self._steady_hops >= TONE_HOPS:
                if not abs(self._steady_hz - self._tone_hz) < within_hz or hop.t - self._tone_s > TONE_S:
                    self._tone_hz, self._tone_since_s = self._steady_hz, hop.t
                self._tone_s = hop.t
        else:
            self._steady_hops = 0
        # not in a cut that was known to be one only as the spindle stood there
        before = hop.t - self._tone_s <= TONE_S and self._tone_since_s < work.cut_s
        return steady and before and abs(hz - self._tone_hz) < within_hz

    def _slow(
        self,
        hop: Hop,
        rotation: Rotation,
        work: Work,
        in_place: bool,
        missing: bool,
        elsewhere: bool,
        in_cut: bool,
    ) -> list[bool]:
        """For each limit, whether the distribution of the speed lies beyond it.

        Only a spindle that turns cuts: what is asked is the speed given that it turns, even where its lines
        are drowned so far that they seem gone.
        """
        drowned = hop.audible < TELLING
        if self._is_told(hop):
            self._told_s = hop.t
        turning = rotation.state is TURNING and self._support >= LEAST_SUPPORT
        # as loud as cuts are: twice as far over idling as half way to them
        half_db = (hop.over_db - work.idle_db) / work.strength if work.strength > 0 else 0.0
        cuts_db = work.idle_db + 2 * half_db
        if work.sure and hop.over_db > max(self._own_db, cuts_db) + LINES_LOUDER_DB:
            self._hidden_s = hop.t
        turning = turning and hop.t - self._hidden_s > HIDDEN_S
        if drowned:
            # once the peck should be over, the spindle may have been switched off under what goes on
            by_the_cut = hop.over_db <= max(self._sure_db, cuts_db) + LOUDER_DB
            told = hop.t - self._told_s < TOLD_S - hop.step_s / 2  # of a whole number of hops
            told = told and by_the_cut and work.contact_s == work.contact_s
            turning = told and rotation.state is not STOPPED and work.working
        trend = self._trend(hop, rotation)
        # speeds found by chance lead down steeply too, but not along a line
        fallen_on = trend * self.lag_s if hop.confidence >= SURE or self._falls(hop) else 0.0
        # Where no spindle could have gone from where it was, tones of another sound are taken for it; or it
        # has gone, faster than its lines can be followed in the cut: they are in their places no more.
        if hop.heard and rotation.state is not MASKED:  # masked, none is told
            self._slipped = rotation.sag != rotation.sag
        gone = self._slipped and missing and work.sure and in_cut and hop.t - self._known_s <= GONE_S
        astray = in_place or (self._slipped and not gone)
        # where the peck should be over, what falls was switched off, unless the load is seen to build up
        loads = work.loaded or (work.working and work.contact_s == work.contact_s)
        if hop.deaf or astray or elsewhere or not loads or not turning:
            self._slow_hops, self._slow_sums = [0, 0], [0.0, 0.0]
            return [False, False]
        strays = hop.heard and self._strays(hop, rotation)
        unled = self._stands_unheard(hop, rotation)
        most = min(max(hop.audible - FAINT, SLOW_LEAST), SLOW_MOST)
        deepest = (1 - DEEPEST) * rotation.reference_hz
        placed = hop.heard and hop.confidence >= SURE and not rotation.leaving
        misled = MISLED_NATS if hop.t - self._misled_s <= MISLED_S else 0.0
        chance = 1.0
        for i, limit in enumerate((self.warning_pct, self.hold_pct)):
            if chance > _SURELY_NOT:  # what is not beyond the warning is not beyond the hold
                beyond = (1 - limit / 100 - MACHINE_WANDER + fallen_on) * rotation.reference_hz
                chance = hop.probability_between(deepest, beyond)
                chance = chance if chance < 1 else 1.0
            if drowned or gone:
                slow = chance >= DROWNED_CHANCE * hop.running and not (unled or (gone and strays))
                self._slow_hops[i] = self._slow_hops[i] + 1 if slow else 0
                continue
            # as where the lines are drowned, which then tell more
            surely = work.sure and chance >= DROWNED_CHANCE * hop.running
            self._slow_hops[i] = self._slow_hops[i] + 1 if surely else 0
            nats = -most  # lines that tell little tell no more against it
            if i == 0 and placed and 100 * rotation.sag <= limit:
                # the lines' phases part two places that their levels do not; a hold does not wait for that:
                # where a belt slips most lines are the motor's
                chance = min(chance, 0.5)
            if chance > _SURELY_NOT:
                nats = max(min(math.log(chance / (1 - chance + 1e-9)), most), -most)
                if nats > 0 and self._slow_sums[i] > 0:
                    nats *= min(hop.step_s / (2 * self.lag_s), 1.0)  # what is new in its frame
            nats += self._slow_sums[i]
            most_nats = 2 * SLOW_NATS + misled
            self._slow_sums[i] = 0.0 if nats <= 0 else nats if nats < most_nats else most_nats
        enough = SLOW_NATS if work.sure else SLOW_NATS + SWITCHED_OFF_NATS
        enough += misled
        (hops, more_hops), (nats, more_nats) = self._slow_hops, self._slow_sums
        lasts = hop.t - self._small_s > WARNS_S - hop.step_s / 2 and not self._stays_unled
        warns = lasts and (hops >= DROWNED_HOPS or nats >= enough)
        return [warns, more_hops >= DROWNED_HOPS or more_nats >= enough]

    def _stands_unheard(self, hop: Hop, rotation: Rotation) -> bool:
        """Whether a speed that is likeliest, though not heard, stands where nothing led from those heard: no
        spindle comes to rest so soon, but a note does. What stands there for longer is believed, and what
        the beat of the cut tells, for that is no note's."""
        track, sag = self._track, 1 - hop.spindle_hz / rotation.reference_hz
        falls = hop.rate_hz_s < -STANDS_STILL * rotation.reference_hz
        if hop.heard or sag != sag or falls or hop.audible < FAINT:
            self._unheard_sag = math.nan
            return False
        lately = [one for one in self._path if hop.t - one[0] <= UNLED_S]
        if lately and abs(sag - self._unheard_sag) < LED_WITHIN:
            self._unheard_sag = sag
            return True
        self._unheard_sag = math.nan
        before = [one for one in lately if one[1] < sag - LED_WITHIN]
        if len(before) < 2 or not all(sag - one > JUMP for _, one in before[-2:]):
            return False
        came_s = next((t for t, one in track if t > before[-1][0] and abs(one - sag) < LED_WITHIN), hop.t)
        if came_s - before[-1][0] > AT_REST_S:
            return False
        self._unheard_sag = sag
        return True

    def _strays(self, hop: Hop, rotation: Rotation) -> bool:
        """Whether a speed to which nothing led stays where it is, or comes up again."""
        (_, sag), before = self._track[-1], list(self._track)[-3:-1]
        rises = any(one - sag > RISES for t, one in before if hop.t - t < 3.5 * hop.step_s)
        return rises or abs(hop.rate_hz_s) < STANDS_STILL * rotation.reference_hz

    def _is_told(self, hop: Hop) -> bool:
        """Whether the speed heard is the spindle's: in a cut that drowns it one is found by chance too, and
        tones of the cut stay where they are, but neither falls steadily."""
        return _is_heard(hop) or self._found >= FOUND_NATS or self._falls(hop)

    def _falls(self, hop: Hop) -> bool:
        """Whether all of the newest speeds but one lie on a line that falls."""
        known = [(t, sag) for t, sag in self._track if hop.t - t < TREND_HOPS * hop.step_s]
        if len(known) < FALL_HOPS or known[-1][1] < known[0][1]:
            return False
        slope = _slope(known)
        if slope < FALLS:
            return False
        offs = [sag - slope * t for t, sag in known]
        middle = statistics.median(offs)
        return sum(abs(off - middle) < FALL_WITHIN for off in offs) >= max(FALL_HOPS, len(known) - 1)

    def _trend(self, hop: Hop, rotation: Rotation) -> float:
        """Fall per second, over the free speed."""
        sag = 1 - hop.spindle_hz / rotation.reference_hz
        if sag == sag:
            self._track.append((hop.t, sag))
        track = self._track
        if not track or track[-1][1] * 100 < self.warning_pct / 2:
            return 0.0
        known = [(t, sag) for t, sag in self._track if hop.t - t < TREND_HOPS * hop.step_s]
        if len(known) < TREND_HOPS // 2 + 1:
            return 0.0
        return max(0.0, _slope(known))

    def _judged(
        self, over: list[bool], sag: float, hop: Hop, rotation: Rotation, work: Work
    ) -> Finding | None:
        if sag != sag and hop.spindle_hz == hop.spindle_hz:
            sag = 1 - hop.spindle_hz / rotation.reference_hz
        if _runs_up(hop, rotation):
            return None
        if over[1]:
            return self._finding(sag, Severity.HOLD, self.hold_pct, work.onset_s)
        if over[0]:
            return self._finding(sag, Severity.WARNING, self.warning_pct, work.onset_s)
        return None

    def _finding(self, sag: float, severity: Severity, limit: float, onset_s: float) -> Finding:
        what = (
            "the drill is binding or chips are packed: retract and clear them"
            if severity is Severity.HOLD
            else "the load is climbing: watch the next pecks"
        )
        if not sag * 100 > limit:  # known to be beyond the limit, not how far
            sag, percent = limit / 100, f"more than {limit:g} % slower than it did running free"
        else:
            percent = f"{sag * 100:.1f} % slower than it did running free (limit {limit:g} %)"
        message = f"The spindle turns {percent}: {what}."
        return Finding(Kind.SAG, severity, message, sag * 100, limit, "%", onset_s)


def _is_heard(hop: Hop) -> bool:
    """Whether the lines, or the beat of the cut, can be told from chance."""
    return hop.audible >= FAINT or hop.beat >= BEAT_TELLS


def _slope(known: list[tuple[float, float]]) -> float:
    """Median over pairs of points (Theil 1950, from memory)."""
    return statistics.median((b - a) / (u - t) for (t, a), (u, b) in combinations(known, 2))


def _runs_up(hop: Hop, rotation: Rotation) -> bool:
    return hop.heard and hop.rate_hz_s > RUNS_UP * rotation.reference_hz
