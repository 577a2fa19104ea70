"""Whether the spindle is working: what sounds like a cut must also load it as cuts do.

Sound alone is not work: a radio, an air gun or a compressor raises the broadband level too. A fall of speed
counts as load only if it builds up in work; a spindle that is switched off, or sent to another speed,
starts to fall outside of it.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from dataclasses import dataclass

from monitor.cutting import ON_DB_LEAST, CuttingDetector
from monitor.dating import LOUDER_DB
from monitor.hop import Hop
from monitor.pecks.cycle import Cycle
from monitor.spindle import Rotation

LOAD_SHARE, LOAD_LEAST = 0.3, 0.005
"""A cut that has lasted sags by at least this share of what this machine's cuts sag; asked only where
those sag by more than half a per cent: less drowns in the wander of the machine (0.1 to 0.4 %)."""

ORDINARY = 2.0
"""Of where a sag begins to be followed, which is half of the warning: a load beyond it is no ordinary one."""

SURE_SHARE = 0.5
"""Of the load of light cuts: with less, half a second long, something else may go on. While the point enters
a flat face only the middle of the lips cuts, which is heard less, and loads less: the torque of a part of a
lip grows with the square of its length."""

AS_LOUD_DB = 2.0
"""What raises the idling machine by so much is more than half as loud as it is."""

DROWNED_DB = 6.0
"""A background four times as powerful as it was in the cuts so far is another sound's, not the machine's."""

FAINT_DB, FAINT_SDS, FAINT_HOPS, FAINT_S = 3.0, 2.0, 4, 0.4
"""A drill that binds is heard, and more than before: where it is fainter than this machine's cuts by so much,
and by so many of their deviations, in so many hops running, with no load just before, the drill has been
drawn out. A program may stop the spindle in the same moment, and what falls then was switched off. Until so
long after a fall began: a spindle that is nearly stopped cuts fainter too."""

# Quantile of the sag while it sounds like cutting: idle time taken for cutting lowers it little.
_USUAL_QUANTILE = 0.75
_USUAL_STEP = 0.0005  # Robbins-Monro step: in cutting it rises by 0.75 % a second, falls by a third of that
_DOUBTED_SHARE = 0.1  # of that, of what may be another sound; not nothing, for the work may have changed
_USUAL_AFTER_HOPS = 60  # 3 s of cutting: it can have risen to 2 %, as much as sound cuts sag

_OUTLIVES_S = 0.5  # a load that is not seen any more outlives its cut by no more
_CERTAIN_S = 0.2  # lines that sweep down as a spindle is switched off sound like a cut for a tenth
_LASTS_S = 0.5  # where the hole should be through: longer than the burst of a switch-off
_ANSWERED_S = 1.0  # until then the motor may not have answered to the cut
_LATELY_HOPS = 10  # half a second
BEAT_LEAST, BEAT_SHARE = 5.0, 0.35
"""Where this machine's cuts beat clearly, once a turn and once a flute (noise of the same spread beats at 1
and at 5 once in a hundred windows), what beats by less than this share of it for a second is no cut."""
_BEAT_STEP = 0.01  # in log power, of the running median: as far as cuts differ within some 10 s of cutting
_BEAT_HOPS, _BEAT_AFTER_HOPS = 20, 100
_APART_S = 0.5  # between two cuts: another sound that goes on is not new for a pause this short
_TELLING = 3.0  # nats a hop expected of the lines: one in twenty, of a single hop
_SURE = 0.9  # confidence in the speed
_HEARD_S = 0.5  # the sag heard longer ago tells nothing of this cut
_SLIP = 0.4  # a speed so far down that nothing led there is a slip of the ear: half the speed, mostly
# Without cutting sound, a speed that falls little by little for this long within a blank counts too: nobody
# commanded it, and a small lathe that is let go comes to rest within some 5 s, so that it falls by 20 % a
# second and more from the start. (One that is steady counts not: tones of another machine are.)
_STEADY_RATE, _SLOWED_RATE, _SLOWED_S = 0.02, 0.12, 0.25
_TOGETHER_S = 0.3  # a load begins with its cut, as far as both are dated
_DATED_S = 0.15  # nor does a cut begin after its load, to three hops


@dataclass(slots=True)  # not frozen: made at every hop
class Work:
    """``working``: the drill cuts, by sound and load; ``loaded``: the present sag built up in work;
    ``loud``: it sounds like cutting now; ``onset_s``: when the sag was last small; ``contact_s``: when the
    newest cut began to be heard, NaN where the hole should be through, or the drill be drawn out: the program
    then stops the spindle. ``sure``: it is a peck of the program, under way, and loads the spindle as cuts do
    where that tells; ``idle_db``: level of the machine running free, on the scale of ``Hop.over_db``.
    ``cutting``: by sound and load, no centre drill; ``in_cut``: the same, whatever drill it is; ``cut_s`` and
    ``end_s``: onset of the newest such cut, and end of the newest that is over; ``spotting``: the centre
    drill is in, or was last in. ``strength`` and ``cut_sag`` as of `CuttingDetector`, ``depth_mm`` as of
    `Cycle`, up to the hop before. ``background_db``: ``idle_db`` as it would be at the baseline's gain.
    ``alone_db``: ``idle_db`` less what other sound has added to it since the cuts before.
    ``drowned``: no drill cuts, and it is as loud as if one did, or by `DROWNED_DB` louder than before."""

    working: bool
    loaded: bool
    loud: bool
    onset_s: float
    contact_s: float
    sure: bool
    idle_db: float
    cutting: bool
    in_cut: bool
    cut_s: float
    end_s: float
    spotting: bool
    strength: float
    cut_sag: float
    depth_mm: float
    background_db: float
    alone_db: float
    drowned: bool


class WorkJudge:
    """One `step` a hop; ``small_sag`` (a fraction) is where a sag begins to be followed."""

    def __init__(self, small_sag: float) -> None:
        self.small_sag = small_sag
        self._lately: deque[float] = deque(maxlen=_LATELY_HOPS)
        self._before: deque[float] = deque(maxlen=_LATELY_HOPS)  # the half second before that one
        self._lately_s = -math.inf
        self._strengths: deque[float] = deque(maxlen=2 * _LATELY_HOPS)
        self._loud_hops = 0  # of the newest of these, running
        self._believed, self._cut_s = False, math.nan
        self._loaded = False
        self._slowed_s = 0.0
        self._onset_s = math.nan
        self._seen_s = -math.inf
        self._usual, self._usual_hops = 0.0, 0
        self._faint_hops = 0
        self._beats: deque[float] = deque(maxlen=_BEAT_HOPS)
        self._log_beat, self._beat_hops = math.nan, 0

    def step(self, hop: Hop, rotation: Rotation, detector: CuttingDetector, cycle: Cycle) -> Work:
        """Take one hop, with the cut and the cycle as judged up to the hop before."""
        sag = rotation.sag
        through = cycle.through and cycle.depth_told  # else it may only seem so, and load tells
        # by reckoning nothing is drilled any more: the peck or the hole is over, or the program has no more
        # pecks, so that other sound was taken for some
        over = cycle.through or cycle.unlikely or cycle.overrun or cycle.surplus
        self._follow_beat(hop, detector)
        self._follow_faintness(detector)
        if detector.since_s != self._cut_s and detector.cutting:
            self._cut_s = detector.since_s
            self._believed = self._believed and not through  # what begins after the hole must be seen to load
        if sag == sag and sag < self.small_sag:
            self._onset_s = hop.t
            self._loaded, self._slowed_s = False, 0.0
            self._follow_loudness(detector)
            if self._tells(hop) or not self._lately:
                if len(self._lately) == _LATELY_HOPS:
                    self._before.append(self._lately[0])
                self._lately.append(sag)
                self._lately_s = hop.t
                falls = hop.rate_hz_s < -_STEADY_RATE * rotation.reference_hz
                steady = hop.confidence >= _SURE and not falls
                self._believed = self._believable(hop, detector, through, over) and (
                    self._believed or steady or not over  # what falls there may be switched off
                )
            elif not (through or over):
                self._believed = True
            if detector.cutting and (through or not over):
                self._learn_usual(sag)
        elif sag == sag:
            if self._newly_cut(hop, detector) and not over:
                # one that binds at contact loads the spindle before it is heard
                self._believed = self._believed or self._believable(hop, detector, through, over)
            self._follow(hop, rotation, detector, cycle)
            self._seen_s = hop.t
            if abs(hop.rate_hz_s) < _STEADY_RATE * rotation.reference_hz and self._tells(hop):
                # a machine whose cuts load it so much; one that is let go, or jammed, does not stay there
                self._follow_loudness(detector)
                self._lately.append(sag)
                self._lately_s = hop.t
                if sag < ORDINARY * self.small_sag:  # a spindle that runs down may seem steady for a hop
                    self._believed = self._believed or self._believable(hop, detector, through, over)
        else:
            if hop.audible < _TELLING or detector.strength < 1:
                # a cut that drowns the lines is as loud as others; what is not, is none
                self._follow_loudness(detector)
            if hop.t - max(self._seen_s, detector.end_s if not detector.cutting else hop.t) > _OUTLIVES_S:
                self._loaded = False
        certain = hop.t - detector.since_s >= _CERTAIN_S
        cutting, spotting = detector.cutting, cycle.spotting
        working = cutting and certain and self._believed and not spotting
        working = working and not self._switched_off(hop, rotation, detector)
        return Work(
            working,
            self._loaded,
            detector.strength >= 1,
            self._onset_s,
            math.nan if over else detector.onset_s,
            working and not over and self._is_peck(hop, detector, cycle.entered),
            detector.idle_db + detector.gain_db,
            cutting and not spotting,
            cutting,
            detector.onset_s,
            detector.end_s,
            spotting or cycle.spots_at_speed,
            detector.strength,
            detector.cut_sag,
            cycle.depth_mm,
            detector.idle_db,
            detector.idle_db + detector.gain_db - max(detector.louder_db, 0.0),
            not (working or spotting) and (detector.strength >= 1 or detector.louder_db > DROWNED_DB),
        )

    def _newly_cut(self, hop: Hop, detector: CuttingDetector) -> bool:
        """Whether a cut became certain just now that began as the spindle, free until then, began to fall.

        Another sound, under which it is switched off, was there before.
        """
        if not detector.cutting or hop.t - detector.since_s > _CERTAIN_S + hop.step_s / 2:
            return False
        # what begins after the fall, as a blast of air when the spindle is switched off, does not load it
        together = detector.onset_s <= self._onset_s + _DATED_S
        return together and self._loud_hops * hop.step_s <= _TOGETHER_S

    def _believable(self, hop: Hop, detector: CuttingDetector, through: bool, over: bool) -> bool:
        age = hop.t - detector.onset_s  # of the newest cut, under way or not
        knows_load = self._knows_load
        if through:
            # By reckoning there is nothing left to drill, and the spindle is switched off after it. Reckoning
            # may be wrong, so a cut that lasts, and is seen to load the spindle, is believed all the same;
            # another sound at the switch-off is not. (A free spindle may seem loaded a little, while its
            # reference follows a slow drift.)
            loads = self._loads() if knows_load else self._sags() >= LOAD_LEAST
            lasts = detector.cutting and age >= _LASTS_S and loads
            # a bit that binds gets louder, but it loads as cuts do before
            like_cuts = not self._too_loud(detector) or (knows_load and self._sags() >= detector.cut_sag)
            return lasts and self._loud() and like_cuts and self._beats_as_usual()
        if over:  # another sound goes on: a cut as long as this must be seen in the load
            loads = self._sags() >= SURE_SHARE * self._usual
            return knows_load and loads and self._beats_as_usual()
        cuts = not knows_load or self._loads() or self._lips_beat(detector)
        return age < _ANSWERED_S or (cuts and self._beats_as_usual())

    @property
    def _knows_load(self) -> bool:
        """Whether it is known what cuts load, and that it is more than the machine wanders."""
        return self._usual >= LOAD_LEAST and self._usual_hops >= _USUAL_AFTER_HOPS

    @staticmethod
    def _tells(hop: Hop) -> bool:
        """Whether the lines tell what it sags: a cut may drown them."""
        return hop.audible >= _TELLING or hop.confidence >= _SURE

    def _follow_loudness(self, detector: CuttingDetector) -> None:
        self._strengths.append(detector.strength)
        self._loud_hops = self._loud_hops + 1 if detector.strength >= 1 else 0

    def _follow_faintness(self, detector: CuttingDetector) -> None:
        plain = detector.rise_db > 2 * ON_DB_LEAST  # NaN excluded
        less_db = max(FAINT_DB, FAINT_SDS * detector.cut_spread_db)
        over_db = detector.level_db - detector.idle_db - detector.rise_db
        self._faint_hops = self._faint_hops + 1 if plain and over_db < -less_db else 0

    def _switched_off(self, hop: Hop, rotation: Rotation, detector: CuttingDetector) -> bool:
        """Whether the spindle falls fast, and the drill had left the work, heard or not yet."""
        if not (hop.heard and hop.rate_hz_s < -_SLOWED_RATE * rotation.reference_hz):
            return False
        if hop.t - detector.onset_s < _LASTS_S:
            return False  # it has only come, and may bind at contact
        if not (self._faint_hops >= FAINT_HOPS and hop.t - self._onset_s <= FAINT_S):  # NaN: not known
            return False
        return not self._knows_load or self._sags() < SURE_SHARE * self._usual

    def _is_peck(self, hop: Hop, detector: CuttingDetector, entered: float) -> bool:
        """Whether a cut within the time of its peck is one of the program beyond doubt; ``entered``: share of
        the lips that is in the work."""
        # half a second, so that the burst of a switch-off is outnumbered; less where the cut is younger
        if self._loud_hops < _LATELY_HOPS:  # mostly all of them are
            age_hops = round((hop.t - detector.onset_s) / hop.step_s)
            lately = list(self._strengths)[-min(max(age_hops, _LATELY_HOPS // 2), _LATELY_HOPS) :]
            rise_db = statistics.median(lately) * detector.threshold_db
            if rise_db < detector.threshold_of(entered) and detector.rise_db > 2 * ON_DB_LEAST:
                return False  # something fainter goes on after it
        answered = hop.t - detector.onset_s >= _ANSWERED_S and hop.t - self._lately_s <= _HEARD_S
        least = SURE_SHARE * entered * entered * detector.light_sag
        return not (answered and detector.load_shows) or self._sags() >= least or self._lips_beat(detector)

    def _follow_beat(self, hop: Hop, detector: CuttingDetector) -> None:
        """Beat of the last second, and the median over cuts (Robbins and Monro 1951, from memory)."""
        if not detector.cutting:
            if self._beats and hop.t - detector.end_s > _APART_S:
                self._beats.clear()
            return
        self._beats.append(hop.beat)
        if len(self._beats) < _BEAT_HOPS or not self._believed:
            return
        beat = math.log(hop.beat if hop.beat > 1e-3 else 1e-3)
        if self._beat_hops == 0:
            self._log_beat = beat
        # quickly at first: the mean of few, then the median
        gain = max(_BEAT_STEP, 1 / (1 + self._beat_hops)) if self._beat_hops < 2 * _BEAT_HOPS else _BEAT_STEP
        self._log_beat += gain * (1.0 if beat > self._log_beat else -1.0)
        self._beat_hops += 1

    def _beats_as_usual(self) -> bool:
        usual = math.exp(self._log_beat) if self._beat_hops >= _BEAT_AFTER_HOPS else 0.0
        if usual < BEAT_LEAST or len(self._beats) < _BEAT_HOPS:
            return True
        return sum(self._beats) >= BEAT_SHARE * usual * _BEAT_HOPS

    def _loud(self) -> bool:
        """Whether it was as loud as cuts are for most of a second.

        Other sound that goes on rarely is, and the burst of a switch-off is shorter.
        """
        return statistics.median(self._strengths) >= 1

    def _too_loud(self, detector: CuttingDetector) -> bool:
        """Whether it was louder than the cuts so far for most of a second, as an air gun may be."""
        over_db = statistics.median(self._strengths) * detector.threshold_db - detector.rise_db
        return over_db > LOUDER_DB  # NaN before a cut was heard

    def _lips_beat(self, detector: CuttingDetector) -> bool:
        """Whether the lips are heard to come round in a sound as loud as cuts are.

        Only a drill in the work beats so; its load may not be seen, where a drill that entered slowly took
        the free speed along, or lines that do not sag are followed.
        """
        return detector.lips_beat and not self._too_loud(detector)

    def _sags(self) -> float:
        return sum(self._lately) / len(self._lately) if self._lately else 0.0

    def _loads(self) -> bool:
        return self._sags() >= LOAD_SHARE * self._usual

    def _learn_usual(self, sag: float) -> None:
        """Follow the quantile of sag while cutting (Robbins and Monro 1951, from memory)."""
        step = _USUAL_STEP if self._believed else _DOUBTED_SHARE * _USUAL_STEP
        self._usual += step * (_USUAL_QUANTILE - (sag < self._usual))
        self._usual_hops += 1

    def _follow(self, hop: Hop, rotation: Rotation, detector: CuttingDetector, cycle: Cycle) -> None:
        certain = hop.t - detector.since_s >= _CERTAIN_S
        built_up = detector.cutting and detector.onset_s <= self._onset_s + _TOGETHER_S
        # Its peck should be over: what falls fast then was switched off under other sound, some hundred times
        # as often as a drill binds where the program should have drawn it out.
        in_work = built_up and certain and self._believed and not (cycle.overrun or cycle.spotting)
        fall = -hop.rate_hz_s / rotation.reference_hz if hop.heard else 0.0
        slowed = _STEADY_RATE < fall < _SLOWED_RATE and rotation.sag < _SLIP
        slowed = slowed and cycle.in_blank and rotation.settled
        slowed = slowed and not (rotation.elsewhere or cycle.spotting or cycle.through)
        # of a short peck the half second before is that in which its load built up
        had_built_up = self._onset_s - _LATELY_HOPS * hop.step_s >= detector.onset_s + _ANSWERED_S
        if slowed and cycle.overrun and self._knows_load and self._before and had_built_up:
            # drawn out by the program, and loaded by nothing before it slowed: switched off
            slowed = sum(self._before) >= SURE_SHARE * self._usual * len(self._before)
        self._slowed_s = self._slowed_s + hop.step_s if slowed else 0.0
        loaded = self._loaded or in_work or self._slowed_s >= _SLOWED_S
        self._loaded = loaded and not self._switched_off(hop, rotation, detector)
