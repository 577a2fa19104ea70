"""A peck that is not heard: in softened work a drill loads again, once it was drawn out, without a sound."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from monitor.faults.melting_load import LEAST_GRIP, LOAD_MOST, LOAD_STAYS, SILENT_LOAD, Load
from monitor.hop import Hop
from monitor.signal.cusum import Normal

UNHEARD_HOPS = 10
"""Half a second, of which the mean load tells a peck that is not heard: a speed wavers from hop to hop."""

WANDER_SDS = 4.0
"""Deviations of the free running speed that such a load is at least. A machine between pecks is as silent, so
that only the load tells these apart: it wanders by so much in one of some ten thousand pauses."""


@dataclass(slots=True)
class UnheardPeck:
    """`step` each hop in which no cut is heard; ``since_s``: when it began, NaN while there is none."""

    since_s: float = math.nan
    _loads: deque[float] = field(default_factory=lambda: deque(maxlen=UNHEARD_HOPS))
    _wander: Normal = field(default_factory=lambda: Normal(0.0, LEAST_GRIP, least=LEAST_GRIP))
    _drawn_out: bool = False

    @property
    def goes_on(self) -> bool:
        """Whether there is one, up to the hop before."""
        return self.since_s == self.since_s

    @property
    def newest(self) -> float | None:
        """Load of the newest hop, if no cut was heard in it."""
        return self._loads[-1] if self._loads else None

    def end(self) -> None:
        """A cut is heard."""
        self._loads.clear()
        self.since_s, self._drawn_out = math.nan, False

    def lose(self, drilling: bool) -> None:
        """The speed is not known; ``drilling``: the spindle turns, and spots nothing."""
        self._loads.clear()
        self._drawn_out = self._drawn_out and drilling  # a load that comes suddenly unsettles the speed too

    def wander(self, load: float) -> None:
        """Learn how the speed of the machine alone wanders, by what would be load."""
        if load == load:
            self._wander.step(load)

    def step(self, hop: Hop, sag_below: float, load: Load, may: bool) -> bool:
        """Whether the spindle is loaded as in cuts where none is heard, since the drill left a hole that is
        not through: what rubs makes no sound. ``may``: good cuts are known, and the hole is not through.
        """
        self._loads.append(sag_below)
        if not (may and len(self._loads) == UNHEARD_HOPS):
            self.since_s = math.nan
            return False
        known = [one for one in self._loads if one == one]
        if 2 * len(known) < UNHEARD_HOPS:
            self.since_s = math.nan
            return False
        usual, mean = load.usual, sum(known) / len(known)
        if not mean >= LOAD_STAYS * usual:
            self._drawn_out, self.since_s = True, math.nan
            return False
        if self.since_s != self.since_s:
            # a spindle that is switched off falls by more, and goes on falling
            steady = mean <= LOAD_MOST * usual and known[-1] - known[0] < usual
            least = max(SILENT_LOAD * usual, WANDER_SDS * self._wander.spread)
            if not (self._drawn_out and load.tells and steady and mean >= least):
                return False
            self._drawn_out = False
            self.since_s = hop.t - UNHEARD_HOPS * hop.step_s
        return True
