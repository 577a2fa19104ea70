"""The truth of a synthetic recording: what really happened, and when."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

TRUTH_HZ = 50

NOTE = "SYNTHETIC: computed by a model of a lathe, a room and a microphone. No real machine was recorded."


@dataclass(frozen=True)
class PeckTruth:
    """One peck: from contact to the start of the retract."""

    blank: int
    peck: int
    contact_s: float
    retract_s: float
    depth_from_mm: float
    depth_to_mm: float
    max_sag_pct: float
    max_torque_nm: float
    flute_fill: float


@dataclass(frozen=True)
class SpanTruth:
    """A blank (spindle start to stop), a spot (contact to retract) or a background sound."""

    what: str
    number: int
    start_s: float
    end_s: float


@dataclass(frozen=True)
class FaultTruth:
    """One fault: its onset, when it was over, and the moments by which a detector is judged.

    ``facts`` may hold sag_4_s and sag_8_s (the true sag crosses 4 % and 8 %), double_s (the knock passes
    twice its normal amplitude), over_12_db_s (a chatter tone stands 12 dB over the noise in 20 Hz around it),
    and the fault's own parameters.
    """

    kind: str
    onset_s: float
    end_s: float
    blank: int
    peck: int
    facts: dict[str, float | str]


@dataclass
class Truth:
    """What really happened. Curves are at TRUTH_HZ from t = 0.

    ``sag_pct`` is against the speed that the same machine would have free-running at that moment; NaN while
    the spindle is at rest or on its way to a commanded speed.
    """

    name: str
    seed: int
    fs: int
    seconds: float = 0.0
    line_snr_db: float = float("nan")
    cut_db: float = float("nan")
    orders: list[float] = field(default_factory=list)
    pecks: list[PeckTruth] = field(default_factory=list)
    blanks: list[SpanTruth] = field(default_factory=list)
    spots: list[SpanTruth] = field(default_factory=list)
    backgrounds: list[SpanTruth] = field(default_factory=list)
    faults: list[FaultTruth] = field(default_factory=list)
    curves: dict[str, list[NDArray[np.float32]]] = field(default_factory=dict)

    def curve(self, name: str) -> NDArray[np.float32]:
        """Return ``rpm``, ``commanded_rpm``, ``sag_pct``, ``torque_nm`` or ``tip_mm``."""
        parts = self.curves.get(name, [])
        return np.concatenate(parts) if parts else np.zeros(0, np.float32)

    def times(self) -> NDArray[np.float64]:
        """Return the times of the curves, s."""
        return np.arange(self.curve("rpm").size) / TRUTH_HZ

    def rpm_at(self, t: float | NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the true speed at ``t`` seconds."""
        return np.asarray(np.interp(t, self.times(), self.curve("rpm")))

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON, curves rounded; NaN becomes null."""
        digits = {"rpm": 3, "commanded_rpm": 1, "sag_pct": 3, "torque_nm": 4, "tip_mm": 3}
        curves = {name: _rounded(self.curve(name), digits.get(name, 4)) for name in self.curves}
        return {
            "note": NOTE,
            "name": self.name,
            "seed": self.seed,
            "fs": self.fs,
            "seconds": self.seconds,
            "line_snr_db": round(self.line_snr_db, 2),
            "cut_db": round(self.cut_db, 2),
            "orders": [round(order, 5) for order in self.orders],
            "pecks": [_plain(peck) for peck in self.pecks],
            "blanks": [_plain(span) for span in self.blanks],
            "spots": [_plain(span) for span in self.spots],
            "backgrounds": [_plain(span) for span in self.backgrounds],
            "faults": [_plain(fault) for fault in self.faults],
            "curves_hz": TRUTH_HZ,
            "curves": curves,
        }

    def to_json(self) -> str:
        """Return the truth as JSON text."""
        return json.dumps(self.to_dict(), allow_nan=False) + "\n"


def _plain(item: PeckTruth | SpanTruth | FaultTruth) -> dict[str, Any]:
    return {key: _plain_value(value) for key, value in asdict(item).items()}


def _plain_value(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain_value(item) for key, item in value.items()}
    if isinstance(value, float):
        return round(float(value), 4) if np.isfinite(value) else None
    return value


def _rounded(values: NDArray[np.float32], digits: int) -> list[float | None]:
    return [round(float(v), digits) if np.isfinite(v) else None for v in values]
