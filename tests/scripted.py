"""A listener that tells what it was told to tell, stamped by sample count like the real one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.measurements import Event, Heard, Kind, PeckRow, Severity, TraceRow

HOP_S = 0.05
NAN = float("nan")


def row(t: float) -> TraceRow:
    """A plausible trace row."""
    return TraceRow(t, 896.31 - t % 3, 0.97, 0.4 + t % 3 / 10, -31.2, 8.75, 2.5, -0.125, True)


def event(t: float, kind: Kind = Kind.SAG, severity: Severity = Severity.HOLD) -> Event:
    """A plausible event."""
    return Event(
        t,
        kind,
        severity,
        f"Something at {t:.2f} s: “Späne” fill the flutes.",
        8.7,
        8.0,
        "%",
        1,
        2,
        31.5,
        t - 0.2,
    )


def peck(end_s: float, number: int = 1) -> PeckRow:
    """A plausible peck without a climb."""
    return PeckRow(1, number, end_s - 2.0, end_s, 0.0, 20.0, 1.5, 3.25, NAN, 9.5, 0.42, "")


@dataclass
class ScriptedListener:
    """One row a hop, and each scripted event or peck with the first samples that reach its time.

    A kind in ``lasting`` stays active from its event on.
    """

    fs: float
    events: Sequence[Event] = ()
    pecks: Sequence[PeckRow] = ()
    lasting: frozenset[Kind] = frozenset()
    blocks: list[int] = field(default_factory=list)
    finished: bool = False
    forgot: int = 0
    sag_limits_pct: tuple[float, float] = (4.0, 8.0)

    def set_sag_limits(self, warning_pct: float, hold_pct: float) -> None:
        self.sag_limits_pct = (warning_pct, hold_pct)

    def forget_told(self) -> None:
        self.forgot += 1

    def feed(self, x: NDArray[np.floating]) -> Heard:
        before = sum(self.blocks)
        self.blocks.append(len(x))
        now = before + len(x)

        def reached(t: float) -> bool:
            return before < round(t * self.fs) <= now

        hop = round(HOP_S * self.fs)
        return Heard(
            trace=[row(n / self.fs) for n in range(hop * (before // hop + 1), now + 1, hop)],
            events=[e for e in self.events if reached(e.t)],
            pecks=[p for p in self.pecks if reached(p.end_s)],
            active=frozenset(e.kind for e in self.events if round(e.t * self.fs) <= now) & self.lasting,
        )

    def finish(self) -> Heard:
        self.finished = True
        return Heard()


@dataclass
class CountingLine:
    """A hold line that remembers what was done to it."""

    closed: bool = True
    acts: list[str] = field(default_factory=list)

    def open(self) -> None:
        self.closed = False
        self.acts.append("open")

    def close(self) -> None:
        self.closed = True
        self.acts.append("close")
