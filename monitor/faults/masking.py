"""`masked`: other sound drowns the spindle, so the monitor is deaf to it for now.

An air gun, a compressor or rain can bury every learned line. That is no fault of the machine, so it is
only told; but a deaf monitor must not say all is well for ever: after a stated time deaf within a blank
it holds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.faults.episode import Finding
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.spindle import MASKED, TURNING, Rotation

TOLD_AFTER_S = 0.5
"""Shorter gaps are taps and door slams."""

HOLD_AFTER_S = 15.0
"""Deaf this long within a blank is a hold: a burst of an air gun lasts seconds, a hole some tens of them."""

EAR_BACK_S = 0.5
"""After the microphone was lost the frames still hold the gap, and the spindle has to be found anew."""

UNHEARD_S = 1.0
"""A speed that was not heard for so long is drowned too, where the lines may still be there: frames of a cut
that drowns them now and then are bridged."""

HEARD_AGAIN_S = 1.0
"""Heard for this long, it is heard again: in noise alone a speed is found by chance for some tenths."""


@dataclass(slots=True)
class MaskingRule:
    """One `step` a hop."""

    _since_s: float = math.nan
    _masked_s: float = -math.inf
    _lost_s: float = -math.inf
    _heard_s: float = -math.inf

    def step(self, hop: Hop, rotation: Rotation, in_blank: bool, lost: bool) -> Finding | None:
        """Finding while the spindle, last heard turning, cannot be heard for other sound.

        ``lost``: the microphone hears nothing, which is no other sound but `mic_fault`.
        """
        if hop.deaf or lost:
            self._lost_s = hop.t
        if hop.t - self._lost_s < EAR_BACK_S and self._since_s != self._since_s:
            return None
        if hop.heard or rotation.state is not TURNING:
            self._heard_s = hop.t
        if rotation.state is not MASKED and hop.t - self._heard_s <= UNHEARD_S:
            if hop.t - self._masked_s >= HEARD_AGAIN_S:
                self._since_s = math.nan
            return None
        self._masked_s = hop.t
        if self._since_s != self._since_s:
            self._since_s = hop.t
        deaf = hop.t - self._since_s
        if deaf < TOLD_AFTER_S:
            return None
        if in_blank and deaf >= HOLD_AFTER_S:
            message = (
                f"The spindle could not be heard for {deaf:.0f} s over other sound: "
                "silence the other source, then reset."
            )
            return Finding(Kind.MASKED, Severity.HOLD, message, deaf, HOLD_AFTER_S, "s", self._since_s)
        message = "Other sound drowns the spindle: speed is not known for now."
        return Finding(Kind.MASKED, Severity.INFO, message, deaf, HOLD_AFTER_S, "s", self._since_s)
