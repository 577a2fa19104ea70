"""Whether the drill is in the material: broadband sound over the idle machine, helped by load."""

from __future__ import annotations

from dataclasses import dataclass

ON_DB_LEAST, ON_DB_MOST = 2.5, 8.0
"""Rise over idle that means cutting, before the first cut was heard: 2.5 dB is most of a doubling of
broadband power and five deviations of the band-averaged floor; louder cuts raise the threshold to half their own rise."""

_IDLE_S, _CUT_S = 2.0, 2.0  # time constants of the learned levels
_LOAD_FULL = 0.01  # a sag of 1 % counts as half the evidence: more than wander, less than any alarm
_OFF = 0.6  # hysteresis: off below this share of the threshold
_STUCK_S = 40.0  # louder than idle for so long without a pause is a new background, not one cut
_TOO_LOUD_DB = 15.0  # over the learned cut: something else is louder than the drill; judge nothing


@dataclass(slots=True)
class CuttingDetector:
    """Streaming decision with hysteresis; one `step` a hop.

    Idle and cutting levels are learned as the batch goes, so a machine, a material or a microphone
    needs no setting. ``idle_db`` and ``cut_db`` are means of the broadband level over the baseline.
    """

    idle_db: float = 0.0
    idle_spread_db: float = 0.5
    cut_db: float = float("nan")
    cutting: bool = False
    _above: int = 0
    _below: int = 0
    _since_s: float = float("-inf")

    @property
    def threshold_db(self) -> float:
        """Rise over the idle level that counts as cutting."""
        learned = 0.5 * (self.cut_db - self.idle_db) if self.cut_db == self.cut_db else 0.0
        return min(max(learned, ON_DB_LEAST, 4 * self.idle_spread_db), ON_DB_MOST)

    def step(self, t: float, step_s: float, over_db: float, sag: float, turning: bool) -> bool:
        """Take one hop: broadband level (dB over baseline), sag (fraction or NaN), spindle turning or not."""
        if not turning:
            # Without rotation nothing is cut; the level of a stopped machine says nothing of idling.
            self.cutting, self._above, self._below = False, 0, 0
            return False
        rise = over_db - self.idle_db
        if self.cut_db == self.cut_db and over_db > self.cut_db + _TOO_LOUD_DB:
            return self.cutting
        score = rise / self.threshold_db
        if sag == sag and rise > self.idle_spread_db:
            score += min(max(sag / _LOAD_FULL, 0.0), 1.0) * 0.5
        self._above = self._above + 1 if score >= 1 else 0
        self._below = self._below + 1 if score < _OFF else 0
        if not self.cutting and (self._above >= 2 or score > 1.7):
            self.cutting, self._since_s = True, t
        elif self.cutting and self._below >= 2:
            self.cutting = False
        self._learn(t, step_s, over_db)
        return self.cutting

    def _learn(self, t: float, step_s: float, over_db: float) -> None:
        if self.cutting and t - self._since_s > _STUCK_S:
            self.idle_db, self.cut_db, self.cutting = over_db, float("nan"), False
        elif self.cutting and t - self._since_s > 0.15:
            share = step_s / _CUT_S
            self.cut_db = over_db if self.cut_db != self.cut_db else self.cut_db + share * (over_db - self.cut_db)
        elif not self.cutting and not self._above:
            share = step_s / _IDLE_S
            error = over_db - self.idle_db
            self.idle_db += share * error
            self.idle_spread_db += share * (min(abs(error) * 1.25, 3.0) - self.idle_spread_db)
            self.idle_spread_db = max(self.idle_spread_db, 0.2)
