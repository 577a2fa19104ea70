"""What a page sees of past work: batches, pecks, holds with their sound, verdicts, files to take away.

    GET  /api/batches                       every batch
    GET  /api/batches/N                     one batch: pecks, events, what people did
    GET  /api/batches/N/wear                how its drill wore
    GET  /api/batches/N/curve               its sag from beginning to end, the worst of each piece
    GET  /api/batches/N/events.jsonl        and trace.csv, pecks.csv, clips.zip, report.html: to take away
    GET  /api/events/N                      one warning or hold: curves and spectrogram around it
    GET  /api/events/N/clip.flac            its sound
    POST /api/events/N/verdict              a person says whether it was real

Numbers lead to files by way of the store; no path and no name from a client does.
"""

from __future__ import annotations

import base64
import csv
import io
import logging
import math
import statistics
import zipfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Annotated, Any, Literal

import numpy as np
import soundfile
from fastapi import FastAPI, HTTPException, Path, Query, Request, Response
from fastapi.responses import FileResponse, JSONResponse, StreamingResponse
from pydantic import BaseModel, ConfigDict, Field

from dashboard.live import TRACE_FIELDS, pack_row
from dashboard.operating import NOT_ALLOWED, Done, person, refused
from dashboard.spectrogram import N_ROWS, PER_DB, STEP_S, picture, top_order_of
from monitor.errors import EvidenceError, JobError
from monitor.evidence.archive import MAX_NOTE, Archive, Batch, Clip, PastEvent
from monitor.evidence.exports import event_line, peck_cells, trace_line
from monitor.evidence.store import PECK_COLUMNS, TRACE_COLUMNS, finite
from monitor.job import Job, parse_job
from monitor.measurements import Kind, PeckRow, Severity, TraceRow
from monitor.quantities import Units

log = logging.getLogger(__name__)

AROUND_S = 5.0  # of curves around an event that has no clip
MOST_CLIP_S = 60.0  # a clip is half a minute at most; a longer file is not drawn
MOST_POINTS = 2000
SHARPEN_AT = 0.5  # the load is half as much again: as `pecks` has it by default

Number = Annotated[int, Path(ge=1, le=2**31)]


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
    """One batch in a list; times in UTC, ISO 8601."""

    number: int
    started: str
    source: str
    state: str
    duration_s: float | None
    note: str
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


class ActOut(BaseModel):
    """What a person did, ``t`` seconds into the batch."""

    t: float
    at: str
    act: str
    by: str


class WearOut(BaseModel):
    """The load of like pecks in each blank over that of the first one; see `monitor.tuning.wear`.

    ``rise``, ``low``, ``high``: how much the load rose over all the blanks by the trend, with its 90 %
    interval, null where too few blanks were drilled; ``called``: whether that is sure enough to be told as
    wear; ``left``: blanks until the load is half as much again, null where that may never be; ``needed``:
    blanks from which on a trend is told.
    """

    blanks: list[int]
    load: list[float]
    trend: list[float]
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


class PictureOut(BaseModel):
    """A spectrogram by orders: ``columns`` of ``rows`` bytes each (base64), ``per_db`` of them a decibel."""

    start_s: float
    step_s: float
    rows: int
    per_db: float
    top_order: float
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


def add_past(app: FastAPI, archive: Archive, running: int, report: Callable[[int], str] | None) -> None:
    """Add the requests for past work; ``running`` is the batch that the page shows live, 0 for none."""

    @app.exception_handler(EvidenceError)
    async def unreadable(_: Request, error: EvidenceError) -> Response:
        log.error("%s", error)  # the message names files: that is for the terminal
        return JSONResponse({"detail": "That cannot be had now; the terminal says why."}, 503)

    _add_batches(app, archive, running, report is not None)
    _add_downloads(app, archive, report)
    _add_events(app, archive)


NOT_READ = NOT_ALLOWED | refused(503, "the evidence cannot be read")
NOT_FOUND = NOT_READ | refused(404, "there is none of that number")


def _add_batches(app: FastAPI, archive: Archive, running: int, reports: bool) -> None:
    @app.get("/api/batches", responses=NOT_READ)
    def batches() -> Batches:
        return Batches(batches=[BatchOut(**_batch(one)) for one in archive.batches()], running=running)

    @app.get("/api/batches/{number}", responses=NOT_FOUND)
    def batch(number: Number) -> BatchDetail:
        return BatchDetail(
            **_batch(_found(archive, number)),
            rows=[_peck(row) for row in archive.pecks(number)],
            events=[_event(one) for one in archive.events(number)],
            acts=[ActOut(t=act.t, at=act.at, act=act.act, by=act.by) for act in archive.acts(number)],
            report=reports,
        )

    @app.get("/api/batches/{number}/wear", responses=NOT_FOUND)
    def wear(number: Number) -> WearOut:
        _found(archive, number)
        return _wear(archive.pecks(number), archive.events(number))

    @app.get("/api/batches/{number}/curve", responses=NOT_FOUND)
    def curve(number: Number, points: Annotated[int, Query(ge=10, le=MOST_POINTS)] = 600) -> Curve:
        _found(archive, number)
        t, sag = _worst_of_each(archive.trace_pages(number), points)
        return Curve(t=t, sag_pct=sag)


def _add_downloads(app: FastAPI, archive: Archive, report: Callable[[int], str] | None) -> None:
    def attached(content: Iterable[bytes], number: int, name: str, media_type: str) -> StreamingResponse:
        headers = {"Content-Disposition": f'attachment; filename="batch-{number:04d}-{name}"'}
        return StreamingResponse(content, media_type=media_type, headers=headers)

    def answers(media_type: str) -> dict[int | str, dict[str, Any]]:
        return {200: {"content": {media_type: {}}}} | NOT_FOUND

    jsonl = answers("application/jsonl")

    @app.get("/api/batches/{number}/events.jsonl", response_class=Response, responses=jsonl)
    def events(number: Number) -> Response:
        _found(archive, number)
        lines = (event_line(one.event, one.clip, one.at).encode() for one in archive.events(number))
        return attached(lines, number, "events.jsonl", "application/jsonl")

    @app.get("/api/batches/{number}/trace.csv", response_class=Response, responses=answers("text/csv"))
    def trace(number: Number) -> Response:
        _found(archive, number)
        return attached(_trace_csv(archive, number), number, "trace.csv", "text/csv")

    @app.get("/api/batches/{number}/pecks.csv", response_class=Response, responses=answers("text/csv"))
    def pecks(number: Number) -> Response:
        _found(archive, number)
        return attached([_pecks_csv(archive.pecks(number))], number, "pecks.csv", "text/csv")

    packed = answers("application/zip")

    @app.get("/api/batches/{number}/clips.zip", response_class=Response, responses=packed)
    def clips(number: Number) -> Response:
        _found(archive, number)
        return attached(_zipped(archive.clips(number)), number, "clips.zip", "application/zip")

    if report is not None:
        page = answers("text/html")

        @app.get("/api/batches/{number}/report.html", response_class=Response, responses=page)
        def report_page(number: Number) -> Response:
            _found(archive, number)
            return attached([report(number).encode()], number, "report.html", "text/html")


def _add_events(app: FastAPI, archive: Archive) -> None:
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


def _found(archive: Archive, number: int) -> Batch:
    batch = archive.batch(number)
    if batch is None:
        raise HTTPException(404, "There is no batch of that number.")
    return batch


def _batch(batch: Batch) -> dict[str, Any]:
    job = _job(batch)
    return {
        "number": batch.number,
        "started": batch.started.isoformat().replace("+00:00", "Z"),
        "source": batch.source,
        "state": batch.state,
        "duration_s": finite(batch.duration_s),
        "note": batch.note,
        "blanks": batch.blanks,
        "pecks": batch.pecks,
        "holds": batch.holds,
        "warnings": batch.warnings,
        "job": None if job is None else JobOut(**job.model_dump(include=set(JobOut.model_fields))),
    }


def _job(batch: Batch) -> Job | None:
    try:
        return parse_job(batch.job, "job")
    except JobError:  # of another version, or with materials of the person's own
        return None


def _peck(row: PeckRow) -> PeckOut:
    values = {name: getattr(row, name) for name in PECK_COLUMNS}
    return PeckOut(**{k: finite(v) if isinstance(v, float) else v for k, v in values.items()})


def _event(past: PastEvent) -> EventOut:
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


def _wear(pecks: Sequence[PeckRow], events: Sequence[PastEvent]) -> WearOut:
    # Loading scipy.stats takes a second and some memory: only where it is asked for.
    from monitor.tuning.wear import LEAST_BLANKS, blank_loads, fit_trend

    held = frozenset(one.event.blank for one in events if one.event.severity is Severity.HOLD)
    loads = blank_loads(pecks, held)
    logs = [load for _, load in loads]
    trend = fit_trend(logs, SHARPEN_AT)
    start = 0.0 if not loads else logs[0]
    line: list[float] = []
    if trend is not None:
        start = statistics.median(load - trend.slope * i for i, load in enumerate(logs))
        line = [round(math.exp(trend.slope * i), 4) for i in range(len(logs))]
    return WearOut(
        blanks=[blank for blank, _ in loads],
        load=[round(math.exp(load - start), 4) for load in logs],
        trend=line,
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


def _trace_csv(archive: Archive, number: int) -> Iterator[bytes]:
    yield (",".join(TRACE_COLUMNS) + "\n").encode()
    for rows in archive.trace_pages(number):
        yield "".join(map(trace_line, rows)).encode()


def _pecks_csv(rows: Iterable[PeckRow]) -> bytes:
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(PECK_COLUMNS)
    writer.writerows(map(peck_cells, rows))
    return file.getvalue().encode()


class _Outlet(io.RawIOBase):
    """What is written to it is taken out again, piece by piece."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self._parts.append(bytes(data))
        return len(data)

    def taken(self) -> bytes:
        out, self._parts = b"".join(self._parts), []
        return out


def _zipped(clips: Iterable[Clip]) -> Iterator[bytes]:
    """A ZIP file as it is put together, a clip at a time; FLAC does not get smaller."""
    outlet = _Outlet()
    with zipfile.ZipFile(outlet, "w", zipfile.ZIP_STORED) as archive:
        for clip in clips:
            archive.write(clip.path, clip.path.name)
            yield outlet.taken()
    yield outlet.taken()


def _moment(archive: Archive, past: PastEvent) -> Moment:
    batch = _found(archive, past.batch)
    clip = archive.clip(past.clip)
    t = past.event.t
    start_s, end_s = (t - AROUND_S, t + AROUND_S) if clip is None else (clip.start_s, clip.end_s)
    rows = archive.trace(past.batch, start_s, end_s)
    job = _job(batch)
    return Moment(
        event=_event(past).model_copy(update={"clip": clip is not None}),
        start_s=start_s,
        end_s=end_s,
        limits=_limits_then(archive, past, job),
        fields=list(TRACE_FIELDS[: len(pack_row(rows[0]))] if rows else TRACE_FIELDS),
        rows=[pack_row(row) for row in rows],
        picture=None if clip is None else _picture(clip, rows, job),
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


def _picture(clip: Clip, rows: list[TraceRow], job: Job | None) -> PictureOut | None:
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
        columns=base64.b64encode(columns.tobytes()).decode("ascii"),
    )
