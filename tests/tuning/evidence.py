"""Drawn batches written as evidence, as a replay would have."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np

from monitor.evidence.recorder import Evidence
from monitor.evidence.store import BatchInfo
from monitor.measurements import Event, Heard, Kind, PeckRow, Severity, TraceRow
from monitor.synth.cycle import Cycle
from tests.tuning.batches import Batch

FS = 8000


def job_text(cycle: Cycle, blanks: int, name: str = "drawn") -> str:
    pecks = ", ".join(f'"{peck:.4f} mm"' for peck in cycle.pecks_mm)
    return (
        f'[job]\nname = "{name}"\nblanks = {blanks}\nmaterial = "{cycle.material}"\n'
        f'[spindle]\nspeed = "{cycle.spindle_rpm:g} rpm"\n'
        f'[drill]\ndiameter = "{cycle.drill_diameter_mm:g} mm"\nflutes = {cycle.flutes}\n'
        f'flute_length = "{cycle.flute_length_mm:g} mm"\nfeed = "{cycle.feed_mm_per_rev:g} mm/rev"\n'
        f'[hole]\ndepth = "{cycle.depth_mm:g} mm"\npecks = [{pecks}]\n'
    )


def write_batch(directory: Path, batch: Batch, started: datetime, extra: tuple[Event, ...] = ()) -> None:
    """Write one batch into an evidence directory; ``extra`` are warnings and holds."""
    info = BatchInfo(started, "given", "drawn", FS, job_text(batch.cycle, len(batch.pieces)), "", "0")
    with Evidence(directory, info) as evidence:
        for cuts, t, sag, confidence in batch.pieces:
            rows = [
                TraceRow(float(a), 900.0, float(c), float(s), -40.0, 12.0, 3.0, 0.0, True)
                for a, s, c in zip(t, sag, confidence, strict=True)
            ]
            pecks = [_row(cut, t, sag) for cut in cuts]
            blank = cuts[0].blank
            events = [
                Event(cuts[0].start_s, Kind.BLANK_START, Severity.INFO, "", blank=blank),
                *(event for event in extra if event.blank == blank),
                Event(cuts[-1].end_s, Kind.BLANK_END, Severity.INFO, "", blank=blank),
            ]
            seconds = float(t[-1] - t[0]) + 0.05
            evidence.record(
                np.zeros(round(seconds * FS), np.float32), Heard(trace=rows, events=events, pecks=pecks)
            )
        evidence.finish()


def _row(cut, t, sag) -> PeckRow:
    inside = (t > cut.start_s + 0.5) & (t <= cut.end_s)
    return PeckRow(
        cut.blank, cut.peck, cut.start_s, cut.end_s, cut.from_mm, cut.to_mm, float(sag[inside].mean()),
        float(sag[inside].max()), float("nan"), 12.0, 0.5, "",
    )  # fmt: skip
