"""Files of a past batch to take away.

GET  /api/batches/N/events.jsonl        and trace.csv, pecks.csv, clips.zip, report.html
"""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from fastapi import FastAPI, Response
from fastapi.responses import StreamingResponse

from dashboard.past_batch import NOT_FOUND, Number, found_batch
from monitor.evidence.archive import Archive, Clip
from monitor.evidence.exports import event_line, peck_cells, trace_line
from monitor.evidence.store import PECK_COLUMNS, TRACE_COLUMNS
from monitor.measurements import PeckRow


def add_downloads(app: FastAPI, archive: Archive, report: Callable[[int], str] | None) -> None:
    """Add the requests for files; ``report`` gives that of a batch as HTML."""

    def attached(content: Iterable[bytes], number: int, name: str, media_type: str) -> StreamingResponse:
        headers = {"Content-Disposition": f'attachment; filename="batch-{number:04d}-{name}"'}
        return StreamingResponse(content, media_type=media_type, headers=headers)

    def answers(media_type: str) -> dict[int | str, dict[str, Any]]:
        return {200: {"content": {media_type: {}}}} | NOT_FOUND

    jsonl = answers("application/jsonl")

    @app.get("/api/batches/{number}/events.jsonl", response_class=Response, responses=jsonl)
    def events(number: Number) -> Response:
        found_batch(archive, number)
        lines = (event_line(one.event, one.clip, one.at).encode() for one in archive.events(number))
        return attached(lines, number, "events.jsonl", "application/jsonl")

    @app.get("/api/batches/{number}/trace.csv", response_class=Response, responses=answers("text/csv"))
    def trace(number: Number) -> Response:
        found_batch(archive, number)
        return attached(_trace_csv(archive, number), number, "trace.csv", "text/csv")

    @app.get("/api/batches/{number}/pecks.csv", response_class=Response, responses=answers("text/csv"))
    def pecks(number: Number) -> Response:
        found_batch(archive, number)
        return attached([_pecks_csv(archive.pecks(number))], number, "pecks.csv", "text/csv")

    packed = answers("application/zip")

    @app.get("/api/batches/{number}/clips.zip", response_class=Response, responses=packed)
    def clips(number: Number) -> Response:
        found_batch(archive, number)
        return attached(_zipped(archive.clips(number)), number, "clips.zip", "application/zip")

    if report is not None:
        page = answers("text/html")

        @app.get("/api/batches/{number}/report.html", response_class=Response, responses=page)
        def report_page(number: Number) -> Response:
            found_batch(archive, number)
            return attached([report(number).encode()], number, "report.html", "text/html")


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
