"""Batches by number: how past work is asked for. Numbers lead to files by way of the store; no path and no
name from a client does."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated

from fastapi import HTTPException, Path

from dashboard.operating import NOT_ALLOWED, refused
from monitor.errors import JobError
from monitor.evidence.archive import Archive, Batch
from monitor.job import Job, parse_job

Number = Annotated[int, Path(ge=1, le=2**31)]

NOT_READ = NOT_ALLOWED | refused(503, "the evidence cannot be read")
NOT_FOUND = NOT_READ | refused(404, "there is none of that number")


def found_batch(archive: Archive, number: int) -> Batch:
    """The batch, or the answer that there is none."""
    batch = archive.batch(number)
    if batch is None:
        raise HTTPException(404, "There is no batch of that number.")
    return batch


def job_of(batch: Batch) -> Job | None:
    """Its job; None where it cannot be read."""
    return _job(batch.job)


@lru_cache(maxsize=1000)  # batches of one job are many
def _job(text: str) -> Job | None:
    try:
        return parse_job(text, "job")
    except JobError:  # of another version, or with materials of the person's own
        return None
