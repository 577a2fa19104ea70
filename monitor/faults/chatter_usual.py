"""What this machine does at each frequency, from which `chatter` departs: its learned lines at the present
speed, what was heard between cuts, and in the good pecks; and how often the lips of its drill pass."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from monitor.faults.chatter_pitch import Bins
from monitor.hop import Hop
from monitor.signal.tones import AVERAGED, ToneMemory, Tones
from monitor.spindle import Rotation
from monitor.work import Work

AFTERMATH_S = 0.8
"""For so long after a cut nothing is learned: its tones ring on."""

CONTACT_S, NEW_PECKS = 0.6, 2
"""Before two good pecks were heard, tones that are there as soon as the drill touches are the machine's (its
feed drive, its lines under load): then only what grows later counts."""

NEW_RAISES_DB, RAISES_DB = 12.0, 4.0
"""So far over its learned level a learned line may stand in a cut, before and after good pecks have shown how
far. Force waves of a motor and the mesh of gears follow the torque, three times the idle one and more, and a
line that sags moves to another place in the room's response."""

LEAST_SLIP = 4
"""Bins: the least slip of a learned line that can be seen beside it."""

SLIPS_MORE = 2.0
"""So many times the slip of good pecks a rotor may slip later: slip follows the load."""

JUMP, JUMPED_S = 0.005, 3.0
"""A speed that jumps by so much in one hop of a cut (10 % a second) may be the speed at which the line
would be one of the spindle's: a strong line pulls the tracker. It is believed only once it lasts."""

_NEW_RAISES, _RAISES = 10 ** (NEW_RAISES_DB / 10), 10 ** (RAISES_DB / 10)


class Usual:
    """For ``lines`` and ``grid_hz`` see `ToneMemory`; ``flutes``: lips of the drill. ``cutting``: the drill
    is in; ``memory``: what tones were heard; ``good_pecks``: how many."""

    def __init__(
        self,
        lines: NDArray[np.float32],
        grid_hz: NDArray[np.float64],
        bins: Bins,
        hop_s: float,
        flutes: int,
    ) -> None:
        self._bins, self._flutes = bins, flutes
        self.memory = ToneMemory(lines, grid_hz, hop_s)
        self.cutting = False
        self.good_pecks = 0
        self._spindle_hz, self._spindle_s, self._turned_hz = math.inf, -math.inf, math.inf
        self._slip = 0.0  # the most that the rotor was heard to slip
        self._lately: deque[float] = deque(maxlen=2 * AVERAGED)  # speeds of the spectra in the average

    @property
    def knows_good(self) -> bool:
        """Whether good pecks have shown what they sound like."""
        return self.good_pecks >= NEW_PECKS

    @property
    def passing_hz(self) -> float:
        """How often a lip passes."""
        return self._flutes * self._spindle_hz if self._spindle_hz < math.inf else 0.0

    @property
    def rotation_hz(self) -> float:
        """How often the drill turns."""
        return self.passing_hz / self._flutes

    def same(self, hz: float, other_hz: float) -> bool:
        """Whether two lines of a cut may be of one vibration."""
        return abs(hz - other_hz) <= self.passing_hz + self._bins.bin_hz

    def forced(self, hz: float) -> bool:
        """Whether a cut may push so often by itself: once a turn, once a lip, and twice that."""
        pushes = (1, self._flutes, 2 * self._flutes)
        return self.cutting and any(
            abs(hz - order * self.rotation_hz) <= self._bins.bin_hz for order in pushes
        )

    def follow_speed(self, hop: Hop, rotation: Rotation, hops: int) -> None:
        """Move the learned lines to the present speed; ``hops`` counts the calls."""
        if not hop.heard:
            return
        jumped = abs(hop.spindle_hz / self._spindle_hz - 1) > JUMP
        if jumped and self.cutting and hop.t - self._spindle_s < JUMPED_S:
            return
        self._spindle_hz, self._spindle_s = hop.spindle_hz, hop.t
        self._lately.append(hop.spindle_hz)
        if hops % ToneMemory.LEARNS_EVERY and abs(hop.spindle_hz / self._turned_hz - 1) < JUMP:
            return  # the speed is read anew every hop, and lines move little in so short a time
        self._turned_hz = hop.spindle_hz
        raised = _RAISES if self.knows_good else _NEW_RAISES
        self.memory.turn(
            hop.spindle_hz,
            rotation.reference_hz,
            raised,
            min(self._lately) * (1 - self._slip),
            max(self._lately),
        )

    def learn(self, hop: Hop, tones: Tones, work: Work, but: slice | None) -> None:
        """Take a hop; ``but`` the bins of a line under suspicion, where it is outside of a cut."""
        if work.in_cut:
            self.memory.hear_peck(tones)
            if not self.knows_good and hop.t - work.cut_s <= CONTACT_S:
                self.memory.hear_outside(tones, None)
        elif not hop.t - work.end_s < AFTERMATH_S:
            self.memory.hear_outside(tones, but)

    def learn_left(self, hop: Hop, start_s: float, work: Work, past: Sequence[Tones]) -> None:
        """Take what was under suspicion outside of cuts since ``start_s`` and has gone there: a line that
        comes and goes by itself, as two that beat do, is usual and may be back just before the drill touches.
        """
        since_s = max(start_s, work.end_s + AFTERMATH_S) if work.end_s == work.end_s else start_s
        hops = min(len(past), math.floor((hop.t - since_s) / hop.step_s + 0.5))
        for ago in range(1, hops + 1, ToneMemory.LEARNS_EVERY):
            self.memory.hear_outside(past[-ago], None)

    def end_peck(self) -> None:
        """The peck was good."""
        self.memory.end_peck()
        self.good_pecks += 1

    def slipped(self, tones: Tones, k: int) -> bool:
        """Whether at a bin stands a learned line of a rotor that slips; it is expected from then on."""
        if not self.cutting:
            return False
        slip = self.memory.slip(tones, k, _NEW_RAISES)
        if self.knows_good and slip > SLIPS_MORE * max(self._slip, LEAST_SLIP / max(k, 1)):
            return False  # good pecks would have shown it
        if slip > self._slip:
            self._slip = slip
            self._turned_hz = math.inf  # the usual is to be made anew
        return slip > 0
