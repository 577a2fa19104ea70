"""Scripted work: what a listener would hand out, from a formula: drives the page alone."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from monitor.job import Job
from monitor.measurements import Event, Heard, Kind, Severity, TraceRow

HOP_S = 0.05
PECK_S = 3.0  # 2 s in the material, 1 s out of it


def rows(job: Job, t_from: float, t_to: float, bind_at: float = np.inf) -> Iterator[TraceRow]:
    """Trace rows of a job whose load rises in each peck, and runs away from ``bind_at`` on."""
    rng = np.random.default_rng(round(t_from / HOP_S))
    for i in range(round(t_from / HOP_S), round(t_to / HOP_S)):
        t = i * HOP_S
        in_peck = t % PECK_S
        cutting = in_peck > 1.0 and t > 2
        sag = (0.6 + 0.9 * (in_peck - 1.0) if cutting else 0.0) + rng.normal(0, 0.12)
        if t > bind_at:
            sag += 9.0 * (t - bind_at)
        sag = min(sag, 60.0)
        yield TraceRow(
            t=t,
            speed_rpm=job.spindle_rpm * (1 - sag / 100),
            speed_confidence=0.95,
            sag_pct=sag,
            level_db=-31.0 + (9.0 if cutting else 0.0),
            cut_level_db=14.0 if cutting else 0.4,
            chatter_db=3.0,
            rise_db_per_s=0.0,
            cutting=cutting,
        )


def heard(job: Job, t_from: float, t_to: float, *events: Event, bind_at: float = np.inf) -> Heard:
    """One block's worth of the above."""
    return Heard(trace=list(rows(job, t_from, t_to, bind_at)), events=list(events))


def warning(t: float, blank: int = 2, peck: int = 3) -> Event:
    """A sag warning."""
    message = "The spindle slows under load: 4.6 % below its free speed (warning at 4 %)."
    return Event(t, Kind.SAG, Severity.WARNING, message, 4.6, 4.0, "%", blank, peck, 33.5)


def hold(t: float, blank: int = 2, peck: int = 3) -> Event:
    """A sag hold."""
    message = "The drill is binding: the spindle is 8.7 % below its free speed (hold at 8 %)."
    return Event(t, Kind.SAG, Severity.HOLD, message, 8.7, 8.0, "%", blank, peck, 34.1)


def info(t: float, kind: Kind, message: str, blank: int = 0, peck: int = 0) -> Event:
    """A line in the diary."""
    return Event(t, kind, Severity.INFO, message, blank=blank, peck=peck)
