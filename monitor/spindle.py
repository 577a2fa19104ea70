"""What the spindle is doing: stopped, turning, or not to be told; and its free-running speed."""

from __future__ import annotations

import math
import statistics
from collections import deque
from dataclasses import dataclass
from enum import StrEnum
from itertools import islice

import numpy as np

from monitor.baseline import Baseline
from monitor.hop import Hop

OVERRIDE = math.log(1.35)
"""In log speed: nobody overrides a commanded speed by more, or drills at another."""

GONE_NATS = math.log(10_000)
"""Evidence that the lines are gone before the spindle is judged stopped: wrong once in 10 000."""

BEAT_TELLS = 12.0
"""Power of the beat over that of noise, where the lines cannot be heard at all: noise beats so at one speed
once in 160 000 windows (exp(-12)), of which there are one or two a second, with some ten speeds in reach:
once in some hours of such cuts."""

_FAR_AUDIBLE = 3.0  # nats a hop
_FAINT_AUDIBLE = 0.5  # nats a hop: with less, the lines could not be heard were they there
_EAR_BACK_S = 0.3  # two frames and some
_LOUD_AUDIBLE, _LOUD_TIMES = 8.0, 3.0  # nats a hop, and times GONE_NATS: what it takes where it is loud
_ABSENT, _PRESENT = 0.2, 0.9  # posterior that the lines are heard
_SHARE = 0.35  # of the expected evidence counted per hop: frames overlap by half, lines fade in rooms
_BACK_HOPS, _BACK = 3, 0.12  # heard again after masking, this near (in log speed) to where it was
_QUIETER_DB = 8.0  # a turning machine is no further under its learned floor
_LINES_SHARE = 0.05  # a hop's: over a second, in which a blow rings away
_START_HOPS, _START_HOPS_ELSEWHERE = 4, 20  # from rest: at a commanded speed, or steady at another; a spin-up
# passes through every speed, and odd sounds of a workshop agree with some speed for a moment

_SETTLED_RATE = 0.03  # per second: a spindle that changes faster is spinning up, down, or being loaded
_SETTLED_HOPS = 3  # in a row: one odd rate settles nothing
# The rate is told of 0.2 s: of a slow spindle that is one turn, in which lines that are less than an order
# apart pass for each other, so that its rate scatters though it stays. By how much is learned where half a
# second tells the same speed as the half before, to less than the settled rate; leaving is three deviations.
_STAYS_HOPS, _SCATTER_STEP, _SCATTER_MOST, _DEVIATION, _LEAVING_SDS = 10, 0.0005, 0.1, 1.48, 3.0
_LEAVING_RATE = 0.1  # per second, outside of a cut: no free spindle drifts so fast
_SLIP, _FASTEST = 0.05, 1.5  # in log speed, and per second: faster falls are heard as lines that vanish
_BINDS, _BINDS_S = 0.4, 0.2  # per second: a bit binding hard; two frames that share no sound
_LEFT_SUPPORT = 0.3  # so little of the expected evidence: the lines are elsewhere
_THERE_SUPPORT = 0.5  # half of it at least: another commanded speed is heard as well as the first one was
_HOME = 0.1  # this near the reference it is the spindle again
_SLIPPED_FOR_S = 2.0  # heard there for longer, it is believed: no slip of the ear lasts
_FREE_AFTER_S = 0.25  # after the cut: the frames have left it, and the motor has mostly recovered
_REFERENCE_HOPS = 10  # median over half a second: wander and one bad frame do not move it
_ENTRY_HOPS = (
    5  # the newest ones are left out where there are others: the point of a drill that enters loads the
)
# spindle before the cut is heard
_LOUDER = 0.3  # as a share of what is loud: idling wavers by less
_REFERENCE_LEAST = 4  # one whole frame of the refinement
_CONFIRMED_HOPS, _CONFIRMED = 10, 0.0075  # so long so near it: a speed loop overshoots as it runs up, by some
# per cent for some tenths of a second, and falls back without a load
_LASTED_HOPS = 20  # so long after that: near a top of 3 % it stays for half the run-up, up to 1.5 s
_DRIFT = 0.04  # a warm motor drifts by less while it runs free; more is another commanded speed
_COMMANDED_WITHIN = 0.06  # dial error and droop
_BINDS_PAST = 0.13  # in log speed: a bit that binds is held before it has slowed the spindle by so much
_BOUND_WITHIN, _BOUND_HOPS = 0.02, 10  # dial error; a bit that binds slowly passes so much in as long
_LITTLE = 0.96  # a ratio of speeds that none of these ask about: so near no logarithm is needed
_OTHER_SPEED_HOPS = 20  # a second steady, not cutting: the person chose another speed
_OTHER_SPEED_HOPS_IN_BLANK = 60  # within a blank that would be odd: three seconds


def heard_speeds(baseline: Baseline, commanded_rpm: tuple[float, ...]) -> tuple[float, ...]:
    """Speed to be expected at each commanded one, rpm: the dial may be off by another ratio at each."""
    ratios = np.interp(np.log(commanded_rpm), np.log(baseline.speeds_rpm), baseline.heard_ratio)
    return tuple(float(rpm * ratio) for rpm, ratio in zip(commanded_rpm, ratios, strict=True))


class SpindleState(StrEnum):
    """What is known of the rotation."""

    UNKNOWN = "unknown"
    STOPPED = "stopped"
    TURNING = "turning"
    MASKED = "masked"  # was turning, and other sound now drowns its lines


# looking one up in the class takes longer than a division
UNKNOWN, STOPPED = SpindleState.UNKNOWN, SpindleState.STOPPED
TURNING, MASKED = SpindleState.TURNING, SpindleState.MASKED


@dataclass(slots=True)  # not frozen: made at every hop
class Rotation:
    """The spindle at one hop.

    ``sag`` is a fraction, NaN where not known; ``sag_sd`` its deviation. ``elsewhere``: the speed is that of
    another commanded one. ``settled``: the spindle has reached a speed and was not seen to leave it but
    by load; ``at_speed``: and this speed is an expected one. ``leaving``: its speed changes faster than one
    that runs free can. ``started``, ``vanished`` and ``changed`` (to another commanded speed) are true at the
    hop where that was decided. ``slipped``: no spindle gets to the speed heard from where it was.
    """

    state: SpindleState
    reference_hz: float
    sag: float
    sag_sd: float
    elsewhere: bool
    settled: bool
    at_speed: bool
    leaving: bool
    started: bool
    vanished: bool
    changed: bool
    slipped: bool = False


class Spindle:
    """Follows the spindle's state and its free-running reference; one `step` a hop.

    The reference is what was heard, never the label: the newest free-running speed of this blank,
    else the commanded speed on the baseline's scale.
    """

    def __init__(self, commanded_rpm: tuple[float, ...]) -> None:
        self._commanded_hz = tuple(rpm / 60 for rpm in commanded_rpm)
        faster = math.log(commanded_rpm[-1] / commanded_rpm[0])  # the centre drill's than the drill's
        # A reference so near a commanded speed is of that one; between two nearer still, of the nearer one.
        between = min(_COMMANDED_WITHIN, faster / 2) if faster > 0 else _COMMANDED_WITHIN
        self._drills = math.exp(-_COMMANDED_WITHIN), math.exp(between)
        self._spots = math.exp(-between), math.exp(_COMMANDED_WITHIN)
        # No program slows the spindle within a cut: a bit that binds passes the speed of the centre drill,
        # where it does not stay, and one that drills sags past the middle between the two.
        self._bound_hz = self._commanded_hz[-1] if -_BINDS_PAST < faster < 0 else 0.0
        if 0 < faster <= _COMMANDED_WITHIN:
            self._bound_hz = self._commanded_hz[0]
        self._state = UNKNOWN
        self._absent, self._absent_in_quiet, self._deaf_s = 0.0, 0.0, -math.inf
        self._present_hops = self._full_hops = 0
        self._lines_db = 0.0  # while it turned, no more than learned
        self._free: deque[float] = deque(maxlen=_REFERENCE_HOPS + _ENTRY_HOPS)
        self._other: deque[float] = deque(maxlen=_OTHER_SPEED_HOPS_IN_BLANK)
        self._reference: float | None = None
        self._settles_hz, self._confirmed_hops, self._lasted_hops = 0.0, 0, 0
        self._before: dict[float, float] = {}  # the last reference near each commanded speed
        self._last_cut_s = -math.inf
        self._settled, self._reached = False, False
        self._steady_hops = 0
        self._lately: deque[float] = deque(maxlen=2 * _STAYS_HOPS)
        self._scatter = _SETTLED_RATE / _DEVIATION  # median rate of one that stays at its speed, per second
        self._elsewhere_hops = self._bound_hops = 0
        self._last_hz, self._last_s, self._slipped_s = 0.0, 0.0, 0.0
        self._slipped_hz, self._home_hops = 0.0, 0

    def step(self, hop: Hop, cutting: bool, in_blank: bool, loudness: float, lost: bool = False) -> Rotation:
        """Take one hop; ``cutting``, ``in_blank``, ``loudness`` (rise of the broadband sound over the idle
        machine, as a share of what is loud) and ``lost`` (the microphone hears nothing) as judged up to the
        hop before."""
        loud = loudness > 1
        if cutting and (loud or not self._may_fall_back):
            self._last_cut_s = hop.t
        started, vanished = self._follow_state(hop, loud, lost)
        if started or vanished:
            self._forget()
        changed = False
        if self._state is TURNING:
            steady = hop.heard and abs(hop.rate_hz_s) < _SETTLED_RATE * hop.spindle_hz
            within = _BOUND_WITHIN * self._bound_hz
            slower = self._bound_hz < self._commanded_hz[0]
            # what cuts sounds: a centre drill that binds down to the drill's speed is loud, a program is not
            stays = steady and (slower or not loud) and abs(hop.spindle_hz - self._bound_hz) < within
            self._bound_hops = self._bound_hops + 1 if stays else 0
            changed = self._follow_change(hop, steady)
            self._follow_reference(hop, in_blank, steady, loudness > _LOUDER)
        reference = self._reference if self._reference is not None else self._nearest_commanded(hop)
        sag, sag_sd, elsewhere = math.nan, math.nan, False
        turning = self._state is TURNING and hop.heard
        slipped = turning and not self._believe(hop, loud)
        if turning and not slipped and self._sag_means_something(hop, loud):
            elsewhere = self._elsewhere(hop, reference)
            if elsewhere:  # on its way to, or at, another commanded speed: no sag of the one it left
                reference = self._carried_over(reference, hop)
            sag, sag_sd = 1 - hop.spindle_hz / reference, hop.sd_hz / reference
        self._follow_settling(hop, cutting)
        at_speed = self._settled and hop.heard and self._near_commanded(hop)
        self._reached = self._reached or at_speed
        return Rotation(
            self._state,
            reference,
            sag,
            sag_sd,
            elsewhere,
            self._settled,
            at_speed,
            hop.heard and abs(hop.rate_hz_s) > _LEAVING_RATE * hop.spindle_hz,
            started,
            vanished,
            changed,
            slipped,
        )

    def _follow_state(self, hop: Hop, loud: bool, lost: bool) -> tuple[bool, bool]:
        if hop.deaf or lost:  # the ear is gone, not the spindle
            self._present_hops = self._full_hops = 0
            if self._state is TURNING:
                self._state = MASKED
            return False, False
        noisy = hop.heard and self._noisy(hop)
        astray = not loud and hop.heard and self._astray(hop, noisy)
        present = noisy and hop.running > _PRESENT and not astray
        self._present_hops = self._present_hops + 1 if present else 0
        self._full_hops = self._full_hops + 1 if present and not self._thin(hop, self._lines_db) else 0
        if present and self._state is TURNING:
            self._lines_db += _LINES_SHARE * (min(hop.line_db, 0.0) - self._lines_db)
        if hop.audible < _FAINT_AUDIBLE:
            self._deaf_s = hop.t
        if hop.running < _ABSENT or astray:
            # after a sound that drowned everything the frames still hold it, and the track has to be found
            told = _SHARE * hop.audible if hop.t - self._deaf_s > _EAR_BACK_S else -math.inf
            self._absent = max(self._absent + told, 0.0)
            if told < 0 or not loud:
                self._absent_in_quiet = max(self._absent_in_quiet + told, 0.0)
        elif hop.running > 0.5:
            self._absent = self._absent_in_quiet = 0.0
        # A spindle that stands cuts nothing: while it is loud, the lines may be drowned more than the floor
        # tells, so that only lines that should stand far out of the noise are missed, and for longer.
        if loud:
            gone = self._absent >= _LOUD_TIMES * GONE_NATS and hop.audible >= _LOUD_AUDIBLE
        else:  # what was missed in a cut that ends may have been drowned by it
            gone = self._absent_in_quiet >= GONE_NATS
        if self._state is not TURNING and self._starts(hop):
            started = self._state is not MASKED
            self._state = TURNING
            return started, False
        if gone and self._state is not STOPPED:
            vanished = self._state in (TURNING, MASKED)
            self._state = STOPPED
            return False, vanished
        drowned = hop.running < 0.5 or (hop.audible < _FAINT_AUDIBLE and not hop.heard)
        if self._state is TURNING and drowned and not gone:
            self._state = MASKED
        return False, False

    def _noisy(self, hop: Hop) -> bool:
        """A machine that turns makes its own noise at least, unless the microphone's gain fell for all.

        At a speed that nobody commanded, lines much weaker than learned are not a gain that fell: they are
        somebody else's.
        """
        if self._off_commanded(hop) < 2 * _COMMANDED_WITHIN or self._is_back(hop):
            return hop.over_db > (hop.line_db if hop.line_db < 0 else 0.0) - _QUIETER_DB
        if self._state is MASKED:  # the other sound makes noise enough
            return hop.line_db > -_QUIETER_DB / 2
        return min(hop.over_db, hop.line_db) > -_QUIETER_DB

    def _is_back(self, hop: Hop) -> bool:
        """Whether it is heard again, after it was masked, about where it was."""
        masked = self._state is MASKED and self._last_hz > 0 and hop.heard
        return masked and abs(math.log(hop.spindle_hz / self._last_hz)) < _BACK

    def _astray(self, hop: Hop, noisy: bool) -> bool:
        """Whether the speed heard is none of a spindle: nobody commanded it, and its lines are far too weak.

        Tones of the room happen to agree with it; where the spindle could be its lines are missing.
        """
        thin = self._thin(hop) and self._off_commanded(hop) > _COMMANDED_WITHIN
        if noisy and not thin:
            return False
        if abs(hop.rate_hz_s) > _SETTLED_RATE * hop.spindle_hz:
            return False  # tones of a room stay; between its speeds a spindle's lines are weaker by resonance
        home = _DRIFT if thin else _HOME
        return self._reference is None or abs(math.log(hop.spindle_hz / self._reference)) > home

    @staticmethod
    def _thin(hop: Hop, usual_db: float = 0.0) -> bool:
        """Whether the lines are far weaker than usual, over those learned, beside what else is heard: a gain
        that fell takes as much of the floor as of the lines."""
        return hop.line_db < usual_db - _QUIETER_DB and hop.over_db - hop.line_db > _QUIETER_DB

    def _believe(self, hop: Hop, loud: bool) -> bool:
        """Follow the speed if a spindle could have got there from where it was: an octave off is a slip.

        What is heard steadily for long is believed all the same, but not in a loud cut, which drowns lines.
        """
        home = self._is_home(hop)
        near = not self._last_hz or _LITTLE < hop.spindle_hz / self._last_hz < 1 / _LITTLE
        slipped = not (home or near) and self._could_not(hop, loud)
        steady = abs(hop.rate_hz_s) < _SETTLED_RATE * hop.spindle_hz
        self._home_hops = self._home_hops + 1 if home and steady else 0
        if self._slipped_s and self._home_hops < _SETTLED_HOPS:
            # another machine's speed passes by
            slipped = slipped or home or abs(math.log(hop.spindle_hz / self._slipped_hz)) < _SLIP
        self._slipped_s, self._slipped_hz = (hop.t, hop.spindle_hz) if slipped else (0.0, 0.0)
        if slipped and (loud or hop.t - self._last_s < _SLIPPED_FOR_S):
            return False
        self._last_hz, self._last_s = hop.spindle_hz, hop.t
        return True

    def _could_not(self, hop: Hop, loud: bool) -> bool:
        """Whether no spindle gets so far from where it was last believed to be."""
        last_s = self._slipped_s if self._slipped_s > self._last_s else self._last_s
        unheard = hop.t - last_s
        # Where the lines hardly tell anything, as in a cut that drowns them, a far speed is noise, unless a
        # bit that binds may have led there between two frames. (The beat of the cut tells it as well.)
        drowned = hop.audible < _FAR_AUDIBLE
        told = hop.audible >= _FAINT_AUDIBLE or hop.beat >= BEAT_TELLS
        binds = told and hop.spindle_hz < self._last_hz
        binding = _BINDS * min(unheard, _BINDS_S) if binds else 0.0
        # in a cut a spindle falls; what jumps above the free speed there is another machine's
        most = self._reference or (1 + _COMMANDED_WITHIN) * self._nearest(hop.spindle_hz)
        faster = loud and hop.spindle_hz > (1 + _DRIFT) * most
        could = _SLIP if faster else _SLIP + (binding if drowned else _FASTEST * unheard)
        return abs(math.log(hop.spindle_hz / self._last_hz)) > could

    def _is_home(self, hop: Hop) -> bool:
        """Whether it is near the reference, and no faster than a free spindle drifts."""
        if self._reference is None:
            return False
        ratio = hop.spindle_hz / self._reference
        return _LITTLE < ratio < 1 + _DRIFT / 2 or -_HOME < math.log(ratio) < _DRIFT

    def _near_commanded(self, hop: Hop) -> bool:
        if self._reference and abs(hop.spindle_hz / self._reference - 1) <= _COMMANDED_WITHIN:
            return True
        return self._off_commanded(hop) <= _COMMANDED_WITHIN

    def _off_commanded(self, hop: Hop) -> float:
        """How far, as a fraction, the speed is off the nearest commanded one."""
        spindle_hz, least = hop.spindle_hz, math.inf
        for hz in self._commanded_hz:
            off = abs(spindle_hz / hz - 1)
            if off < least:
                least = off
        return least

    def _elsewhere(self, hop: Hop, reference: float) -> bool:
        near = self._nearest(hop.spindle_hz)
        low, high = self._drills if near == self._commanded_hz[0] else self._spots
        if low <= reference / near <= high or abs(hop.spindle_hz / near - 1) > _COMMANDED_WITHIN:
            return False
        free = hop.t - self._last_cut_s >= _FREE_AFTER_S or self._bound_hops >= _BOUND_HOPS
        return near != self._bound_hz or free

    def _starts(self, hop: Hop) -> bool:
        """Whether it was heard turning for long enough.

        What rings when it is struck, a chuck or a bar, agrees with some speed for tenths of a second, near a
        commanded one too; but its lines are then far weaker than the spindle's, beside the noise of the blow.
        """
        if self._present_hops >= _START_HOPS_ELSEWHERE:
            return True
        if self._is_back(hop):
            return self._full_hops >= _BACK_HOPS
        off = self._off_commanded(hop) if hop.heard else 1.0
        return off < 2 * _COMMANDED_WITHIN and self._full_hops >= _START_HOPS

    def _follow_settling(self, hop: Hop, cutting: bool) -> None:
        if self._state is not TURNING:
            self._settled, self._steady_hops = self._settled and self._state is MASKED, 0
            self._lately.clear()
            return
        if not cutting and hop.support < _LEFT_SUPPORT:
            self._settled, self._steady_hops = False, 0  # the lines are not where they are looked for
        if not hop.heard:
            return
        rate = abs(hop.rate_hz_s) / hop.spindle_hz
        self._lately.append(hop.spindle_hz)
        went = self._went_lately(hop.step_s)
        if went < _SETTLED_RATE and not cutting and self._near_commanded(hop):  # NaN excluded
            # the median, which few odd rates move (Robbins and Monro 1951, from memory)
            scatter = self._scatter + (_SCATTER_STEP if rate > self._scatter else -_SCATTER_STEP)
            self._scatter = min(max(scatter, 0.0), _SCATTER_MOST)
        deviation = _DEVIATION * self._scatter
        steady, leaving = max(_SETTLED_RATE, deviation), max(_LEAVING_RATE, _LEAVING_SDS * deviation)
        self._steady_hops = self._steady_hops + 1 if rate < steady else 0
        if self._steady_hops >= _SETTLED_HOPS:
            self._settled = True
        elif (rate > leaving or (went > _LEAVING_RATE and rate > _LEAVING_RATE)) and not cutting:
            self._settled = False

    def _went_lately(self, step_s: float) -> float:
        """Rate from one half second to the next, per second, whichever way; NaN where that is not known."""
        lately = self._lately
        if len(lately) < 2 * _STAYS_HOPS:
            return math.nan
        before, after = sum(islice(lately, _STAYS_HOPS), 0.0), sum(islice(lately, _STAYS_HOPS, None), 0.0)
        return abs(after / before - 1) / (_STAYS_HOPS * step_s)

    def _forget(self) -> None:
        self._reference = None
        self._confirmed_hops = 0
        self._reached = False
        self._free.clear()
        self._other.clear()

    @property
    def _settles(self) -> bool:
        """Whether its first speed after a run-up has not lasted yet: what is slower has only settled."""
        return self._reference is not None and self._confirmed_hops < _CONFIRMED_HOPS

    @property
    def _may_fall_back(self) -> bool:
        """Whether it may be near the top of its overshoot still: slower and no louder is no load then."""
        return self._settles or (self._reference is not None and self._lasted_hops < _LASTED_HOPS)

    def _sag_means_something(self, hop: Hop, loud: bool) -> bool:
        """Whether it ran free, or was at its speed before the drill went in: a load slows what was fast."""
        if self._settles and not loud:
            return False
        return self._reference is not None or (self._reached and hop.t - self._last_cut_s < _FREE_AFTER_S)

    def _follow_change(self, hop: Hop, steady: bool) -> bool:
        """Whether the speed has just settled at another commanded one, whatever the noise around.

        The reference goes along in proportion until the new free-running speed is heard.
        """
        reference = self._reference
        unlike = not steady or hop.support < _THERE_SUPPORT
        if reference is None or unlike or not self._elsewhere(hop, reference):
            self._elsewhere_hops = 0
            return False
        self._elsewhere_hops += 1
        if self._elsewhere_hops < _REFERENCE_LEAST:
            return False
        self._reference = self._carried_over(reference, hop)
        self._confirmed_hops = 0
        self._free.clear()
        self._other.clear()
        self._elsewhere_hops = 0
        return True

    def _carried_over(self, reference: float, hop: Hop) -> float:
        """The reference in proportion to the commanded speed that is nearest to the one heard.

        One that is near no commanded speed, as another machine's that was followed, tells nothing of others.
        """
        commanded = self._nearest_commanded(hop)
        ratio = reference / self._nearest(reference)
        if abs(math.log(ratio)) > OVERRIDE:
            return self._before.get(commanded, commanded)
        return ratio * commanded

    def _follow_reference(self, hop: Hop, in_blank: bool, steady: bool, louder: bool) -> None:
        free = hop.t - self._last_cut_s >= _FREE_AFTER_S
        if not (free and steady and hop.confidence > 0.8):
            if not free or not steady:
                self._other.clear()
            return
        # in the blank before it ran as fast: tones of another machine are near some speed too
        commanded = self._nearest_commanded(hop)
        before = self._before.get(commanded) if self._reference is None else self._reference
        base, within = (before, _DRIFT) if before is not None else (commanded, _COMMANDED_WITHIN)
        if abs(hop.spindle_hz / base - 1) <= within:
            self._other.clear()
            if self._confirmed_hops < _CONFIRMED_HOPS:
                self._lasted_hops = 0
                self._confirmed_hops += 1
                if self._confirmed_hops == 1 or abs(hop.spindle_hz / self._settles_hz - 1) > _CONFIRMED:
                    self._settles_hz, self._confirmed_hops = hop.spindle_hz, 1
                    self._free.clear()
            elif self._may_fall_back:
                self._lasted_hops += 1
                if not louder and hop.spindle_hz < (1 - _CONFIRMED) * self._settles_hz:
                    self._settles_hz, self._lasted_hops = hop.spindle_hz, 0
                    self._free.clear()
            if louder and self._reference is not None and hop.spindle_hz < self._reference:
                return  # louder and slower together: a drill that enters slowly, before it counts as a cut
            if self._free and abs(hop.spindle_hz / self._free[-1] - 1) > within:
                self._free.clear()  # no reference yet, and another commanded speed
            self._free.append(hop.spindle_hz)
            if len(self._free) >= _REFERENCE_LEAST:
                older = len(self._free) - _ENTRY_HOPS
                used = older if older >= _REFERENCE_LEAST else len(self._free)
                self._refer_to(statistics.median(islice(self._free, used)))
            return
        self._other.append(hop.spindle_hz)
        # near another commanded speed than before: near the same one it is a slip of the ear, mostly
        known_speed = self._off_commanded(hop) <= _COMMANDED_WITHIN
        known_speed = known_speed and self._nearest(hop.spindle_hz) != self._nearest(base)
        need = _OTHER_SPEED_HOPS_IN_BLANK if in_blank else _OTHER_SPEED_HOPS
        need = _REFERENCE_LEAST if known_speed else need
        if len(self._other) >= need:
            middle = statistics.median(self._other)
            if max(abs(s / middle - 1) for s in self._other) < 0.02:  # steady all the while
                self._refer_to(middle)
                self._free.clear()
                self._free.extend(list(self._other)[-_REFERENCE_HOPS - _ENTRY_HOPS :])
            self._other.clear()

    def _refer_to(self, spindle_hz: float) -> None:
        """The free speed, which that of the next blank will be too, if it is one of a commanded speed."""
        self._reference, commanded = spindle_hz, self._nearest(spindle_hz)
        if abs(math.log(spindle_hz / commanded)) < OVERRIDE:
            self._before[commanded] = spindle_hz

    def _nearest_commanded(self, hop: Hop) -> float:
        if hop.heard:
            return self._nearest(hop.spindle_hz)
        if self._reference is not None:
            return self._reference
        return self._nearest(self._last_hz) if self._last_hz else self._commanded_hz[0]

    def _nearest(self, spindle_hz: float) -> float:
        if len(self._commanded_hz) == 1:
            return self._commanded_hz[0]
        return min(self._commanded_hz, key=lambda hz: abs(math.log(spindle_hz / hz)))
