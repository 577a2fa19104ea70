"""`loosening`: the chuck or work holding backs off, and knocks once a turn, louder every turn.

Physical reason: a holding that has let go shifts under the load at the same angle of every turn and strikes
its seat; each blow lets it go further, so the knock grows by some to tens of dB a second, often with little
sag. So every turn is asked how far each of its sectors stands out of those beside it
(`monitor.signal.revolutions`), and an exponentially weighted mean over half a second and at least six turns
(a chart for small lasting shifts, Roberts 1959, from memory) is kept for every angle. What one turn counts is
bounded: chips that crackle, and blows from elsewhere, are loud but do not come at one angle in every turn.
The dial may be off by 2 %, so the angle may creep: means are kept for a row of speeds about the one heard.

The decision asks three things. The angle that stands out most does so by far more than is normal here, in
cuts or between them. It has grown since it began to. And no other angle stands out half as much.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.faults.episode import Finding
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.signal.cusum import Normal
from monitor.signal.revolutions import Turn
from monitor.spindle import MASKED, TURNING, Rotation

MEMORY_S, MEMORY_TURNS = 0.5, 6.0
"""Time constant of the means, whichever is longer: some ten turns are believed, two are not."""

SURE_Z, LASTS_TURNS, LASTS_S, AT_ONCE_Z = 5.0, 3, 0.1, 7.0
"""Deviations over normal that tell once so many turns have shown them, in so long a time, and those that tell
at once. The largest of some hundred means of bounded values has a tail that falls steeply, and chance does
not stay there: in 24.7 h of drawn good work, other sound in a fifth of it, 6 deviations at once were passed
eleven times, and these limits seven times. Of 147 drawn knocks they tell 73 in time (69 at 6 deviations at
once), nearly all of the others a second later."""

GAP = 2.5
"""Turns heard without showing it, at most, within what lasts."""

NEAR, ALONE = 0.15, 0.5
"""A loose holding strikes once a turn: nothing farther from its angle than this share of a turn stands out by
more than half as much. What strikes twice a turn, or goes through all angles, is another machine."""

OFF = 0.022
"""Share by which the true speed may differ from the one heard: dial error of 2 %, and wander."""

UNDER, OVER = 2.5, 3.5
"""Deviations that one sector of one turn counts at most, under and over what is normal."""

GROWN_DB = 0.5
"""Growth of what stands out, from the first third to the last of the time in which it did: half the deviation
of a level that stays. It tells a new knock from one that was always a little more than normal; a knock that
is suddenly there and stays is mostly told as well, since the turns before it belong to that time."""

RISEN_Z = 1.0
"""A knock began to stand out when it last did so by no more than this."""

SETTLE_S, LOOK_BACK_S, LEAST_TURNS = 0.1, 6.0, 4
"""The first of that time is left out; growth is looked for no further back, and not in fewer turns."""

FIRST_S = 1.5
"""The first of idling, and of cutting, is taken for what this machine does: one may knock at every turn by a
belt joint or a key, as loud as it likes, and only what comes on top of it is told."""

WARM_S, PIECE_S, GROWS = 0.5, 3.0, 1.0
"""Of each cut and pause the first is left out, and what follows is learned piece by piece, each once the next
one, be it of the next cut, was louder by no more than this (in deviations of a mean): what grows is never
normal. To learn only what is near to normal would never find out what a machine does that knocks more once
the means have grown."""

_STAYS_S = 1.0  # a knock told goes on being told over gaps: between turns of growth, and as its feed is held
_NOISE, _NOISE_SPREAD, _LEAST_SPREAD = 3.2, 0.9, 0.64  # largest of the means in noise, in their deviations
_PRIOR_S, _MEMORY_S = 4.0, 300.0  # what noise gives is worth so much; normal is averaged over so much
# deviation of a sector: before it was learned, how fast it is, and at least
_SECTOR_DB, _SECTOR_S, _LEAST_DB = 2.5, 10.0, 0.3

# as an array, since numpy takes longer to make one of a number than to use it
_LEAST_DEVIATION = np.array(-UNDER, np.float32)


class _Past(NamedTuple):
    t: float
    cutting: bool
    turn: Turn
    z: float


class _State:
    """What is normal while idling, or while cutting; ``means`` of shape (speeds, sectors)."""

    def __init__(self, shape: tuple[int, int], step_s: float) -> None:
        self.means = np.zeros(shape)
        self.sector_db, self.turns = _SECTOR_DB, 0
        self.first: list[float] = []
        prior, memory = _PRIOR_S / step_s, _MEMORY_S / step_s
        self.most = Normal(_NOISE, _NOISE_SPREAD, prior, memory, 0, _LEAST_SPREAD)
        self._warm, self._whole = math.ceil(WARM_S / step_s), math.ceil(PIECE_S / step_s)
        self._wait, self._spoilt = 0, False
        self._piece: list[float] = []
        self._waiting: list[float] = []

    def begin(self) -> None:
        """A cut or a pause begins: the means are of another one."""
        self._wait = self._warm

    def learn(self, most: float, told: bool) -> None:
        """Take a value; it becomes normal once as much sound after it was no louder."""
        if self._wait:
            self._wait -= 1
            return
        self._spoilt = self._spoilt or told
        self._piece.append(most)
        if len(self._piece) < self._whole:
            return
        waiting = self._waiting
        if waiting and statistics.fmean(self._piece) < statistics.fmean(waiting) + GROWS:
            for one in waiting:
                self.most.step(one)
        self._waiting = [] if self._spoilt else self._piece
        self._piece, self._spoilt = [], False


@dataclass(slots=True)
class LooseningRule:
    """One `step` a hop; ``sectors`` and ``every`` as in `monitor.signal.revolutions.Revolutions`."""

    sectors: int
    every: int
    spindle_hz: float
    hop_s: float
    _share: float = field(init=False)
    _shares: NDArray[np.float64] = field(init=False)  # the same, as an array
    _scale: float = field(init=False)
    _turned: NDArray[np.intp] = field(init=False)  # row k: the sectors from the k-th on, once round
    _creep: NDArray[np.float64] = field(init=False)  # sectors a turn
    _state: dict[bool, _State] = field(init=False)
    _past: deque[_Past] = field(init=False)
    _first_turns: int = field(init=False)
    _settle_turns: int = field(init=False)
    _heard: set[bool | None] = field(init=False, default_factory=set)
    _last: bool | None = None
    _number: NDArray[np.float32] = field(init=False, default_factory=lambda: np.empty((), np.float32))
    _shown_s: float = -math.inf
    _shown_since_s: float = -math.inf
    _shown_turns: int = 0
    _told: Finding | None = None
    _told_s: float = -math.inf
    _crept: dict[float, NDArray[np.intp]] = field(init=False, default_factory=dict)  # by turns

    def __post_init__(self) -> None:
        step_s = self.every * self.hop_s
        memory_s = max(MEMORY_S, MEMORY_TURNS / self.spindle_hz)
        self._share = 1 - math.exp(-step_s / memory_s)
        self._shares = np.array(self._share)
        self._scale = math.sqrt(self._share / (2 - self._share))  # deviation of a mean, in those of a turn
        # the nearest of these speeds is off by half a sector in twice the memory
        speeds = max(1, math.ceil(OFF * self.sectors * 2 * memory_s * self.spindle_hz))
        sectors = np.arange(self.sectors)
        self._turned = (sectors + sectors[:, None]) % self.sectors
        self._creep = np.linspace(-OFF, OFF, 2 * speeds + 1) * self.sectors
        shape = (self._creep.size, self.sectors)
        self._state = {cutting: _State(shape, step_s) for cutting in (False, True)}
        self._past = deque(maxlen=round(LOOK_BACK_S / step_s))
        self._first_turns = max(2, round(FIRST_S / step_s))
        self._settle_turns = math.ceil(SETTLE_S / step_s)

    def step(self, hop: Hop, rotation: Rotation, cutting: bool, spotting: bool = False) -> Finding | None:
        """Finding while a knock of every turn is more than normal and has grown.

        A centre drill cuts otherwise, mostly at another speed: ``spotting`` is neither judged nor learned.
        """
        turning = rotation.state is TURNING or rotation.state is MASKED
        judged = turning and rotation.settled and not spotting and not hop.deaf
        if not turning or spotting or hop.deaf:
            self._told_s = -math.inf
        self._heard.add(cutting if judged else None)
        if hop.turn is not None:
            heard, self._heard = self._heard, set()
            if len(heard) == 1 and None not in heard:
                found = self._take(hop, hop.turn, cutting)
                if found is not None:
                    self._told, self._told_s = found, hop.t
        return self._told if hop.t - self._told_s < _STAYS_S else None

    def foresee(self, hops: Iterable[Hop]) -> None:
        """Find where each angle has crept to at the turns of hops to come: many at once are found sooner."""
        turns = [hop.turn.turns for hop in hops if hop.turn is not None]
        crept = self._sectors(np.array(turns)[:, None], self._creep)
        self._crept = dict(zip(turns, crept, strict=True))

    def _take(self, hop: Hop, turn: Turn, cutting: bool) -> Finding | None:
        state = self._state[cutting]
        if self._last is not None and self._last is not cutting:
            np.maximum(state.means, self._state[self._last].means, out=state.means)  # a knock goes on
        if self._last is not cutting:
            state.begin()
        self._last = cutting
        normal = state.most
        beyond = 2 * (normal.location - _NOISE) * self._scale if normal.location > _NOISE else 0.0
        self._number[()] = state.sector_db
        deviations = np.divide(turn.stands_out_db, self._number)
        np.fmax(deviations, _LEAST_DEVIATION, deviations)
        self._number[()] = OVER + beyond
        np.fmin(deviations, self._number, deviations)
        self._learn_sectors(state, turn)
        means = state.means
        crept = self._crept.get(turn.turns)
        moved = deviations.astype(np.float64).take(
            self._sectors(turn.turns, self._creep) if crept is None else crept
        )
        np.subtract(moved, means, moved)
        np.multiply(moved, self._shares, moved)
        np.add(means, moved, means)
        most = state.means.item(state.means.argmax()) / self._scale
        if len(state.first) < self._first_turns:
            self._take_first(state, most)
            return None
        z = normal.z(most)
        if not cutting:
            # A drill that enters slowly beats with the stock before its cut is known: what knocks while
            # idling has to be more than cuts do as well.
            z = min(z, self._state[True].most.z(most))
        self._past.append(_Past(hop.t, cutting, turn, z))
        found = self._judged(state, cutting) if z >= SURE_Z else None
        state.learn(most, found is not None)
        return found if found is not None and self._lasts(hop.t, z) else None

    def _lasts(self, t: float, z: float) -> bool:
        """Whether what stands out has done so for long enough, or by so much that it need not."""
        if t - self._shown_s > GAP * self.every * self.hop_s:
            self._shown_since_s, self._shown_turns = t, 0
        self._shown_s = t
        self._shown_turns += 1
        long = self._shown_turns >= LASTS_TURNS and t - self._shown_since_s >= LASTS_S - 0.5 * self.hop_s
        return long or z >= AT_ONCE_Z

    def _sectors(self, turns: float | NDArray[np.float64], creep: NDArray[np.float64]) -> NDArray[np.intp]:
        """Where each angle has crept to, at each speed, shape (..., speeds, sectors)."""
        crept = np.rint(creep * turns).astype(np.intp)
        return self._turned.take(crept % self.sectors, axis=0)

    def _learn_sectors(self, state: _State, turn: Turn) -> None:
        state.turns += 1
        share = max(self.every * self.hop_s / _SECTOR_S, 1 / (5 + state.turns))
        sector_db = state.sector_db + share * (1.25 * turn.mean_db - state.sector_db)
        state.sector_db = sector_db if sector_db > _LEAST_DB else _LEAST_DB

    def _take_first(self, state: _State, most: float) -> None:
        """Another turn of the first of this state; complete, they say what is normal there."""
        state.first.append(most)
        if len(state.first) == self._first_turns:
            late = state.first[self._first_turns // 3 :]  # the means have grown by then
            state.most.location = max(statistics.median(late), _NOISE)

    def _judged(self, state: _State, cutting: bool) -> Finding | None:
        """The finding, if what stands out has grown since it began to."""
        past = list(self._past)
        begin = next((k + 1 for k in range(len(past) - 2, -1, -1) if past[k].z <= RISEN_Z), 0)
        run = [one.turn for one in past[begin:] if one.cutting is cutting][self._settle_turns :]
        if len(run) < LEAST_TURNS:
            return None
        seen = np.array([turn.stands_out_db for turn in run])
        # finer than the means: half a sector in all of this time
        speeds = math.ceil(OFF * self.sectors * (run[-1].turns - run[0].turns))
        creep = np.linspace(-OFF, OFF, 2 * speeds + 1) * self.sectors
        at = np.array([self._sectors(turn.turns - run[0].turns, creep) for turn in run])
        heard = np.take_along_axis(seen[:, None], at, axis=2)
        # the angle that fits the whole time best: another would seem to have grown as it crept there
        best = np.minimum(heard, OVER * state.sector_db).mean(axis=0).argmax()
        speed, sector = divmod(int(best), self.sectors)
        third = max(2, len(run) // 3)
        first, last = heard[:third, speed].mean(axis=0), heard[-max(third, 3) :, speed].mean(axis=0)
        knock_db = float(heard[-third:, speed, sector].mean())
        if knock_db - first[sector] < GROWN_DB:
            return None
        near = max(2, round(NEAR * self.sectors))
        elsewhere = np.roll(last, -sector)[near + 1 : self.sectors - near]
        if elsewhere.max(initial=0.0) > ALONE * last[sector]:
            return None
        normal_db = state.most.location * self._scale * state.sector_db
        message = (
            f"The chuck or work holding knocks once a turn, {knock_db:.0f} dB over the sound beside it "
            f"(normal here {normal_db:.0f} dB), and louder turn by turn: stop the spindle, then "
            "retract and tighten the holding."
        )
        return Finding(
            Kind.LOOSENING, Severity.HOLD, message, knock_db, normal_db, "dB", past[begin].t - self.hop_s
        )
