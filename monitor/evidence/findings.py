"""What the tuning makes of each batch of a directory, kept beside the evidence so that it is made once.

``tuning.db`` holds what follows from finished batches. It may be deleted at any time; evidence.db is only
read.
"""

from __future__ import annotations

import hashlib
import json
import math
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import asdict, dataclass
from functools import cache, cached_property
from itertools import groupby, pairwise
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np

from monitor.errors import JobError
from monitor.evidence.archive import Archive, Batch
from monitor.job import Job, parse_job
from monitor.measurements import PeckRow, Severity
from monitor.tuning.advice import Gaps, critical_for, fit_gaps
from monitor.tuning.bulking import MATERIAL_SD
from monitor.tuning.climb import Climb, climb_from_dict, climb_to_dict, fit_climb
from monitor.tuning.load_model import Prior
from monitor.tuning.peck_curves import Curve, Cut, good_cuts, peck_curves, step_for
from monitor.tuning.wear import blank_loads

METHOD = 7
"""Raised where the same evidence gives other findings, so that old ones are made anew."""

LOADS = ("sag", "sound")

_ROWS_S = 0.05  # of the trace: a row a hop


@dataclass(frozen=True)
class Findings:
    """What one batch says.

    ``load`` is by what it was judged: 'sag', or 'sound' where the speed was hardly heard. ``own`` is the
    logarithm of its critical length by its pecks alone with its standard deviation, None where they say
    nothing of it. ``loads`` are the blanks with the logarithm of their load.
    """

    batch: Batch
    job: Job
    load: str
    pecks: int
    left_out: int
    gaps: Gaps
    loads: tuple[tuple[int, float], ...]
    own: tuple[float, float] | None
    _climb: str | None

    @cached_property
    def climb(self) -> Climb | None:
        """How its load climbs; None where no chip was trapped, or nothing heard."""
        return None if self._climb is None else climb_from_dict(json.loads(self._climb))


class Finder:
    """The findings of one directory; what was kept is read once.

    Parameters
    ----------
    archive : Archive
        The evidence.
    load : str, optional
        'sag' or 'sound'; without it sag, or sound where fewer than half of the pecks have a known sag.
    only : int, optional
        The one batch that will be asked for; without it what was kept of all is read.
    """

    def __init__(self, archive: Archive, load: str | None = None, only: int | None = None) -> None:
        self._archive = archive
        self._load = load
        self._kept = _kept(archive.directory, only)

    def findings(self, batch: Batch) -> Findings | None:
        """What one batch says; None where its job cannot be read."""
        try:
            job = _job(batch.job)
        except JobError:
            return None
        told = (METHOD, self._load, batch.state, batch.duration_s, batch.pecks, batch.holds, batch.job)
        key = hashlib.sha256(repr(told).encode()).hexdigest()
        content = self._kept.get((batch.number, key)) if batch.state != "running" else None
        if content is not None:
            with suppress(ValueError, TypeError, KeyError):  # spoiled: made again
                return _findings(batch, job, json.loads(content))
        found = _made(self._archive, batch, job, self._load)
        if batch.state != "running":
            _keep(self._archive.directory, batch.number, key, found)
        return _findings(batch, job, found)


def _sum(climb: str | None) -> int:
    return crc32((climb or "").encode())


def _findings(batch: Batch, job: Job, found: dict[str, Any]) -> Findings:
    if found["sum"] != _sum(found["climb"]):
        raise ValueError("spoiled")
    return Findings(
        batch=batch,
        job=job,
        load=found["load"],
        pecks=found["pecks"],
        left_out=found["left_out"],
        gaps=Gaps(**found["gaps"]),
        loads=tuple((int(blank), float(value)) for blank, value in found["loads"]),
        own=None if found["own"] is None else tuple(found["own"]),
        _climb=found["climb"],
    )


@cache
def _job(text: str) -> Job:
    return parse_job(text, "the job stored with the batch")


def pieces(
    archive: Archive, batch: int, cuts: Sequence[Cut], load: str
) -> Iterator[tuple[Sequence[Cut], Curve, Curve, Curve]]:
    """The trace of a batch for `peck_curves`, one blank in memory at a time."""
    column = "sag_pct" if load == "sag" else "cut_level_db"
    for _, group in groupby(cuts, key=lambda cut: cut.blank):
        blank = list(group)
        t, values, confidence = archive.curves(
            batch, ("t", column, "speed_confidence"), blank[0].start_s, blank[-1].end_s
        )
        if load == "sound":
            # Amplitude over the machine running free, so that it grows with the load; always known.
            values, confidence = 10.0 ** (values / 20.0), np.ones(values.size)
        yield blank, t, values, confidence


def prior_for(job: Job) -> Prior:
    """What the materials table says of the critical length."""
    return Prior(critical_for(job.properties.bulking, job.flute_length_mm), MATERIAL_SD)


def _made(archive: Archive, batch: Batch, job: Job, load: str | None) -> dict[str, Any]:
    rows = archive.pecks(batch.number)
    holds = [past.event for past in archive.events(batch.number) if past.event.severity is Severity.HOLD]
    cuts = good_cuts(rows, holds)
    step_s = step_for(cuts, _ROWS_S)
    used = load or "sag"
    curves = peck_curves(pieces(archive, batch.number, cuts, used), step_s)
    if load is None and 2 * curves.n < len(cuts):
        used = "sound"
        curves = peck_curves(pieces(archive, batch.number, cuts, used), step_s)
    climb = fit_climb(curves, job.flute_length_mm, job.drill_diameter_mm, prior_for(job), motor=used == "sag")
    own = None
    if climb is not None:
        alone = climb.alone(prior_for(job))
        own = alone if math.isfinite(alone[1]) else None
    held = frozenset(hold.blank for hold in holds)
    told = None if climb is None else json.dumps(climb_to_dict(climb))  # of most batches it is never read
    return {
        "climb": told,
        "sum": _sum(told),
        "own": own,
        "load": used,
        "pecks": curves.n,
        "left_out": len(rows) - curves.n,
        "gaps": asdict(fit_gaps(*_gaps(rows))),
        "loads": blank_loads(rows, held),
    }


def _gaps(rows: Sequence[PeckRow]) -> tuple[Curve, Curve]:
    follows = [(a, b) for a, b in pairwise(rows) if a.blank == b.blank]
    depth = np.array([a.depth_to_mm for a, _ in follows], dtype=float)
    return depth, np.array([b.start_s - a.end_s for a, b in follows], dtype=float)


def _kept(directory: Path, only: int | None) -> dict[tuple[int, str], str]:
    """What was kept: JSON by batch and key; nothing where the file is missing or spoiled."""
    path = directory / "tuning.db"
    where, values = ("", ()) if only is None else (" WHERE batch = ?", (only,))
    with suppress(sqlite3.Error):
        if path.exists():
            with closing(sqlite3.connect(path)) as db:
                rows = db.execute(f"SELECT batch, key, content FROM findings{where}", values).fetchall()
            return {(batch, key): content for batch, key, content in rows}
    return {}


def _keep(directory: Path, batch: int, key: str, content: dict[str, Any]) -> None:
    # What cannot be kept, on a read-only disk, is made again the next time.
    with suppress(sqlite3.Error), closing(sqlite3.connect(directory / "tuning.db", timeout=5.0)) as db, db:
        db.execute(
            "CREATE TABLE IF NOT EXISTS findings (batch INTEGER, key TEXT, content TEXT, PRIMARY KEY "
            "(batch, key))"
        )
        db.execute("INSERT OR REPLACE INTO findings VALUES (?, ?, ?)", (batch, key, json.dumps(content)))
