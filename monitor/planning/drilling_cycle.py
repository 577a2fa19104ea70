"""The moves of one hole, and how long they take. Depths in mm below the face, negative above it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import sqrt


class MoveKind(StrEnum):
    """What the axis does."""

    RAPID = "rapid"
    FEED = "feed"
    DWELL = "dwell"


@dataclass(frozen=True)
class Move:
    """One move: the peck it belongs to, counted from 1, and the depths it goes from and to."""

    kind: MoveKind
    peck: int
    from_mm: float
    to_mm: float


@dataclass(frozen=True)
class Planes:
    """Heights in mm: ``clearance_mm`` above the face, where the hole begins and ends; ``retract_mm`` above
    the face, to which each peck is withdrawn; ``approach_mm`` above the last depth, where the rapid in ends.
    """

    clearance_mm: float
    retract_mm: float
    approach_mm: float


@dataclass(frozen=True)
class AxisRates:
    """Feed and rapid in mm/min, acceleration in mm/s^2 (None: taken for instant), dwell of a peck in s."""

    feed_mm_min: float
    rapid_mm_min: float
    acceleration_mm_s2: float | None = None
    dwell_s: float = 0.0


def hole_moves(pecks_mm: Sequence[float], planes: Planes, dwell: bool = False) -> list[Move]:
    """Return the moves of one hole, drawing the drill out after each peck.

    From the clearance plane by rapid to the retract plane; each peck is fed, waits if ``dwell``, and is drawn
    out to the retract plane; back by rapid to ``approach_mm`` above the last depth; at the end out to the
    clearance plane. The approach is fed again with each peck.

    Examples
    --------
    >>> [f"{m.kind} {m.to_mm:g}" for m in hole_moves([10.0, 5.0], Planes(20.0, 2.0, 0.5))]
    ['rapid -2', 'feed 10', 'rapid -2', 'rapid 9.5', 'feed 15', 'rapid -20']
    """
    targets: list[tuple[MoveKind, int, float]] = []
    depth = 0.0
    for peck, length in enumerate(pecks_mm, start=1):
        start = -planes.retract_mm
        if peck > 1:
            start = max(depth - planes.approach_mm, start)
        depth += length
        out = planes.clearance_mm if peck == len(pecks_mm) else planes.retract_mm
        targets += [(MoveKind.RAPID, peck, start), (MoveKind.FEED, peck, depth)]
        targets += [(MoveKind.DWELL, peck, depth)] if dwell else []
        targets += [(MoveKind.RAPID, peck, -out)]
    starts = [-planes.clearance_mm, *(to for _, _, to in targets)]
    moves = [Move(kind, peck, at, to) for at, (kind, peck, to) in zip(starts, targets, strict=False)]
    return [move for move in moves if move.to_mm != move.from_mm or move.kind is MoveKind.DWELL]


def move_s(move: Move, rates: AxisRates) -> float:
    """Return the time of a move in s.

    Rapids follow the trapezium of speed that an acceleration gives, from rest to rest: s/v + v/a where the
    full rate is reached, else 2 sqrt(s/a). Feeds are slow enough to take the rate as given.

    Examples
    --------
    >>> rates = AxisRates(60.0, 1500.0, acceleration_mm_s2=250.0)
    >>> move_s(Move(MoveKind.RAPID, 1, 0.0, 25.0), rates), move_s(Move(MoveKind.RAPID, 1, 0.0, 1.0), rates)
    (1.1, 0.12649110640673517)
    """
    distance = abs(move.to_mm - move.from_mm)
    if move.kind is MoveKind.DWELL:
        return rates.dwell_s
    if move.kind is MoveKind.FEED:
        return distance / (rates.feed_mm_min / 60.0)
    v, a = rates.rapid_mm_min / 60.0, rates.acceleration_mm_s2
    if a is None:
        return distance / v
    return distance / v + v / a if distance >= v * v / a else 2.0 * sqrt(distance / a)
