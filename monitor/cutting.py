"""Whether the drill is in the material: broadband sound over the idle machine, weighed with load.

A two-state hidden Markov model (idle, cutting), filtered forward only (Rabiner 1989, Proc. IEEE 77:257, from
memory). Each hop gives two pieces of evidence, log-likelihood ratios that are bounded so that neither can
overrule the other for long:

- sound: the broadband level against the idle level and, once cuts were heard, against theirs. A level like
  neither says little, so something louder than drill and machine decides nothing;
- load: the sag of the spindle against that of idling and of the cuts heard so far. It lags behind the sound
  by the motor's answer, but a radio, an air gun or a step of the microphone's gain makes none.

The rhythm of the cycle is left out of this decision on purpose: `monitor.faults.lost_cut` judges the cut
against the rhythm, and would otherwise hear what it expects.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from operator import attrgetter
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.baseline import Baseline
from monitor.hop import Hop
from monitor.signal.frames import HOP_S
from monitor.spindle import MASKED, OVERRIDE, TURNING, Rotation

ON_DB_LEAST, ON_DB_MOST = 2.5, 8.0
"""Bounds of `CuttingDetector.threshold_db`: 2.5 dB is most of a doubling of broadband power, and five
deviations of the band-averaged floor."""

CRASH_DB = 12.0
"""Rise that is contact even while the speed changes: lines that sweep through the floor raise it by half."""

EVIDENCE_MOST = 3.0
"""Nats that one hop gives at most: a cut like those before it is told by its second hop."""

LOAD_YES, LOAD_NO = 1.2, 4.0
"""Nats a hop of load at most, where load is known to tell: a sound like a cut without the load of one is
none."""

SURE = 1.5
"""Log-odds at which the decision changes: 4.5 to 1, either way."""

UNHEARD_S = 0.5
"""A steady load for so long is a cut though it is not heard: a free spindle's speed comes back, and one that
is switched off falls on."""

_ROOT = 2.5066  # of 2 pi
_SHARE = 0.6  # of the evidence: neighbouring frames share half of their samples
_GAP_S, _PECK_S = 4.0, 2.0  # usual dwell times; they weigh a nat or two against 3 a hop
_ODD, _ODD_DB = 0.02, 30.0  # a turning machine is accompanied by odd sounds so much of the time, this loud
_LEAST_RISE_DB, _FULL_RISE_DB, _MOST_RISE_DB = 0.8, 2.8, 25.0  # what a cut may add before one was heard
_LIKE_OTHERS = 0.85  # share of the hops of a cut whose level is like those before
_IDLE_S = 2.0  # time constant of the learned level
_IDLE_RISES_DB = 8.0  # per time constant at most: bursts pass, a vacuum cleaner stays
_IDLE_FAST_S = 0.3  # while it is known that nothing cuts: within _SETTLE_S it is mostly learned
_SPREAD_LEAST_DB, _CUT_SPREAD_LEAST_DB = 0.35, 1.5  # averaging of the bands; crackle and grain
_QUIETER_DB = 6.0  # the idle machine may be so much quieter than learned: see _learn_idle
_SETTLE_S = 0.4  # after the spindle is at speed; every program takes longer to bring the drill
_GAIN_S, _GAIN_FREE_DB = (
    0.25,
    2.5,
)  # lines waver by 2 dB as load and pose change; more is the microphone's gain
_STAYING_SUPPORT = 0.5
_SURE_SPEED = 0.8  # confidence of a speed that tells gain and load
_ANSWER_S = 0.15  # part of a small motor's answer (0.1 to 0.4 s) that its rate of change is ahead of it
# deviation of the sag while idle: before it was learned, and at least
_IDLE_SAG, _SAG_LEAST = 0.003, 0.0015
_IDLE_SPREAD_DB = 0.5  # deviation of the level while idle, before it was learned
_ANSWERED_S = 0.5  # after this a cut shows its load, and an ended one shows none
_TELLS_SDS = 5.0  # a cut's load over the deviation of idling
_SHOWS_SDS = 3.0  # the same, of a longer look
_USUAL_SAG = 0.01  # before a cut was heard
_ODD_SAG = 0.5  # density of sags that are neither, per unit of sag: a wrong reference, a slip of the ear
_LOAD_MOST = 0.3  # a sag beyond is a slip of the ear, or a fault that others judge
_MOSTLY = 0.8  # within `OVERRIDE` mostly, which then needs no logarithm
_SAG_STEP = 5e-5  # a hop: a per mille a second
# What gets louder and slower together within so long is a drill that enters slowly: a blunt point at a slow
# feed. Neither alone tells it: other sound loads nothing, and a free spindle wanders without a sound. Where
# the drive holds its speed, what gets louder and beats as the lips come round tells it: by so much (noise
# beats so in one window of a hundred and fifty), and so many times as much as before.
# After a cut a speed loop may overshoot, and fall back while the axis is heard; and a hole begins but once.
_OVERSHOT_S = 5.0
_ENTERS_S, _ENTERS_MEAN_S, _ENTERS_DB, _ENTERS_SDS, _ENTERS_SAG = 4.0, 0.5, 2.0, 3.0, 0.003
_ENTERS_BEAT, _ENTERS_BEATS = 5.0, 2.0
# An axis beats at the lips' rate by chance only: the mean of two looks is over 5 once in 2000 (the power of
# noise is distributed exponentially, that of two looks as a gamma). Idling may beat with the turn itself.
_LIPS_BEAT, _LIPS_BEATS, _BEAT_MEAN_S, _IDLE_BEAT_S = 5.0, 2.0, 0.5, 5.0
_SHOWN_STEP = 0.001  # a hop: the median of the load that a cut has shown follows within a second and a half
_REGULATES_S = 2.0  # a drive that wins its speed back has done so: then what it sags tells no cut
_NEW_SPREAD_DB = 1.0  # other machines waver more than this one; what this one does is learned
_EMPTY_RUNS = 2  # a person may run the spindle once to look at it
_LATELY = 15  # cuts of which the medians are taken: those with something else in them are outnumbered
_IDLE_MOVED_DB, _IDLE_SDS = 1.0, 2.0  # idling that is so much louder, and no farther from a cut, may be one
_LEAST_HOPS = 8  # of a cut, once it is established, to learn from it
_TELLING_HOPS = (
    40  # of a load: two seconds of a peck say as much as a longer one, and more than an axis' rapid
)
_FAINTER_DB = 3.0  # half of a cut's sound: less is no more of it
_LOADS_SHARE = 0.5  # of the load of cuts: what has less, where load tells, was none
_LOAD_VARIES = 0.25  # cuts differ in load by so much of it, within and between pecks
_SETTLED_SHARE = 0.15  # of a hop: the level at the settled speed is that of a third of a second
_UNSURE_LOAD = 0.4  # nats a hop where load does not tell: regulated drives hardly sag
_UNDER_SDS = 3.0  # so far under the idle level, which was learned in other sound that has ended
# falls of speed, per second: of a spindle switched off; of one loaded steadily
_COASTS, _STEADY = 0.1, 0.03
_UNHEARD_RATIO = 0.1  # least power of a cut over idle: what is less is not heard
_UNHEARD_SDS, _UNHEARD_SAG = 4.0, 0.005
# a load that was not seen for so long is suspected no more: it keeps a free speed from being learned
_FORGETS_S = 2.0
# Nor where this machine's cuts are plainly heard, and for so long nothing is, by this share of what tells a
# cut: the free speed was taken too high, near the top of an overshoot that a slow loop takes seconds to leave
_SILENT_S, _SILENT = 2.0, 0.3
# by so much less than a part of a cut's load would sound: idling may be learned that much wrongly meanwhile
_PART, _PART_FAINTER_DB = 0.6, 6.0
_EDGE = 0.35  # onset is dated where the level leaves this share of the threshold
_STUCK_S = 3.0  # beyond the longest peck: this is a new background, no cut
_STUCK_TIMES = 2.0

_FALL_HOPS, _STAY_HOPS = 3, 5  # a retract takes less than 0.15 s to leave the chip; 0.25 s show what stays
_GATHERS_HOPS = 6  # an axis gathers way for some tenths of a second, and is heard the less before
_STAY_DB = 2.0  # range of five hops of steady noise: four deviations of the band-averaged floor
_FALL_DB, _FALL_SDS = 3.0, 2.0  # below the cut, at least
_TRAVEL_LEAST_DB = 1.5  # less hardly sounds like cutting
_TRAVEL_SPREAD_DB = 1.0  # axes differ in and out, and with speed
_TRAVEL_S = 20.0  # out of the deepest hole and back at the slowest rapid
_CUT_HOPS = 20  # a second of a cut tells how loud it is
_SOME_CUTS = 3  # of which the median is a cut, if one of them was another sound

_FRAME_LAG_S = 0.05  # a level is that of a 0.1 s frame: its middle


def floor_by_speed(
    baseline: Baseline, bands_hz: NDArray[np.float64], spindle_hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Mean level of the machine's own noise over some bands at each speed, dB per Hz.

    A machine's floor rises with speed: straight lines in dB over log speed between the learned speeds,
    level beyond them (what lies beyond was not heard; a machine's floor changes little within the dial
    errors and sags that lead there).

    Parameters
    ----------
    bands_hz : shape (n_bands,)
    spindle_hz : shape (n_speeds,)

    Returns
    -------
    shape (n_speeds,)
    """
    learned = [
        float(np.interp(bands_hz, baseline.floor_hz, floor).mean()) for floor in baseline.floor_dbfs_hz
    ]
    return np.interp(np.log(spindle_hz * 60), np.log(baseline.speeds_rpm), learned)


class _Cut(NamedTuple):
    """What a cut taught: its own level and the spread of it, and its load (a fraction, NaN where not known)
    with how many hops told that."""

    level_db: float
    spread_db: float
    sag: float
    hops: int


@dataclass(slots=True)
class _Idling:
    """Level, sag and beat, averaged over `_ENTERS_MEAN_S`, and what was known of idling by then."""

    level_db: float
    sag: float
    beat: float
    idle_db: float
    idle_spread_db: float
    idle_sag_sd: float


@dataclass(slots=True)
class CuttingDetector:
    """Streaming decision; one `step` a hop.

    Levels and loads of idling and of cuts are learned as the batch goes, so a machine, a material or a
    microphone needs no setting. ``gain_db`` is the change of the microphone's gain since the baseline, as
    far as the learned lines show it beyond doubt; ``idle_db`` the broadband level of the idle machine over
    the baseline's floor, less that gain; ``cut_db`` the level of the cut's own sound on the same scale, NaN
    before one was heard; ``cut_sag`` the load of cuts as a fraction; ``travel_db`` the level of the sound of
    the axis as it draws the drill out and back, NaN before it was heard. ``background_db`` is the broadband
    level (dB per Hz) while the spindle stands, -inf before it was heard; ``strength`` the present rise over
    idle in units of the threshold; ``log_odds`` that the drill cuts, in nats; ``evidence``: what this hop
    adds to them, and ``level_db``: its broadband level, gain taken off. ``onset_s`` and ``end_s``
    date the newest cut's beginning and end, ``since_s`` when it was decided; ``longest_s`` is the time of
    the longest peck, ``commanded_hz`` the speeds to be expected, the drilling speed first.
    """

    longest_s: float = 10.0
    commanded_hz: tuple[float, ...] = ()
    idle_db: float = 0.0
    idle_spread_db: float = _IDLE_SPREAD_DB
    cut_db: float = float("nan")
    cut_spread_db: float = 3.0
    cut_sag: float = float("nan")
    travel_db: float = float("nan")
    gain_db: float = 0.0
    cutting: bool = False
    strength: float = 0.0
    log_odds: float = -4.0
    onset_s: float = float("nan")
    end_s: float = float("-inf")
    since_s: float = float("nan")
    background_db: float = float("-inf")
    evidence: float = 0.0
    level_db: float = 0.0
    _light_sag: float = float("nan")  # of the lightest quarter of cuts, as heard
    _line_db: float = 0.0
    _beat: float = 1.0  # lately, over that of noise
    _idle_beat: float = 1.0
    _before: tuple[float, float] = (0.0, 0.0)
    _idle_sag_sd: float = _IDLE_SAG
    _shown: float = 0.0
    _most_shown: float = 0.0
    _levels: list[float] = field(default_factory=list)
    _sags: list[tuple[float, float]] = field(default_factory=list)  # with the level at which each was heard
    _cuts: deque[_Cut] = field(default_factory=lambda: deque(maxlen=_LATELY))
    _idle_levels: deque[float] = field(default_factory=lambda: deque(maxlen=_LATELY))
    _usual_idle_db: float = 0.0
    _travels: deque[float] = field(default_factory=lambda: deque(maxlen=_LATELY))
    _travel_s: float = 0.0
    _newest: deque[float] = field(
        default_factory=lambda: deque(maxlen=_FALL_HOPS + _GATHERS_HOPS + _STAY_HOPS)
    )
    _load_known_s: float = 0.0
    _loaded_s: float = 0.0
    _silent_s: float = 0.0
    _unheard: bool = False
    _falls: bool = False
    _spots: bool = False
    _heard_hops: int = 0
    _low_s: float = 0.0
    _free_s: float = 0.0
    _settled_db: float = -math.inf
    _high_s: float = 0.0
    _settling_s: float = 0.0
    _idled: deque[_Idling] = field(init=False)
    _entering: bool = False
    _run_s: float = 0.0
    _run_cuts: bool = False
    _empty_runs: int = 0
    _lowest_db: float = float("inf")
    _too_long_s: float = field(init=False)  # what lasts longer than any peck is no cut

    def __post_init__(self) -> None:
        self._too_long_s = _STUCK_TIMES * self.longest_s + _STUCK_S
        self._idled = deque(maxlen=round(_ENTERS_S / HOP_S))

    @property
    def rise_db(self) -> float:
        """Rise over idle that a cut like those heard makes; NaN before one was heard."""
        return 10 * math.log10(1 + 10 ** ((self.cut_db - self.idle_db) / 10))

    @property
    def threshold_db(self) -> float:
        """Rise over the idle level half way to a cut."""
        return self._threshold_db(self.rise_db)

    def threshold_of(self, share: float) -> float:
        """Rise over the idle level half way to a cut of which so much of the lips is in the work."""
        if share >= 1:
            return self.threshold_db
        return self._threshold_db(10 * math.log10(1 + share * 10 ** ((self.cut_db - self.idle_db) / 10)))

    @staticmethod
    def _threshold_db(cut_db: float) -> float:
        half = 0.5 * cut_db
        if not half > ON_DB_LEAST:  # NaN included
            return ON_DB_LEAST
        return half if half < ON_DB_MOST else ON_DB_MOST

    @property
    def suspects_load(self) -> bool:
        """Whether the spindle may be loaded, heard or not: then it does not run free."""
        loaded = self._loaded_s > 0 and self._silent_s < _SILENT_S
        return (loaded or self._entering) and not self._falls

    @property
    def travels(self) -> bool:
        """Whether the axis is heard to travel: then it is louder than idling, and no drill enters."""
        return self._travel_s > 0 and not self.cutting

    @property
    def load_tells(self) -> bool:
        """Whether the cuts of this machine load it so much that the load alone tells them from idling."""
        return self.cut_sag > _TELLS_SDS * self._idle_sag_sd

    @property
    def load_shows(self) -> bool:
        """Whether half a second of load tells them from idling more often than not."""
        return self.cut_sag > _SHOWS_SDS * self._idle_sag_sd

    @property
    def light_sag(self) -> float:
        """Load of light cuts, as heard: loads differ from cut to cut, and few lines tell them with a scatter.
        But what the free spindle wanders by is none."""
        return max(self._light_sag, _SHOWS_SDS * self._idle_sag_sd)

    @property
    def idle_sag_sd(self) -> float:
        """Deviation of the sag while idling, a fraction."""
        return self._idle_sag_sd

    @property
    def in_other_sound(self) -> bool:
        """Whether idling is louder than it was before the cuts so far: contact is hard to date in it."""
        return self.louder_db > _IDLE_MOVED_DB

    @property
    def louder_db(self) -> float:
        """By how much idling is louder than it was before the cuts so far."""
        return self.idle_db - self._usual_idle_db if self._idle_levels else 0.0

    @property
    def hides_cut(self) -> bool:
        """Whether what is taken for idling is as loud as a cut over usual idling: then a cut that began as
        another sound ended, or under it, is not known."""
        if not self.in_other_sound:
            return False
        cut_db = 10 * math.log10(10 ** (self._usual_idle_db / 10) + 10 ** (self.cut_db / 10))
        return self.idle_db > cut_db - _IDLE_SDS * self.cut_spread_db

    @property
    def _audible(self) -> bool:
        """Whether cuts are heard on this machine: then what is not heard is none, however slow it turns."""
        return self.rise_db > ON_DB_LEAST or (self.cutting and self._heard_hops >= _LEAST_HOPS)

    def step(self, hop: Hop, rotation: Rotation) -> bool:
        """Take one hop, and say whether the drill cuts."""
        settled = rotation.settled
        now = hop.t - _FRAME_LAG_S
        if rotation.state is not TURNING and rotation.state is not MASKED:
            self._stand(now, hop)
            return False
        if hop.deaf:
            if not self.cutting:
                self._settling_s = 0.0  # it may come back with another gain: idling is learned anew
            self.evidence = 0.0
            return self.cutting
        self.level_db = level = self._level(hop)
        rise = level - self.idle_db
        self._beat += hop.step_s / _BEAT_MEAN_S * (hop.beat - self._beat)
        cut_db = self.rise_db
        threshold_db = self._threshold_db(cut_db)
        self.strength = rise / threshold_db
        drills = self._drills_at(rotation.reference_hz)
        sag = self._sag_ahead(hop, rotation) if drills else math.nan
        # what a centre drill loads at its own speed says nothing of the pecks
        self._spots = len(self.commanded_hz) > 1 and not _is_near(rotation.reference_hz, self.commanded_hz[0])
        self._follow_unheard(hop, rotation, sag)
        sound, load = self._sound(rise, cut_db), self._load(sag, now) if settled else 0.0
        unheard = self._unheard and not self._audible
        if sound > 0:
            self._heard_hops += 1
        if unheard:
            sound, load = max(sound, -_UNSURE_LOAD), LOAD_YES
        # nor has a cut begun while the axis is heard to bring the drill
        if sound <= 0 and (rise < _EDGE * threshold_db or self.travels) and not unheard:
            self._low_s = now
        if load <= -LOAD_YES and sound + load < 0:
            self._free_s = now  # whatever sounds like a cut
        drowned = sound <= 0 and load > 0 and rise > cut_db  # louder than cuts: only the load dates this one
        if (unheard or drowned) and rotation.sag > 0.5 * max(self.cut_sag, self._most_shown):
            self._high_s = now
        heard = rise > 0.5 * cut_db if cut_db == cut_db else sound > 0
        if sound > 0 and heard:
            self._high_s = now
        if settled and self._settling_s < _SETTLE_S and not self.cutting:
            self.evidence = -EVIDENCE_MOST
            self._settle(level, hop)
            return False
        # No program cuts before the spindle is at speed; but a drill that crashes is loud at once.
        entering = self.strength >= 1 and self._settling_s >= _SETTLE_S  # or slowed by something else
        self.evidence = 0.0 if entering or not hop.heard else -EVIDENCE_MOST
        if settled and not self.cutting:
            if self._settled_db == -math.inf:
                self._settled_db = level
            self._settled_db += _SETTLED_SHARE * (level - self._settled_db)
        # a drill that binds at contact slows the spindle before it is known to cut, which was likely though
        binds = drills and self.log_odds > 0 and self.strength >= 1 and rotation.state is TURNING
        if (settled and drills) or self.cutting or binds:
            evidence = sound + load
            self._filter(evidence, hop.step_s)
            # idling as loud as a cut hides one; far below it another sound has ceased: it is learned anew
            unsure = self.strength < -1 or (not self.load_tells and self.hides_cut)
            self.evidence = max(evidence, 0.0) if unsure else evidence
        else:
            # what was as loud while the spindle stood, or at its speed, is no crash
            louder_db = min(hop.broadband_db - self.background_db, level - self._settled_db)
            crashes = min(rise, louder_db) > CRASH_DB
            self.log_odds = EVIDENCE_MOST if crashes else -EVIDENCE_MOST
        if not self.cutting and self.log_odds > SURE:
            # what was as loud long before the load was none; a cut's load lags behind its sound
            low_s = self._low_s if now - self._low_s <= _ANSWERED_S else max(self._low_s, self._free_s)
            self.cutting, self.onset_s, self.since_s = True, max(low_s, now - 1.0), hop.t
            self._lowest_db, self._high_s = level, now
            self._shown = self._most_shown = 0.0
            self._heard_hops = 0
        elif self.cutting and self.log_odds < -SURE:
            self.cutting, self.end_s = False, min(self._high_s, now)
            self._learn_cut()
        elif self.cutting and self._falls_to_travel(level, sag):
            self.out(now - _STAY_HOPS * hop.step_s)
        if rotation.at_speed:
            self._run_s += hop.step_s
            self._run_cuts = self._run_cuts or self.cutting
        if rotation.at_speed and not self.cutting:
            self._follow_entry(hop, level, sag, now - self.end_s - _OVERSHOT_S)
        else:
            self._begin_idling()
        if rotation.at_speed or self.cutting:
            self._learn(now, hop, level, sag)
        self._before = self._before[1], level
        return self.cutting

    def out(self, t: float) -> None:
        """The drill is known to be out, because the spindle was sent to another speed."""
        if self.cutting:
            self.end_s = min(self._high_s, t)
            self._learn_cut()
        self.cutting, self.log_odds, self._low_s = False, -EVIDENCE_MOST, t
        self._loaded_s, self._unheard = 0.0, False

    def _level(self, hop: Hop) -> float:
        """Broadband level as it would be at the baseline's gain: a step of gain moves the lines too."""
        # Lines that leave, as the spindle runs down, fade too; but then they support the speed no more. A
        # gain that fell takes support as well, for more is expected over the lower floor; but it takes as
        # much of the floor as of the lines.
        stays = hop.support >= _STAYING_SUPPORT or (
            max(hop.over_db, hop.line_db) < -_QUIETER_DB and abs(hop.over_db - hop.line_db) < _QUIETER_DB / 2
        )
        # Between the speeds at which they were learned lines are stronger and weaker by resonance.
        if stays and hop.confidence >= _SURE_SPEED and abs(hop.rate_hz_s) < _STEADY * hop.spindle_hz:
            # Before the idle level is learned, the gain is not followed but taken as it is.
            share = hop.step_s / _GAIN_S if self._settling_s else 1.0
            self._line_db += share * (_bounded(hop.line_db, 30.0, 30.0) - self._line_db)
        beyond = abs(self._line_db) - _GAIN_FREE_DB
        self.gain_db = math.copysign(beyond, self._line_db) if beyond > 0 else 0.0
        return hop.over_db - self.gain_db

    def _sag_ahead(self, hop: Hop, rotation: Rotation) -> float:
        """Sag towards which a drilling spindle is on its way, so that load lags less; NaN where not known."""
        known = not rotation.elsewhere and hop.confidence >= _SURE_SPEED
        if not known or not abs(rotation.sag) < _LOAD_MOST:  # NaN included
            return math.nan
        return rotation.sag - _ANSWER_S * hop.rate_hz_s / rotation.reference_hz

    def _drills_at(self, spindle_hz: float) -> bool:
        """Whether anybody would drill at this speed."""
        for hz in self.commanded_hz:
            if _is_near(spindle_hz, hz):
                return True
        return not self.commanded_hz

    def _sound(self, rise: float, cut_db: float) -> float:
        """Evidence of the level, in nats a hop, where cuts rise by ``cut_db``."""
        # normal densities, written out: calls would take as long as they do
        spread = self.idle_spread_db
        z = rise / spread
        idle = math.exp(-0.5 * z * z) / (_ROOT * spread)
        if self.travel_db == self.travel_db and not self.load_tells and not self.lips_beat:
            idle = max(idle, self._travels_at(rise))
        idle = (1 - _ODD) * idle + _ODD / _ODD_DB
        full = (rise - _LEAST_RISE_DB) / (_FULL_RISE_DB - _LEAST_RISE_DB)
        most = _MOST_RISE_DB
        cut = (full if 0.0 < full < 1.0 else 1.0 if full > 0.0 else 0.0) / most
        if cut_db == cut_db:
            spread = self.cut_spread_db
            z = (rise - cut_db) / spread
            like = math.exp(-0.5 * z * z) / (_ROOT * spread)
            cut = _LIKE_OTHERS * like + (1 - _LIKE_OTHERS) * cut
            if cut_db + 10 > most:
                most = cut_db + 10
        if rise > most:
            cut *= math.exp(most - rise)
        cut = (1 - _ODD) * cut + _ODD / _ODD_DB
        ratio = _SHARE * math.log(cut / idle)
        if rise < -_UNDER_SDS * self.idle_spread_db:  # a cut adds sound; but the gain may have fallen
            ratio = min(ratio, -_UNSURE_LOAD)
        if ratio > EVIDENCE_MOST:
            return EVIDENCE_MOST
        return ratio if ratio > -EVIDENCE_MOST else -EVIDENCE_MOST

    @property
    def lips_beat(self) -> bool:
        """Whether what is heard beats as the lips come round, which the sound of an axis does not."""
        return self._beat > _LIPS_BEAT and self._beat > _LIPS_BEATS * self._idle_beat

    def _travels_at(self, rise: float) -> float:
        """Density of a rise while the axis travels: up to the level of its rapids, where it mostly is."""
        travel = self._travel_rise_db
        z = (rise - travel) / _TRAVEL_SPREAD_DB
        at_rapid = math.exp(-0.5 * z * z) / (_ROOT * _TRAVEL_SPREAD_DB)
        return max(at_rapid, 1 / travel) if 0 < rise < travel else at_rapid

    @property
    def _travel_rise_db(self) -> float:
        return 10 * math.log10(1 + 10 ** ((self.travel_db - self.idle_db) / 10))

    def _follow_travel(self, level: float, step_s: float) -> bool:
        """Whether the axis travels, which is not idling; what lasts longer than any way does not."""
        if self.travel_db != self.travel_db or self.load_tells:
            return False
        travel = self._travel_rise_db - _FALL_SDS * _TRAVEL_SPREAD_DB
        if level - self.idle_db < max(travel, _TRAVEL_LEAST_DB):
            self._travel_s = 0.0
            return False
        self._travel_s += step_s
        if self._travel_s > _TRAVEL_S:
            self._travels.clear()
            self.travel_db, self._travel_s = math.nan, 0.0
        return True

    def _falls_to_travel(self, level: float, sag: float) -> bool:
        """Whether the sound has fallen from that of the cut to less, and stays: then the drill is drawn out.

        A cut ends within a turn, and the axis that takes the drill out sounds steady. Where load shows, it
        has to have gone.
        """
        self._newest.append(level)
        if len(self._newest) < _FALL_HOPS + _STAY_HOPS or len(self._levels) < _CUT_HOPS + _STAY_HOPS:
            return False
        if self._known_sag > _SHOWS_SDS * self._idle_sag_sd and not sag < 0.5 * self._known_sag:
            return False
        newest = list(self._newest)
        stays = newest[-_STAY_HOPS:]
        if max(stays) - min(stays) > _STAY_DB:
            return False
        highest, gone = max(stays), _STAY_HOPS  # since it fell
        while highest > newest[-gone - _FALL_HOPS] - _FALL_DB:
            gone += 1
            # an axis that gathers way is heard the less before; what fades on is no such
            if gone + _FALL_HOPS > len(newest) or newest[-gone] > min(stays):
                return False
        before = self._levels[:-gone]
        usual = statistics.median(before)
        spread = 1.25 * statistics.fmean([abs(one - usual) for one in before])
        if len(self._cuts) >= _SOME_CUTS:
            usual = min(usual, self.idle_db + self.rise_db)
            spread = max(spread, self.cut_spread_db)
        stays_db = statistics.fmean(stays) - self.idle_db
        if highest > usual - max(_FALL_DB, _FALL_SDS * spread) or stays_db < _TRAVEL_LEAST_DB:
            return False
        self._levels, self._sags = before, self._sags[:-gone]
        self._travels.append(self.idle_db + 10 * math.log10(10 ** (stays_db / 10) - 1))
        self.travel_db = statistics.median(self._travels)
        return True

    @property
    def _known_sag(self) -> float:
        """Load of cuts, as far as it is known: before some were heard, what the present one shows too."""
        sag = self.cut_sag
        if len(self._cuts) >= _SOME_CUTS and sag == sag:
            return sag
        return sag if sag > self._most_shown else self._most_shown

    def _load(self, sag: float, now: float) -> float:
        """Evidence of the sag, in nats a hop."""
        if sag != sag:
            return 0.0
        if self.cutting and not self._spots:
            self._shown += _SHOWN_STEP if sag > self._shown else -_SHOWN_STEP
            if self._shown > self._most_shown and now - self.onset_s > _REGULATES_S:
                self._most_shown = self._shown
        known = self._known_sag
        tells = known > _TELLS_SDS * self._idle_sag_sd
        middle = known if tells else _USUAL_SAG
        spread = _LOAD_VARIES * middle
        if spread < _SAG_LEAST:
            spread = _SAG_LEAST
        # A spindle that is loaded more than usual is loaded.
        z = sag / self._idle_sag_sd
        idle = math.exp(-0.5 * z * z) / (_ROOT * self._idle_sag_sd) + _ODD_SAG
        z = (sag - middle) / spread if sag < middle else 0.0
        cut = math.exp(-0.5 * z * z) / (_ROOT * spread) + _ODD_SAG
        ratio = _SHARE * math.log(cut / idle)
        if ratio < 0 and self.cutting and now - self.onset_s < _ANSWERED_S:
            ratio = 0.0
        return _bounded(ratio, LOAD_NO, LOAD_YES) if tells else _bounded(ratio, _UNSURE_LOAD, _UNSURE_LOAD)

    def _is_silent(self, rise: float, sag: float) -> bool:
        """Whether nothing is heard of what a load would sound like: a part of a cut's load is as large a part
        of its sound."""
        if self.strength < _SILENT:
            return True
        if not sag < _PART * self.cut_sag:  # as much as a cut may be one that has lost its sound
            return False
        share = sag / self.cut_sag
        return rise < 10 * math.log10(1 + share * (10 ** (self.rise_db / 10) - 1)) - _PART_FAINTER_DB

    def _follow_unheard(self, hop: Hop, rotation: Rotation, sag: float) -> None:
        """Whether a steady load has stood for `UNHEARD_S`, whatever is heard."""
        if sag != sag:
            if hop.t - self._load_known_s > _FORGETS_S:
                self._loaded_s, self._unheard, self._entering = 0.0, False, False
            return
        self._load_known_s = hop.t
        least = _UNHEARD_SDS * self._idle_sag_sd
        if least < _UNHEARD_SAG:
            least = _UNHEARD_SAG
        self._falls = hop.rate_hz_s < -_COASTS * rotation.reference_hz
        if sag > least:
            silent = self._audible and not self.cutting and self._is_silent(self.level_db - self.idle_db, sag)
            self._silent_s = self._silent_s + hop.step_s if silent and self._loaded_s else 0.0
            self._loaded_s += hop.step_s
            steady = hop.rate_hz_s > -_STEADY * rotation.reference_hz
            self._unheard = self._unheard or (steady and self._loaded_s >= UNHEARD_S)
        elif rotation.sag < 0.5 * least:
            self._loaded_s, self._silent_s, self._unheard = 0.0, 0.0, False
        if self._loaded_s > self._too_long_s and not self.cutting:
            self.out(hop.t)

    def _begin_idling(self) -> None:
        self._idled.clear()
        self._entering = False

    def _follow_entry(self, hop: Hop, level: float, sag: float, steady_s: float) -> None:
        """Whether a drill enters so slowly that its sound and its load would be learned as those of idling:
        then what was learned since it began is forgotten. ``steady_s``: since a speed loop has done with its
        overshoot."""
        if sag != sag:
            return
        idled = self._idled
        share, beat = hop.step_s / _ENTERS_MEAN_S, hop.beat
        if idled:
            level = idled[-1].level_db + share * (level - idled[-1].level_db)
            sag = idled[-1].sag + share * (sag - idled[-1].sag)
            beat = idled[-1].beat + share * (beat - idled[-1].beat)
        idled.append(_Idling(level, sag, beat, self.idle_db, self.idle_spread_db, self._idle_sag_sd))
        first = idled[0]
        slower = _ENTERS_SDS * first.idle_sag_sd
        if slower < _ENTERS_SAG:
            slower = _ENTERS_SAG
        beats = beat > _ENTERS_BEAT and not self._spots  # whose lips pass at another rate
        if beats and not self._entering:
            # the axis may have brought the drill since the first
            quiet = min(idled, key=attrgetter("level_db"))
            if beats := beat > _ENTERS_BEATS * quiet.beat:
                first = quiet
        if self._entering:
            self._entering = (beats and level - self.idle_db > _ENTERS_DB) or sag > 0.5 * slower
            return
        steady_hops, slows = int(min(steady_s / hop.step_s, len(idled))), False
        if steady_hops > 0 and not self._falls:
            steady = idled[-steady_hops]
            slows = sag - steady.sag > slower
            first = steady if slows and not beats else first
        if (beats or slows) and level - first.level_db > _ENTERS_DB:
            self._entering = True
            self.idle_db, self.idle_spread_db = first.idle_db, first.idle_spread_db
            self._idle_sag_sd = first.idle_sag_sd

    def _filter(self, evidence: float, step_s: float) -> None:
        """One step of the forward filter: the state may have changed, then the evidence of this hop."""
        chance = 1 / (1 + math.exp(-self.log_odds))
        chance += step_s * ((1 - chance) / _GAP_S - chance / _PECK_S)
        evidence = evidence if -4.0 < evidence < 4.0 else math.copysign(4.0, evidence)
        odds = math.log(chance / (1 - chance)) + evidence
        self.log_odds = odds if -6.0 < odds < 6.0 else math.copysign(6.0, odds)

    def _stand(self, now: float, hop: Hop) -> None:
        """Without rotation nothing is cut; the level of a stopped machine says nothing of idling."""
        if self.cutting:
            self.end_s = now
            self._learn_cut()
        self._end_run()
        self.cutting, self.log_odds, self._low_s, self.strength = False, -EVIDENCE_MOST, now, 0.0
        self.evidence, self.level_db = -EVIDENCE_MOST, hop.over_db - self.gain_db
        self._settling_s, self._loaded_s, self._unheard = 0.0, 0.0, False
        self._settled_db = -math.inf
        self._begin_idling()
        if not hop.deaf:
            self._learn_background(hop)

    def _end_run(self) -> None:
        """A spindle that runs for as long as a peck takes, twice, and is not heard to cut, cut unheard: what
        was learned of cuts is another sound's."""
        if self._run_s > self.longest_s:
            self._empty_runs = 0 if self._run_cuts else self._empty_runs + 1
        if self._empty_runs >= _EMPTY_RUNS and self._cuts:
            self._cuts.clear()
            self._idle_levels.clear()
            self.cut_db = self.cut_sag = self._light_sag = math.nan
            self._shown = self._most_shown = 0.0
            self.idle_spread_db, self._idle_sag_sd = _IDLE_SPREAD_DB, _IDLE_SAG  # of unheard cuts, until now
            self._empty_runs = 0
        self._run_s, self._run_cuts = 0.0, False

    def _settle(self, level: float, hop: Hop) -> None:
        """Nothing cuts before the axis has moved: this is the idle level."""
        if self._settling_s == 0.0:
            machine_db = hop.broadband_db - level
            line_db = min(hop.line_db - self.gain_db, 0.0)
            self.idle_db = max(line_db, self.background_db - machine_db)
        self._settling_s += hop.step_s
        self.log_odds = -EVIDENCE_MOST
        self._learn_idle(level, hop, _IDLE_FAST_S)

    def _learn(self, now: float, hop: Hop, level: float, sag: float) -> None:
        if self.cutting:
            if level < self._lowest_db:
                self._lowest_db = level
            age = now - self.onset_s
            loaded = sag == sag and sag > _TELLS_SDS * self._idle_sag_sd
            if age > self._too_long_s and not loaded:
                self._new_background(now)
            elif age > _ANSWERED_S and self.log_odds > SURE:
                self._levels.append(level)
                if sag == sag and not self._spots:
                    self._sags.append((level, sag))
        elif self.log_odds < -SURE:
            # What stays under the idle level corrects it at once: it was taken too high. (A hop or two may be
            # under it after a loud cut, whose sound in the lines passed for gain.) What is louder while the
            # spindle slows is a drill that enters slowly.
            if level <= self.idle_db:
                self._travel_s = 0.0
                if now - self.end_s > 2 * _BEAT_MEAN_S:
                    self._idle_beat += hop.step_s / _IDLE_BEAT_S * (self._beat - self._idle_beat)
                lately = max(level, *self._before)
                if lately <= self.idle_db:
                    self._learn_idle(lately, hop, _IDLE_FAST_S)
            elif not (self.suspects_load or self._follow_travel(level, hop.step_s)):
                # what is as loud as a cut, and loads nothing, may be the axis: then it is over soon
                loud = self.load_tells and self.strength >= 1
                self._learn_idle(level, hop, _TRAVEL_S if loud else _IDLE_S)
            if sag == sag and now - self.end_s > _ANSWERED_S and not self.suspects_load:
                # Deviation by the median (Robbins and Monro 1951, from memory): slips count little.
                sd = self._idle_sag_sd
                sd += _SAG_STEP if abs(sag) > 0.675 * sd else -_SAG_STEP
                self._idle_sag_sd = sd if sd > _SAG_LEAST else _SAG_LEAST

    def _new_background(self, now: float) -> None:
        """What lasts longer than any peck, and loads nothing, is no cut."""
        self.idle_db = max(self._lowest_db, self.idle_db)
        self.idle_spread_db = max(self.idle_spread_db, _NEW_SPREAD_DB)
        self._levels, self._sags = [], []
        self.out(now)

    def _learn_cut(self) -> None:
        """Level and load of the cut that has just ended join those of the cuts before."""
        levels, told = self._levels, self._sags
        self._levels, self._sags = [], []
        if len(levels) >= _LEAST_HOPS:
            middle = statistics.median(levels)
            ratio = max(10 ** ((middle - self.idle_db) / 10) - 1, _UNHEARD_RATIO)
            self._idle_levels.append(self.idle_db)
            self._usual_idle_db = statistics.median(self._idle_levels)
            spread = 1.25 * statistics.fmean([abs(level - middle) for level in levels])
            # what goes on as the drill is drawn out is fainter, and loads nothing
            sags = [sag for level, sag in told if level > middle - _FAINTER_DB]
            sag = statistics.median(sags) if len(sags) >= _LEAST_HOPS else math.nan
            self._cuts.append(
                _Cut(self.idle_db + 10 * math.log10(ratio), spread, sag, min(len(sags), _TELLING_HOPS))
            )
            self._learn_usual()

    def _learn_usual(self) -> None:
        """Level and load of most of the cuts; where load tells, what did not load as they do was none."""
        known = sorted((cut.sag, cut.hops) for cut in self._cuts if cut.sag == cut.sag)
        if known:
            self.cut_sag = _middle(known)
            loads = [sag for sag, _ in known if sag >= _LOADS_SHARE * self.cut_sag] or [self.cut_sag]
            self._light_sag = loads[len(loads) // 4]
        like = list(self._cuts)
        if self.load_tells:
            like = [
                cut for cut in like if not cut.sag < _LOADS_SHARE * self.cut_sag
            ]  # where it is not known too
        self.cut_db = statistics.median([cut.level_db for cut in like])
        self.cut_spread_db = max(statistics.fmean([cut.spread_db for cut in like]), _CUT_SPREAD_LEAST_DB)
        if self.travel_db > self.cut_db - _FALL_DB:
            # it was what went on after louder cuts than there are, which another sound was heard with
            self._travels.clear()
            self.travel_db, self._travel_s = math.nan, 0.0

    def _learn_idle(self, level: float, hop: Hop, seconds: float) -> None:
        error = level - self.idle_db
        self.idle_db += hop.step_s / seconds * (error if error < _IDLE_RISES_DB else _IDLE_RISES_DB)
        # A machine that turns makes its own noise at least. Only the microphone's gain lowers it, and that
        # lowers the lines too.
        line_db = hop.line_db - self.gain_db
        least_db = (line_db if line_db < 0 else 0.0) - _QUIETER_DB
        if self.idle_db < least_db:
            self.idle_db = least_db
        off, most = abs(error), 4 * self.idle_spread_db
        spread = self.idle_spread_db
        spread += hop.step_s / _IDLE_S * (1.25 * (off if off < most else most) - spread)
        self.idle_spread_db = spread if spread > _SPREAD_LEAST_DB else _SPREAD_LEAST_DB

    def _learn_background(self, hop: Hop) -> None:
        """What is heard while the spindle stands: a vacuum cleaner that runs all day is no cut."""
        if self.background_db == float("-inf"):
            self.background_db = hop.broadband_db
        self.background_db += hop.step_s / _IDLE_S * (hop.broadband_db - self.background_db)


def _is_near(spindle_hz: float, commanded_hz: float) -> bool:
    ratio = spindle_hz / commanded_hz
    return _MOSTLY < ratio < 1 / _MOSTLY or abs(math.log(ratio)) < OVERRIDE


def _middle(weighted: Sequence[tuple[float, int]]) -> float:
    """Median of some values in order, each weighed."""
    half = sum(weight for _, weight in weighted) / 2
    below = 0.0
    for k, (value, weight) in enumerate(weighted):
        below += weight
        if below > half:
            return value
        if below == half:
            return (value + weighted[k + 1][0]) / 2
    return math.nan


def _bounded(x: float, down: float, up: float) -> float:
    """Bounded by ``-down`` and ``up``, by conditions: what runs at every hop goes without `min` and `max`."""
    if -down <= x <= up:
        return x
    return up if x > up else -down
