"""From findings, hop by hop, to events: once a cause, again only after it was gone for a while."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from monitor.measurements import Event, Kind, Severity

NORMAL_FOR_S = 5.0
"""A cause counts as gone after this long without a finding; then it may raise an event again."""

STILL_S = 0.5
"""A cause found within this long is still there: long enough to bridge a masked hop."""

RANK = {Severity.INFO: 0, Severity.WARNING: 1, Severity.HOLD: 2}
"""How much worse one severity is than another."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What a fault found in the present hop; see `monitor.measurements.Event` for the fields."""

    kind: Kind
    severity: Severity
    message: str
    value: float = float("nan")
    limit: float = float("nan")
    unit: str = ""
    onset_s: float = float("nan")


class Place(NamedTuple):
    """Where in the batch a finding falls."""

    blank: int = 0
    peck: int = 0
    depth_mm: float = float("nan")


class Located(Protocol):
    """Whoever knows where the drill is; asked only when an event is made."""

    @property
    def place(self) -> Place:
        """Where in the batch the drill is now."""
        ...


@dataclass(slots=True)
class Episode:
    """One cause while it lasts: an event at its start and at each rise of its severity."""

    worst: int = -1
    last_found_s: float = field(default=float("-inf"))

    def step(self, t: float, found: Finding | None, where: Located) -> Event | None:
        """Take the finding of one hop, give the event it makes, if any."""
        if found is None:
            if t - self.last_found_s >= NORMAL_FOR_S:
                self.worst = -1
            return None
        self.last_found_s = t
        rank = RANK[found.severity]
        if rank <= self.worst:
            return None
        self.worst = rank
        place = where.place
        return Event(
            t=t,
            kind=found.kind,
            severity=found.severity,
            message=found.message,
            value=found.value,
            limit=found.limit,
            unit=found.unit,
            blank=place.blank,
            peck=place.peck,
            depth_mm=place.depth_mm,
            onset_s=found.onset_s,
        )

    @property
    def lasting(self) -> bool:
        """Whether the cause lasts, or is not gone for long enough yet."""
        return self.worst >= 0

    @property
    def held(self) -> bool:
        """Whether it has raised a hold, and lasts or is not gone for long enough yet."""
        return self.worst >= RANK[Severity.HOLD]

    def active(self, t: float) -> bool:
        """Whether the cause is still there at ``t``, in seconds of signal."""
        return t - self.last_found_s <= STILL_S
