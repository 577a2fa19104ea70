"""Hand-made measurements for the rules: a good machine running free, but for what a test changes."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.hop import HEARD, Hop
from monitor.signal.level import LOST_SHARE
from monitor.signal.tones import tones_of
from monitor.spindle import Rotation, SpindleState
from monitor.work import Work

STEP_S = 0.05
SPINDLE_HZ = 15.0
_ONES = np.ones((1, 1002), np.float32)
(NOISE_ONLY,) = tones_of(_ONES, 1e-9 * _ONES, 1e9 * _ONES)


def hop(t: float = 0.0, **changes: Any) -> Hop:
    """A spindle at 900 rpm, heard surely, nothing cut."""
    values: dict[str, Any] = {
        "t": t,
        "step_s": STEP_S,
        "spindle_hz": SPINDLE_HZ,
        "sd_hz": 0.002,
        "rate_hz_s": 0.0,
        "confidence": 0.99,
        "running": 0.999,
        "audible": 20.0,
        "support": 1.0,
        "line_db": 0.0,
        "level_db": wavering(-35.0, t),
        "clipped": 0.0,
        "stuck": 0.0,
        "broken": 0.0,
        "broadband_db": -90.0,
        "over_db": 0.0,
        "chatter_db": 0.0,
        "rise_db_per_s": 0.0,
        "beat": 1.0,
        "crackle_db": 0.3,
        "turn": None,
        "lines": None,
        "upper_db": -90.0,
        "lower_db": -90.0,
        "hum_hz": math.nan,
        "tones": NOISE_ONLY,
        "levels": np.zeros(24, np.float32),
    }
    values |= changes
    values["deaf"] = max(values["stuck"], values["broken"]) >= LOST_SHARE
    values["heard"] = values["spindle_hz"] == values["spindle_hz"] and values["confidence"] >= HEARD
    probability = partial(_between, values["confidence"], values["spindle_hz"], values["sd_hz"])
    evidence = partial(_evidence, values["audible"], values["spindle_hz"])
    between = _Said(
        values.pop("probability_between", probability),
        values.pop("evidence_between", evidence),
        values.pop("beat_at", lambda _hz: 1.0),
    )
    return Hop(n=0, between=between, **values)


class _Said:
    """What one hop says of speeds between two bounds, in place of `monitor.signal.speed.Between`."""

    short = False  # its frames are not cut in half

    def __init__(
        self,
        probability: Callable[[float, float], float],
        evidence: Callable[[float, float], float],
        beat: Callable[[float], float],
    ) -> None:
        self._probability, self._evidence, self._beat = probability, evidence, beat

    def probability(self, _n: int, low_hz: float, high_hz: float) -> float:
        return self._probability(low_hz, high_hz)

    def evidence(self, _n: int, low_hz: float, high_hz: float) -> float:
        return self._evidence(low_hz, high_hz)

    def beat(self, _n: int, hz: float) -> float:
        return self._beat(hz)

    def scores(self, _n: int) -> NDArray[np.float32]:
        return np.zeros(1, np.float32)  # nothing said of any speed

    def states(self, hz: NDArray[np.float64]) -> NDArray[np.intp]:
        return np.zeros(hz.shape, np.intp)


def _evidence(audible: float, spindle_hz: float, low_hz: float, high_hz: float) -> float:
    """What lines give where the spindle is, as in cuts of machines drawn, and where it is not."""
    return 2.2 * audible if low_hz <= spindle_hz < high_hz else 1.0 - 0.35 * audible


def _between(confidence: float, spindle_hz: float, sd_hz: float, low_hz: float, high_hz: float) -> float:
    """A normal distribution about the speed heard."""
    if math.isnan(spindle_hz):
        return 0.0
    speed = NormalDist(spindle_hz, sd_hz)
    return confidence * (speed.cdf(high_hz) - speed.cdf(low_hz))


def wavering(level_db: float, t: float) -> float:
    """A level at ``t``, a little louder in every other hop: so does all sound of a room."""
    return level_db + 0.1 * (round(t / STEP_S) % 2)


def silent(t: float = 0.0, **changes: Any) -> Hop:
    """The lines are gone and would be heard: a spindle at rest."""
    gone = {"spindle_hz": math.nan, "sd_hz": math.nan, "rate_hz_s": math.nan, "confidence": 0.0}
    return hop(t, **(gone | {"running": 0.0, "support": 0.0} | changes))


def masked(t: float = 0.0, **changes: Any) -> Hop:
    """The lines are not heard and could not be: other sound drowns them."""
    return silent(t, **({"audible": 0.0, "over_db": 40.0} | changes))


def rotation(**changes: object) -> Rotation:
    """A settled spindle turning free at its reference."""
    values: dict[str, object] = {
        "state": SpindleState.TURNING,
        "reference_hz": SPINDLE_HZ,
        "sag": 0.0,
        "sag_sd": 0.0002,
        "elsewhere": False,
        "settled": True,
        "at_speed": True,
        "leaving": False,
        "started": False,
        "vanished": False,
        "changed": False,
    }
    return Rotation(**(values | changes))  # type: ignore[arg-type]


def work(**changes: Any) -> Work:
    """Nothing is worked on."""
    values = {"working": False, "loaded": False, "loud": False, "onset_s": 0.75, "contact_s": 0.5}
    values |= {"sure": False, "idle_db": 0.0, "cutting": changes.get("working", False), "cut_s": 0.5}
    values |= {"in_cut": changes.get("working", False), "end_s": -math.inf, "spotting": False}
    values |= {"strength": 0.0, "cut_sag": math.nan, "depth_mm": 0.0, "background_db": 0.0}
    values |= {"drowned": False, "alone_db": changes.get("idle_db", 0.0)}
    return Work(**(values | changes))


def times(seconds: float, begin: float = 0.0) -> list[float]:
    """Times of the hops that end within (begin, begin + seconds]."""
    return [begin + STEP_S * (k + 1) for k in range(round(seconds / STEP_S))]
