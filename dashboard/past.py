"""What a page sees of past work: batches (`batches.py`), warnings and holds (`moments.py`), and files to take
away (`downloads.py`)."""

from __future__ import annotations

import logging
from collections.abc import Callable

from fastapi import FastAPI, Request, Response
from fastapi.responses import JSONResponse

from dashboard.batches import add_batches
from dashboard.downloads import add_downloads
from dashboard.moments import add_moments
from monitor.errors import EvidenceError
from monitor.evidence.archive import Archive

log = logging.getLogger(__name__)


def add_past(app: FastAPI, archive: Archive, running: int, report: Callable[[int], str] | None) -> None:
    """Add the requests for past work; ``running`` is the batch that the page shows live, 0 for none."""

    @app.exception_handler(EvidenceError)
    async def unreadable(_: Request, error: EvidenceError) -> Response:
        log.error("%s", error)  # the message names files: that is for the terminal
        return JSONResponse({"detail": "That cannot be had now; the terminal says why."}, 503)

    add_batches(app, archive, running, report is not None)
    add_downloads(app, archive, report)
    add_moments(app, archive)
