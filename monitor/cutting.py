"""Whether the drill is in the material: broadband sound over the idle machine, helped by load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.baseline import Baseline
from monitor.hop import Hop
from monitor.spindle import Rotation, SpindleState

ON_DB_LEAST, ON_DB_MOST = 2.5, 8.0
"""Rise over idle that means cutting. At least 2.5 dB: most of a doubling of broadband power, and five
deviations of the band-averaged floor. Louder cuts raise it to half their own rise, 8 dB at most."""

_IDLE_S, _CUT_S = 2.0, 2.0  # time constants of the learned levels
_IDLE_FAST_S = 0.3  # while it is known that nothing cuts: within _SETTLE_S it is mostly learned
_QUIETER_DB = 6.0  # the idle machine may be so much quieter than learned: see _learn_idle
_SETTLE_S = 0.4  # after the spindle is at speed; every program takes longer to bring the drill
_LOAD_FULL = 0.01  # a sag of 1 % counts as half the evidence: more than wander, less than any alarm
_OFF = 0.6  # hysteresis: off below this share of the threshold
_EDGE = 0.35  # onset is dated where the level leaves this share; the end where it falls under the threshold,
# since the room rings on
_STUCK_S = 3.0  # longer than three of the job's longest pecks and this is a new background, no cut
_TOO_LOUD_DB = 15.0  # over the learned cut: something else is louder than the drill; judge nothing
CRASH_DB = 12.0
"""Rise that is contact even while the speed changes: lines that sweep through the floor raise it by half."""

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


@dataclass(slots=True)
class CuttingDetector:
    """Streaming decision with hysteresis; one `step` a hop.

    Idle and cutting levels are learned as the batch goes, so a machine, a material or a microphone
    needs no setting. ``idle_db`` and ``cut_db`` are means of the broadband level over the baseline;
    ``background_db`` is the broadband level (dB per Hz) while the spindle stands, -inf before it was heard;
    ``strength`` is the present rise over idle in units of the threshold; ``onset_s`` and ``end_s`` date
    the newest cut's beginning and end, ``since_s`` when it was decided; ``longest_s`` is the time of the
    job's longest peck.
    """

    longest_s: float = 0.0
    idle_db: float = 0.0
    idle_spread_db: float = 0.5
    cut_db: float = float("nan")
    cutting: bool = False
    strength: float = 0.0
    onset_s: float = float("nan")
    end_s: float = float("nan")
    since_s: float = float("nan")
    background_db: float = float("-inf")
    _above: int = 0
    _below: int = 0
    _low_s: float = 0.0
    _high_s: float = 0.0
    _settling_s: float = 0.0

    @property
    def threshold_db(self) -> float:
        """Rise over the idle level that counts as cutting."""
        learned = 0.5 * (self.cut_db - self.idle_db) if self.cut_db == self.cut_db else 0.0
        return min(max(learned, ON_DB_LEAST, 4 * self.idle_spread_db), ON_DB_MOST)

    def step(self, hop: Hop, rotation: Rotation) -> bool:
        """Take one hop, and say whether the drill cuts."""
        settled = rotation.settled
        now = hop.t - _FRAME_LAG_S
        if rotation.state not in (SpindleState.TURNING, SpindleState.MASKED):
            self._stand(now, hop)
            return False
        too_loud = self.cut_db == self.cut_db and hop.over_db > self.cut_db + _TOO_LOUD_DB
        if hop.deaf or too_loud:
            return self.cutting
        rise = hop.over_db - self.idle_db
        self.strength = rise / self.threshold_db
        score = self.strength
        if rotation.sag == rotation.sag and rise > self.idle_spread_db and settled:
            score += min(max(rotation.sag / _LOAD_FULL, 0.0), 1.0) * 0.5
        if score < _EDGE:
            self._low_s = now
        if score >= 1:
            self._high_s = now
        self._above = self._above + 1 if score >= 1 else 0
        self._below = self._below + 1 if score < _OFF else 0
        if settled and self._settling_s < _SETTLE_S and not self.cutting:
            self._settle(hop)
            return False
        # No program cuts before the spindle is at speed; but a drill that crashes is loud at once.
        begins = (self._above >= 2 or score > 1.7) if settled else rise > CRASH_DB
        if not self.cutting and begins:
            self.cutting, self.onset_s, self.since_s = True, max(self._low_s, now - 1.0), hop.t
        elif self.cutting and self._below >= 2:
            self.cutting, self.end_s = False, min(self._high_s, now)
        if rotation.at_speed or self.cutting:
            self._learn(now, hop)
        return self.cutting

    def out(self, t: float) -> None:
        """The drill is known to be out, because the spindle was sent to another speed."""
        if self.cutting:
            self.end_s = min(self._high_s, t)
        self.cutting, self._above, self._below, self._low_s = False, 0, 0, t

    def _stand(self, now: float, hop: Hop) -> None:
        """Without rotation nothing is cut; the level of a stopped machine says nothing of idling."""
        if self.cutting:
            self.end_s = now
        self.cutting, self._above, self._below, self._low_s, self.strength = False, 0, 0, now, 0.0
        self._settling_s = 0.0
        if not hop.deaf:
            self._learn_background(hop)

    def _settle(self, hop: Hop) -> None:
        """Nothing cuts before the axis has moved: this is the idle level."""
        if self._settling_s == 0.0:
            machine_db = hop.broadband_db - hop.over_db
            self.idle_db = max(min(hop.line_db, 0.0), self.background_db - machine_db)
        self._settling_s += hop.step_s
        self._learn_idle(hop, _IDLE_FAST_S)

    def _learn(self, now: float, hop: Hop) -> None:
        if self.cutting and now - self.onset_s > 3 * self.longest_s + _STUCK_S:
            self.idle_db, self.cut_db, self.cutting, self.end_s = hop.over_db, float("nan"), False, now
        elif self.cutting and now - self.onset_s > 0.3:
            share = hop.step_s / _CUT_S if self.cut_db == self.cut_db else 1.0
            self.cut_db = hop.over_db if share == 1.0 else self.cut_db + share * (hop.over_db - self.cut_db)
        elif not self.cutting and not self._above:
            # What is under the idle level corrects it at once: it was taken too high.
            self._learn_idle(hop, _IDLE_S if hop.over_db > self.idle_db else _IDLE_FAST_S)

    def _learn_idle(self, hop: Hop, seconds: float) -> None:
        error = hop.over_db - self.idle_db
        self.idle_db += hop.step_s / seconds * error
        # A machine that turns makes its own noise at least. Only the microphone's gain lowers it, and that
        # lowers the lines too.
        self.idle_db = max(self.idle_db, min(hop.line_db, 0.0) - _QUIETER_DB)
        spread = min(abs(error) * 1.25, 3.0)
        self.idle_spread_db += hop.step_s / _IDLE_S * (spread - self.idle_spread_db)
        self.idle_spread_db = max(self.idle_spread_db, 0.2)

    def _learn_background(self, hop: Hop) -> None:
        """What is heard while the spindle stands: a vacuum cleaner that runs all day is no cut."""
        if self.background_db == float("-inf"):
            self.background_db = hop.broadband_db
        self.background_db += hop.step_s / _IDLE_S * (hop.broadband_db - self.background_db)
