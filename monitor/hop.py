"""One hop of measurements, as plain numbers, on its way through the rules."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.signal.revolutions import Turn
from monitor.signal.speed import Between
from monitor.signal.tones import Tones

HEARD = 0.5
"""Confidence from which on a speed can be believed."""


@dataclass(slots=True)  # not frozen: made 20 times a second of sound, at hundreds of times real time
class Hop:
    """Everything measured at one instant; see the modules of ``monitor.signal`` for each field.

    ``t``: seconds of signal up to the newest sample, ``step_s`` seconds in a hop; ``broadband_db``: broadband
    sound, dB per Hz; ``over_db``: the same over the baseline's floor. ``line_db``: learned lines over their
    learned level. ``crackle_db``: how impulsive the upper band sounds, see ``monitor.signal.crackle``.
    ``turn``: what stood out in the turn that ended with this hop, None where none did, see
    ``monitor.signal.revolutions``.
    ``lines``: how far the multiples of the turns a second stand out in the frame that ended with this hop,
    None where none did, see ``monitor.signal.turn_lines``.
    ``upper_db``, ``lower_db``: noise between lines in the upper half of the spectrum, where breaking chips
    hiss, and from the least that a telephone hears to its lower quarter, where a drill rubs; dB per Hz.
    ``tones``: short spectra over their floor, see ``monitor.signal.tones``. ``between``: what the hops of a
    call, of which this is the ``n``-th, say of speeds between two bounds.
    ``levels``: log power of the hop's short pieces, whose beat tells how fast the lips come round, (n_fine,).
    ``hum_hz``: how often a second the sound repeats, NaN where it does not or wavers, see
    ``monitor.signal.hum``.
    ``deaf``: the microphone gave no sound; ``heard``: a speed was measured that can be believed.
    """

    t: float
    step_s: float
    spindle_hz: float
    sd_hz: float
    rate_hz_s: float
    confidence: float
    running: float
    audible: float
    support: float
    line_db: float
    level_db: float
    clipped: float
    stuck: float
    broken: float
    broadband_db: float
    over_db: float
    chatter_db: float
    rise_db_per_s: float
    beat: float
    crackle_db: float
    upper_db: float
    lower_db: float
    hum_hz: float
    deaf: bool
    heard: bool
    turn: Turn | None
    lines: NDArray[np.float32] | None
    n: int
    between: Between
    tones: Tones
    levels: NDArray[np.float32]

    def probability_between(self, low_hz: float, high_hz: float) -> float:
        """Posterior probability that the spindle turns at a speed between the two."""
        return self.between.probability(self.n, low_hz, high_hz)

    def evidence_between(self, low_hz: float, high_hz: float) -> float:
        """The most that the lines of this hop give for such a speed, nats against their absence."""
        return self.between.evidence(self.n, low_hz, high_hz)

    def beat_at(self, hz: float) -> float:
        """Power of the beat of the cut over that of noise, were the spindle to turn at this speed."""
        return self.between.beat(self.n, hz)
