"""What the core hands out: measured curves, events, and a row per peck.

Plain data, no behaviour. Times are seconds of signal, counted in samples from the start of the
recording or session: the newest sample that was used. The wall clock is added outside the core.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple


class Kind(StrEnum):
    """Kinds of event; the names are the public contract."""

    SAG = "sag"
    STALL = "stall"
    PACKING = "packing"
    MELTING = "melting"
    CHATTER = "chatter"
    LOOSENING = "loosening"
    LOST_CUT = "lost_cut"
    MIC_FAULT = "mic_fault"
    MASKED = "masked"
    BLANK_START = "blank_start"
    BLANK_END = "blank_end"
    PECK_START = "peck_start"
    PECK_END = "peck_end"
    SPOT_START = "spot_start"
    SPOT_END = "spot_end"
    SPINDLE_START = "spindle_start"
    SPINDLE_STOP = "spindle_stop"
    SCHEDULE = "schedule"
    HOLD_NOW = "hold_now"
    THRESHOLD = "threshold"
    NEW_DRILL = "new_drill"
    LOW_SPACE = "low_space"


SPINDLE_STOP_KINDS = frozenset({Kind.LOOSENING})
"""Kinds whose hold asks for the spindle to be stopped as well: a held feed leaves it turning, and what
has come loose with it."""


class Severity(StrEnum):
    """How much an event matters; the names are the public contract."""

    INFO = "info"
    WARNING = "warning"
    HOLD = "hold"


class TraceRow(NamedTuple):
    """One instant of the measured curves; NaN where a value is not known.

    Fields are the columns of ``trace.csv`` in their order: seconds, rpm, 0..1, per cent, dBFS, dB, dB, dB per
    second.
    """

    t: float
    speed_rpm: float
    speed_confidence: float
    sag_pct: float
    level_db: float
    cut_level_db: float
    chatter_db: float
    rise_db_per_s: float
    cutting: bool


@dataclass(frozen=True, slots=True)
class Event:
    """Something happened, decided at ``t`` from samples up to ``t``.

    ``value`` and ``limit`` are in ``unit`` ("" where none applies); ``blank`` and ``peck`` count
    from 1, 0 where none is under way; ``depth_mm`` is NaN where not known; ``onset_s`` is when the
    cause began, NaN where not estimated.
    """

    t: float
    kind: Kind
    severity: Severity
    message: str
    value: float = float("nan")
    limit: float = float("nan")
    unit: str = ""
    blank: int = 0
    peck: int = 0
    depth_mm: float = float("nan")
    onset_s: float = float("nan")

    @property
    def stops_spindle(self) -> bool:
        """Whether it asks for the spindle-stop line too.

        A lost cut that is told by its knock, a level, may be a holding that has let go.
        """
        knocks = self.kind is Kind.LOST_CUT and self.unit == "dB"
        return self.severity is Severity.HOLD and (self.kind in SPINDLE_STOP_KINDS or knocks)


@dataclass(frozen=True, slots=True)
class PeckRow:
    """One peck; fields are the columns of ``pecks.csv`` in their order. NaN where not known."""

    blank: int
    peck: int
    start_s: float
    end_s: float
    depth_from_mm: float
    depth_to_mm: float
    mean_sag_pct: float
    max_sag_pct: float
    climb_depth_mm: float
    mean_cut_level_db: float
    flute_fill: float
    worst_event: str


@dataclass(slots=True)
class Heard:
    """What one call of ``Listener.feed`` found out, each list in time order.

    ``active`` are the kinds whose cause is still heard at the end of this call.
    """

    trace: list[TraceRow] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    pecks: list[PeckRow] = field(default_factory=list)
    active: frozenset[Kind] = frozenset()
