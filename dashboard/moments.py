"""A warning or a hold, looked at afterwards: what was measured around it, its sound, and what a person says.

GET  /api/events/N                      curves and spectrogram around it
GET  /api/events/N/clip.flac            its sound
POST /api/events/N/verdict              a person says whether it was real
"""

from __future__ import annotations

import base64
import math
from typing import Any, Literal

import numpy as np
import soundfile
from fastapi import FastAPI, HTTPException, Request, Response
from fastapi.responses import FileResponse
from pydantic import BaseModel, ConfigDict, Field

from dashboard.live import TRACE_FIELDS, pack_row
from dashboard.operating import Done, person, refused
from dashboard.past_batch import NOT_FOUND, Number, found_batch, job_of
from dashboard.spectrogram import MOST_LINES, N_ROWS, PER_DB, STEP_S, picture, top_order_of
from monitor.evidence.archive import MAX_NOTE, Archive, Clip, PastEvent
from monitor.evidence.store import finite
from monitor.job import Job
from monitor.measurements import Kind, Severity, TraceRow

AROUND_S = 5.0  # of curves around an event that has no clip
MOST_CLIP_S = 60.0  # a clip is half a minute at most; a longer file is not drawn


class VerdictOut(BaseModel):
    """What a person said of it."""

    verdict: Literal["real", "false", "unsure"]
    note: str
    by: str
    at: str


class EventOut(BaseModel):
    """One event; ``clip`` whether its sound was kept."""

    number: int
    batch: int
    t: float
    at: str
    kind: str
    severity: Severity
    message: str
    value: float | None
    limit: float | None
    unit: str
    blank: int
    peck: int
    depth_mm: float | None
    onset_t: float | None
    clip: bool
    verdict: VerdictOut | None


class PictureOut(BaseModel):
    """A spectrogram by orders: ``columns`` of ``rows`` bytes each (base64), ``per_db`` of them a decibel;
    ``lines``: orders that the machine had running free, to be marked."""

    start_s: float
    step_s: float
    rows: int
    per_db: float
    top_order: float
    lines: list[float]
    columns: str


class Moment(BaseModel):
    """An event with what was measured around it; ``limits``: sag that warned and held then."""

    event: EventOut
    start_s: float
    end_s: float
    limits: list[float]
    fields: list[str]
    rows: list[list[float | None]]
    picture: PictureOut | None


class Verdict(BaseModel):
    """A person's verdict on a warning or a hold."""

    model_config = ConfigDict(extra="forbid")
    verdict: Literal["real", "false", "unsure"]
    note: str = Field(default="", max_length=MAX_NOTE)


def add_moments(app: FastAPI, archive: Archive) -> None:
    """Add the requests for warnings and holds."""

    def found(number: int) -> PastEvent:
        event = archive.event(number)
        if event is None:
            raise HTTPException(404, "There is no event of that number.")
        return event

    @app.get("/api/events/{number}", responses=NOT_FOUND)
    def moment(number: Number) -> Moment:
        return _moment(archive, found(number))

    flac: dict[int | str, dict[str, Any]] = {200: {"content": {"audio/flac": {}}}}

    @app.get("/api/events/{number}/clip.flac", response_class=Response, responses=flac | NOT_FOUND)
    def clip(number: Number) -> Response:
        kept = archive.clip(found(number).clip)
        if kept is None:
            raise HTTPException(404, "No sound of it was kept.")
        return FileResponse(kept.path, media_type="audio/flac")

    @app.post("/api/events/{number}/verdict", responses=NOT_FOUND | refused(409, "no warning and no hold"))
    def verdict(number: Number, said: Verdict, request: Request) -> Done:
        if found(number).event.severity is Severity.INFO:
            raise HTTPException(409, "Only warnings and holds are judged.")
        archive.judge(number, said.verdict, person(request), said.note)
        return Done()


def event_out(past: PastEvent) -> EventOut:
    """An event as it is sent."""
    event, said = past.event, past.verdict
    return EventOut(
        number=past.number,
        batch=past.batch,
        t=event.t,
        at=past.at,
        kind=event.kind,
        severity=event.severity,
        message=event.message,
        value=finite(event.value),
        limit=finite(event.limit),
        unit=event.unit,
        blank=event.blank,
        peck=event.peck,
        depth_mm=finite(event.depth_mm),
        onset_t=finite(event.onset_s),
        clip=bool(past.clip),
        verdict=None
        if said is None
        else VerdictOut(verdict=said.verdict, note=said.note, by=said.by, at=said.at),
    )


def _moment(archive: Archive, past: PastEvent) -> Moment:
    batch = found_batch(archive, past.batch)
    clip = archive.clip(past.clip)
    t = past.event.t
    start_s, end_s = (t - AROUND_S, t + AROUND_S) if clip is None else (clip.start_s, clip.end_s)
    rows = archive.trace(past.batch, start_s, end_s)
    job = job_of(batch)
    return Moment(
        event=event_out(past).model_copy(update={"clip": clip is not None}),
        start_s=start_s,
        end_s=end_s,
        limits=_limits_then(archive, past, job),
        fields=list(TRACE_FIELDS[: len(pack_row(rows[0]))] if rows else TRACE_FIELDS),
        rows=[pack_row(row) for row in rows],
        picture=None if clip is None else _picture(clip, rows, job, archive.orders(past.batch)),
    )


def _limits_then(archive: Archive, past: PastEvent, job: Job | None) -> list[float]:
    """The sag thresholds in force at an event: the job's, and what was moved before it."""
    if job is None:
        return []
    limits = [job.sag_warning_pct, job.sag_hold_pct]
    for earlier in archive.events(past.batch):
        if earlier.event.kind is Kind.THRESHOLD and earlier.event.t <= past.event.t:
            limits = [earlier.event.value if limit == earlier.event.limit else limit for limit in limits]
    return limits


def _picture(clip: Clip, rows: list[TraceRow], job: Job | None, orders: list[float]) -> PictureOut | None:
    try:
        x, fs = soundfile.read(clip.path, frames=round(MOST_CLIP_S * 192_000), dtype="float32")
    except soundfile.SoundFileError:  # spoilt, or deleted since
        return None
    turning = [row for row in rows if row.speed_rpm > 0]
    commanded = job.spindle_rpm if job is not None else turning[0].speed_rpm if turning else math.nan
    if x.ndim != 1 or not x.size or not commanded > 0:
        return None
    ends = clip.start_s + STEP_S * np.arange(1, int(x.size / fs / STEP_S) + 1)
    speeds = np.full(ends.size, commanded)
    if turning:
        speeds = np.interp(ends, [row.t for row in turning], [row.speed_rpm for row in turning])
    top_order = top_order_of(commanded)
    columns = picture(x, fs, speeds / 60, top_order)
    return PictureOut(
        start_s=clip.start_s,
        step_s=STEP_S,
        rows=N_ROWS,
        per_db=PER_DB,
        top_order=top_order,
        lines=[order for order in orders if order < top_order][:MOST_LINES],
        columns=base64.b64encode(columns.tobytes()).decode("ascii"),
    )
