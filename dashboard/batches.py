"""What a page sees of past batches: the list, one batch with every blank and peck, its drill's wear.

GET  /api/batches                       every batch
GET  /api/batches/N                     one batch: pecks, events, what people did
GET  /api/batches/N/wear                how its drill wore
GET  /api/batches/N/curve               its sag from beginning to end, the worst of each piece
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from typing import Annotated, Any

import numpy as np
from fastapi import FastAPI, Query
from pydantic import BaseModel

from dashboard.moments import EventOut, event_out
from dashboard.past_batch import NOT_FOUND, NOT_READ, Number, found_batch, job_of
from monitor.evidence.archive import Archive, Batch, PastEvent
from monitor.evidence.store import PECK_COLUMNS, finite
from monitor.measurements import PeckRow, Severity, TraceRow
from monitor.quantities import Units

MOST_POINTS = 2000
SHARPEN_AT = 0.5  # the load is half as much again: as `pecks` has it by default


class JobOut(BaseModel):
    """What was drilled, from the job file as it stood."""

    name: str
    blanks: int
    material: str
    spindle_rpm: float
    drill_diameter_mm: float
    flute_length_mm: float
    feed_mm_per_rev: float
    depth_mm: float
    pecks_mm: list[float]
    sag_warning_pct: float
    sag_hold_pct: float
    units: Units


class BatchOut(BaseModel):
    """One batch in a list; times in UTC, ISO 8601. ``continues``: the batch it goes on with, or 0."""

    number: int
    started: str
    source: str
    state: str
    duration_s: float | None
    note: str
    continues: int
    blanks: int
    pecks: int
    holds: int
    warnings: int
    job: JobOut | None


class Batches(BaseModel):
    """Every batch, the newest first; ``running``: the one that this page shows live, 0 for none."""

    batches: list[BatchOut]
    running: int


class PeckOut(BaseModel):
    """One peck; what is not known is null."""

    blank: int
    peck: int
    start_s: float
    end_s: float
    depth_from_mm: float
    depth_to_mm: float
    mean_sag_pct: float | None
    max_sag_pct: float | None
    climb_depth_mm: float | None
    mean_cut_level_db: float | None
    flute_fill: float | None
    worst_event: str


class ActOut(BaseModel):
    """What a person did, ``t`` seconds into the batch."""

    t: float
    at: str
    act: str
    by: str


class WearOut(BaseModel):
    """The load of like pecks in each blank over that of a new drill's first one; see `monitor.tuning.wear`.

    ``new_drill``: the blank with which the newest drill began, null where none was told of; ``trend``: null
    before that, empty where too few blanks were drilled;
    ``rise``, ``low``, ``high``: how much the load rose over all the blanks by the trend, with its 90 %
    interval, null where too few blanks were drilled; ``called``: whether that is sure enough to be told as
    wear; ``left``: blanks until the load is half as much again, null where that may never be; ``needed``:
    blanks from which on a trend is told.
    """

    blanks: list[int]
    load: list[float]
    trend: list[float | None]
    new_drill: int | None
    rise: float | None
    low: float | None
    high: float | None
    called: bool
    left: float | None
    needed: int


class BatchDetail(BatchOut):
    """One batch with everything but its curves; ``report`` whether one can be had."""

    rows: list[PeckOut]
    events: list[EventOut]
    acts: list[ActOut]
    report: bool


class Curve(BaseModel):
    """Sag over a whole batch, per cent: the most in each piece of time, null where it is not known."""

    t: list[float]
    sag_pct: list[float | None]


def add_batches(app: FastAPI, archive: Archive, running: int, reports: bool) -> None:
    """Add the requests for batches."""

    @app.get("/api/batches", responses=NOT_READ)
    def batches() -> Batches:
        return Batches(batches=[BatchOut(**_batch(one)) for one in archive.batches()], running=running)

    @app.get("/api/batches/{number}", responses=NOT_FOUND)
    def batch(number: Number) -> BatchDetail:
        return BatchDetail(
            **_batch(found_batch(archive, number)),
            rows=[_peck(row) for row in archive.pecks(number)],
            events=[event_out(one) for one in archive.events(number)],
            acts=[ActOut(t=act.t, at=act.at, act=act.act, by=act.by) for act in archive.acts(number)],
            report=reports,
        )

    @app.get("/api/batches/{number}/wear", responses=NOT_FOUND)
    def wear(number: Number) -> WearOut:
        found_batch(archive, number)
        told = archive.new_drills().get(number, ())
        return _wear(archive.pecks(number), archive.events(number), told)

    @app.get("/api/batches/{number}/curve", responses=NOT_FOUND)
    def curve(number: Number, points: Annotated[int, Query(ge=10, le=MOST_POINTS)] = 600) -> Curve:
        found_batch(archive, number)
        t, sag = _worst_of_each(archive.trace_pages(number), points)
        return Curve(t=t, sag_pct=sag)


def _batch(batch: Batch) -> dict[str, Any]:
    job = job_of(batch)
    return {
        "number": batch.number,
        "started": batch.started.isoformat().replace("+00:00", "Z"),
        "source": batch.source,
        "state": batch.state,
        "duration_s": finite(batch.duration_s),
        "note": batch.note,
        "continues": batch.continues,
        "blanks": batch.blanks,
        "pecks": batch.pecks,
        "holds": batch.holds,
        "warnings": batch.warnings,
        "job": None if job is None else JobOut(**job.model_dump(include=set(JobOut.model_fields))),
    }


def _peck(row: PeckRow) -> PeckOut:
    values = {name: getattr(row, name) for name in PECK_COLUMNS}
    return PeckOut(**{k: finite(v) if isinstance(v, float) else v for k, v in values.items()})


def _wear(pecks: Sequence[PeckRow], events: Sequence[PastEvent], new_drills: Sequence[float]) -> WearOut:
    # Loading scipy.stats takes a second and some memory: only where it is asked for.
    from monitor.tuning.wear import LEAST_BLANKS, blank_loads, drills_began, fit_trend

    held = frozenset(one.event.blank for one in events if one.event.severity is Severity.HOLD)
    loads = blank_loads(pecks, held)
    last = max((row.blank for row in pecks), default=0)
    began = max((blank for blank in drills_began(pecks, new_drills) if blank <= last), default=0)
    before = sum(blank < began for blank, _ in loads)
    logs = [load for _, load in loads[before:]]
    trend = fit_trend(logs, SHARPEN_AT)
    start = logs[0] if logs else loads[0][1] if loads else 0.0
    line: list[float | None] = []
    if trend is not None:
        start = statistics.median(load - trend.slope * i for i, load in enumerate(logs))
        line = [None] * before + [round(math.exp(trend.slope * i), 4) for i in range(len(logs))]
    return WearOut(
        blanks=[blank for blank, _ in loads],
        load=[round(math.exp(load - start), 4) for _, load in loads],
        trend=line,
        new_drill=began or None,
        rise=None if trend is None else round(trend.rise.value, 4),
        low=None if trend is None else round(trend.rise.low, 4),
        high=None if trend is None else round(trend.rise.high, 4),
        called=trend is not None and trend.called,
        left=None if trend is None or trend.left is None else finite(trend.left.value),
        needed=LEAST_BLANKS,
    )


def _worst_of_each(pages: Iterable[list[TraceRow]], points: int) -> tuple[list[float], list[float | None]]:
    """Sag over a batch in so many pieces of equal length: times of their ends, and the most in each."""
    t = np.zeros(0)
    sag = np.zeros(0)
    for rows in pages:
        t = np.append(t, [row.t for row in rows])
        sag = np.append(sag, [row.sag_pct for row in rows])
    if not t.size:
        return [], []
    edges = np.unique(np.linspace(0, t.size, min(points, t.size) + 1).astype(int))
    most = np.fmax.reduceat(sag, edges[:-1])  # passes over what is not known
    return np.round(t[edges[1:] - 1], 2).tolist(), [finite(round(float(value), 2)) for value in most]
