"""Whether what strikes once a turn is this machine's holding, or another machine that strikes as often.

A compressor, or another lathe, may strike within some parts in a thousand of the spindle's speed for seconds.
Three things tell it from a holding that backs off, without waiting for what becomes of it:

- A holding backs off under load. What strikes since the spindle was switched on, before any drill has cut,
  is another machine, unless it did so before the spindle stood (a chuck that backs off its spindle). So is
  what strikes in a pause and not in the cut after it: a spindle slows by some per cent in a cut, and a
  compressor does not slow with it.
- What is heard of the holding comes as often as the spindle turns, and the dial is off by the same all the
  time. Where the beat of the lips has told by how much (`DialError`), lines of the turn at another rate are
  another machine's.
- Such a machine goes on for tens of seconds, and its rate wanders through the spindle's. So what was once
  heard to be one stays one until it is heard to be gone, with the drill out of the cut; but no longer than
  such machines run, and not where strikes go on at one rate of the spindle's through a cut that loads it:
  a holding may let go meanwhile, and has to be told.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.signal.revolutions import Turn
from monitor.signal.turn_lines import OFF

BEAT_TURNS, BEAT_LAG_S, BEAT_S = 18.0, 0.8, 300.0
"""The lips make a cut's hiss swell as often as they come round. How far that creeps in so many beats (in no
longer time) tells by how much the speed heard is off: beats of a speed 2.2 % off are not mistaken by one in
less than 22. It is averaged over so long: the dial is off by the same all the time."""

BEAT_SURE, BEAT_LOOKS = 12.0, 3.0
"""Known once the mean beat is worth 3.5 deviations of chance, taking three turns for one look, since the
grain of the stock lasts for some turns."""

LEAST_OFF = 0.003
"""Share by which the speed may be off from what is known so, at least: the speed heard wanders by 0.3 %.
Otherwise four deviations."""

AT_MOST_S = 30.0
"""A workshop's compressor fills its tank in some tens of seconds. What strikes on for longer after another
machine was heard is judged like any knock again: one told falsely is better than a holding never told."""

_GAP_S = 0.3  # between turns or frames: over longer ones nothing was heard
_LEAST_POWER = np.array(1e-30, np.float32)


@dataclass(slots=True)
class DialError:
    """`step` each turn, ``step_s`` apart: ``off`` is the share by which the speed heard is over the true one.

    It may be more or less by ``or_off``: by all that a dial may be off while nothing is known.
    """

    flutes: int
    spindle_hz: float
    step_s: float
    off: float = 0.0
    or_off: float = OFF
    _beats: deque[Turn] = field(init=False)
    _cutting: bool = False
    _sum_real: float = 0.0  # of the sum of the beats
    _sum_imag: float = 0.0
    _n: float = 0.0

    def __post_init__(self) -> None:
        lag = min(BEAT_TURNS / (self.flutes * self.spindle_hz), BEAT_LAG_S) / self.step_s
        self._beats = deque(maxlen=max(1, int(lag)) + 1)

    def step(self, turn: Turn, cutting: bool) -> bool:
        """Take the next turn; whether more is known by it."""
        beats = self._beats
        if cutting is not self._cutting:
            self._cutting = cutting
            beats.clear()
        if not cutting:
            return False
        beats.append(turn)
        if len(beats) < (beats.maxlen or 0):
            return False
        keep = 1 - self.step_s / BEAT_S
        turned = beats[-1].beat * beats[0].beat.conjugate()
        self._sum_real = keep * self._sum_real + turned.real
        self._sum_imag = keep * self._sum_imag + turned.imag
        self._n = keep * self._n + 1
        alike = min(math.hypot(self._sum_real, self._sum_imag) / self._n, 1.0)
        looks = self._n / BEAT_LOOKS
        if looks < 4 or alike * alike * looks < BEAT_SURE:
            return False
        per_turn = 2 * math.pi * self.flutes * (beats[-1].turns - beats[0].turns)
        self.off = -math.atan2(self._sum_imag, self._sum_real) / per_turn
        or_off = 4 * math.sqrt((1 - alike * alike) / (2 * looks)) / alike / per_turn
        self.or_off = max(or_off, LEAST_OFF)
        return True


@dataclass(slots=True)
class OtherMachine:
    """`step` each turn or frame: ``heard`` while what strikes is known for another machine's.

    ``sure_z``: deviations over normal from which on something strikes, ``gone_z``: up to which nothing does;
    ``alike``: rates no farther apart, as shares of the speed, are one; ``own_s``: what strikes at one for so
    long in cuts is the spindle's, which slows by some per cent as it is loaded, and wanders with the cut.
    """

    sure_z: float
    gone_z: float
    alike: float
    own_s: float
    heard: bool = False
    _since_s: float = 0.0
    _spent: bool = False  # was heard, and is no more, though something strikes on
    _loaded_z: float = -math.inf  # of the newest turn since a load
    _own_rate: float = math.nan
    _own_s: float = 0.0
    _last_s: float = math.inf

    def step(
        self, t: float, z: float, rate: float, cutting: bool, loaded: bool, elsewhere: bool = False
    ) -> bool:
        """``heard``, after a turn, ended at ``t`` (s), at which something strikes by ``z`` deviations.

        ``rate``: share by which it strikes oftener than the spindle as heard turns; ``cutting``: in a cut
        that loads; ``loaded``: a drill has cut since the spindle was switched on; ``elsewhere``: what strikes
        did so at another rate, or in a pause and not in a cut where as much would have been heard.
        """
        if loaded:
            self._loaded_z = z
        shows, passed_s = z >= self.sure_z, max(t - self._last_s, 0.0)
        self._last_s = t
        if self.heard and t - self._since_s >= AT_MOST_S:
            self.heard, self._spent = False, True
        if elsewhere or (shows and not loaded and self._loaded_z < self.gone_z):
            if not (self.heard or self._spent):
                self.heard, self._since_s = True, t
            self._own_rate = math.nan
        elif z < self.gone_z:
            self._own_rate = math.nan
            if not cutting:
                self.heard = self._spent = False
        elif shows:
            if not abs(rate - self._own_rate) <= self.alike:
                self._own_rate, self._own_s = rate, 0.0
            elif cutting and loaded:
                self._own_s += min(passed_s, _GAP_S)
            if self.heard and self._own_s >= self.own_s:
                self.heard, self._spent = False, True
        return self.heard


@dataclass(slots=True)
class Masking:
    """Whether a cut hides what struck in the pause before it: `strikes` in pauses, `missing` in the cut.

    ``share``: what each turn counts in the means.
    """

    share: float
    _power: NDArray[np.float32] | None = None
    _turns: int = 0

    def strikes(self, means: NDArray[np.float32], unit: NDArray[np.float32]) -> None:
        """What strikes now: mean deviations in groups of bands, shape (n_groups,), and the power of one.

        A loud blow counts less in the means than it is, so that too little is expected of the cut.
        """
        self._power, self._turns = np.maximum(means, 0) * unit, 0

    def gone(self) -> None:
        """Nothing strikes in a pause."""
        self._power = None

    def missing(self, unit: NDArray[np.float32]) -> float:
        """How far means would stand out by now, had as much struck in each turn of the cut.

        0 where nothing struck. To be asked once in each turn that loads.
        """
        if self._power is None:
            return 0.0
        self._turns += 1
        grown = 1 - (1 - self.share) ** self._turns
        return grown * math.sqrt(float(np.square(self._power / np.maximum(unit, _LEAST_POWER)).sum()))
