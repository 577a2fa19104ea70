"""What the tuning makes of each batch of a directory, kept beside the evidence so that it is made once.

``tuning.db`` holds what follows from finished batches. It may be deleted at any time; evidence.db is only
read.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import asdict, dataclass
from itertools import groupby, pairwise
from pathlib import Path
from typing import Any

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

METHOD = 1
"""Raised where the same evidence gives other findings, so that old ones are made anew."""

LOADS = ("sag", "sound")

_ROWS_S = 0.05


@dataclass(frozen=True)
class Findings:
    """One batch: its job, how its load climbs (None where it does not say), its gaps and the load of its
    blanks."""

    batch: Batch
    job: Job
    climb: Climb | None
    load: str  # by what it was judged: 'sag', or 'sound' where the speed was hardly heard
    pecks: int
    left_out: int
    gaps: Gaps
    loads: tuple[tuple[int, float], ...]


def findings(archive: Archive, batch: Batch, load: str | None = None) -> Findings | None:
    """What one batch says; None where its job cannot be read.

    Parameters
    ----------
    archive, batch
        The evidence, and which of its batches.
    load : str, optional
        'sag' or 'sound'; without it sag, or sound where fewer than half of the pecks have a known sag.
    """
    try:
        job = parse_job(batch.job, f"{archive.directory}, job of batch {batch.number}")
    except JobError:
        return None
    key = hashlib.sha256(
        f"{METHOD} {load} {batch.state} {batch.duration_s} {batch.pecks} {batch.holds} {batch.job}".encode()
    ).hexdigest()
    kept = None if batch.state == "running" else _kept(archive.directory, batch.number, key)
    if kept is None:
        kept = _made(archive, batch, job, load)
        if batch.state != "running":
            _keep(archive.directory, batch.number, key, kept)
    return Findings(
        batch=batch,
        job=job,
        climb=None if kept["climb"] is None else climb_from_dict(kept["climb"]),
        load=kept["load"],
        pecks=kept["pecks"],
        left_out=kept["left_out"],
        gaps=Gaps(**kept["gaps"]),
        loads=tuple((int(blank), float(value)) for blank, value in kept["loads"]),
    )


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
    held = frozenset(hold.blank for hold in holds)
    return {
        "climb": None if climb is None else climb_to_dict(climb),
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


def _kept(directory: Path, batch: int, key: str) -> dict[str, Any] | None:
    path = directory / "tuning.db"
    with suppress(sqlite3.Error, ValueError):
        if path.exists():
            with closing(sqlite3.connect(path)) as db:
                row = db.execute(
                    "SELECT content FROM findings WHERE batch = ? AND key = ?", (batch, key)
                ).fetchone()
            if row is not None:
                found: dict[str, Any] = json.loads(row[0])
                return found
    return None


def _keep(directory: Path, batch: int, key: str, content: dict[str, Any]) -> None:
    # What cannot be kept, on a read-only disk, is made again the next time.
    with suppress(sqlite3.Error), closing(sqlite3.connect(directory / "tuning.db", timeout=5.0)) as db, db:
        db.execute(
            "CREATE TABLE IF NOT EXISTS findings (batch INTEGER, key TEXT, content TEXT, PRIMARY KEY "
            "(batch, key))"
        )
        db.execute("INSERT OR REPLACE INTO findings VALUES (?, ?, ?)", (batch, key, json.dumps(content)))
