"""``spindlebell report``: one self-contained HTML page of a batch."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from monitor.cli import EXIT_DONE
from monitor.errors import InputError
from monitor.evidence.advice_text import job_lines
from monitor.evidence.archive import Archive, Batch, PastEvent
from monitor.evidence.findings import Finder, pieces
from monitor.evidence.job_advice import USUAL_RISK, USUAL_WEAR, advise, gather
from monitor.manual import Manual
from monitor.measurements import PeckRow, Severity
from monitor.reporting.batch_page import BatchPage, Moment, batch_html
from monitor.tuning.peck_curves import PeckCurves, good_cuts, peck_curves, step_for
from monitor.whole_file import write_whole

AROUND_S = (12.0, 6.0)
"""Curve shown before and after an event."""

MOST_SOUND_BYTES = 12_000_000
"""Sound in the page; a clip is some 0.7 MB. Holds come first; the rest is named by its file."""

MOST_MOMENTS = 60
"""Warnings beyond this are listed without a picture."""

OVERVIEW_PIECES = 800
"""Of the curve of a whole batch: a piece a pixel."""


MANUAL = Manual(
    about="""
    Writes one HTML page of a batch that needs nothing else, to open anywhere, to send or to print: what was
    drilled, every hold with its curves and its sound, the load over depth, pecks, wear, times, and what to
    change next. No script, and nothing from the network.
    """,
    examples=[
        ("spindlebell report evidence", "The newest batch:"),
        ("spindlebell report evidence --batch 2 --out batch2.html", "Another one, to another place:"),
    ],
    files={"DIR/evidence.db": "read", "DIR/report-NNNN.html": "written, NNNN being the batch's number"},
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("directory", metavar="DIR", help="an evidence directory; may be in use")
    parser.add_argument("--batch", type=int, metavar="N", help="which batch (default: the newest)")
    parser.add_argument("--out", metavar="FILE", help="where to write (default: DIR/report-NNNN.html)")


def run(args: argparse.Namespace) -> int:
    """Write the page of one batch."""
    archive = Archive(Path(args.directory))
    batch = _chosen(archive, args.batch)
    out = Path(args.out) if args.out else archive.directory / f"report-{batch.number:04d}.html"
    html = batch_html(batch_page(archive, batch))
    try:
        write_whole(out, html)
    except OSError as error:
        raise InputError(f"{out}: cannot be written ({error.strerror}); give another --out") from error
    print(
        f"Report of batch {batch.number}: {out} ({len(html) / 1e6:.1f} MB, to open in any browser or to "
        f"print)"
    )
    return EXIT_DONE


def batch_page(archive: Archive, batch: Batch) -> BatchPage:
    """Gather what the page shows."""
    found = Finder(archive, only=batch.number).findings(batch)
    if found is None:
        raise InputError(f"{archive.directory}: the job stored with batch {batch.number} cannot be read")
    job = found.job
    events = archive.events(batch.number)
    pecks = archive.pecks(batch.number)
    told, _ = gather([archive], None)
    told = [each for each in told if each.findings.batch.number <= batch.number]
    advice = advise(told, USUAL_RISK, None, USUAL_WEAR)
    own = next((one for one in advice.jobs if one.newest.findings.batch.number == batch.number), None)
    shown = [past for past in events if past.event.severity is not Severity.INFO]
    shown.sort(key=lambda past: past.event.severity is not Severity.HOLD)  # holds first, in their order
    t, sag, cut = archive.envelope(batch.number, ("sag_pct", "cut_level_db"), OVERVIEW_PIECES)
    duration = batch.duration_s if batch.duration_s == batch.duration_s else float(t[-1]) if t.size else 0.0
    return BatchPage(
        job=job,
        number=batch.number,
        started=f"{batch.started:%Y-%m-%d %H:%M} UTC",
        source=batch.source,
        state=batch.state,
        note=batch.note,
        version=batch.version,
        continues=batch.continues,
        synthetic="synthetic" in batch.source.lower() or "# Synthetic" in batch.job,
        duration_s=duration,
        pecks=pecks,
        blank_s=_blank_spans(pecks),
        moments=_moments(archive, batch.number, shown[:MOST_MOMENTS]),
        other_warnings=[past.event for past in shown[MOST_MOMENTS:]],
        acts=[(act.t, act.act, act.by) for act in archive.acts(batch.number)],
        overview=(t, sag, cut),
        curves=_curves(archive, batch, found.load),
        climb=found.climb,
        critical=own.critical if own is not None else None,
        trend=own.wear if own is not None else None,
        advice=[line.removeprefix("  ") for line in job_lines(own)] if own is not None else [],
    )


def _chosen(archive: Archive, number: int | None) -> Batch:
    if number is not None:
        batch = archive.batch(number)
        if batch is None:
            raise InputError(f"{archive.directory}: there is no batch {number}")
        return batch
    batches = archive.batches()
    if not batches:
        raise InputError(f"{archive.directory}: no batch is in it yet; replay or listen to one first")
    return batches[0]


def _blank_spans(pecks: Sequence[PeckRow]) -> list[tuple[int, float, float]]:
    spans: dict[int, tuple[float, float]] = {}
    for row in pecks:
        first, _ = spans.get(row.blank, (row.start_s, row.end_s))
        spans[row.blank] = (first, row.end_s)
    return [(blank, start, end) for blank, (start, end) in spans.items()]


def _curves(archive: Archive, batch: Batch, load: str) -> PeckCurves:
    holds = [p.event for p in archive.events(batch.number) if p.event.severity is Severity.HOLD]
    cuts = good_cuts(archive.pecks(batch.number), holds)
    blanks = sorted({cut.blank for cut in cuts})
    # Some blanks of a long batch draw the same picture; first and last are among them.
    few = {blanks[i] for i in np.linspace(0, len(blanks) - 1, min(len(blanks), 40)).astype(int)}
    cuts = [cut for cut in cuts if cut.blank in few]
    return peck_curves(pieces(archive, batch.number, cuts, load), step_for(cuts, 0.05))


def _moments(archive: Archive, batch: int, shown: Sequence[PastEvent]) -> list[Moment]:
    moments, left = [], MOST_SOUND_BYTES
    for past in shown:
        event = past.event
        t, sag, cut = archive.curves(
            batch, ("t", "sag_pct", "cut_level_db"), event.t - AROUND_S[0], event.t + AROUND_S[1]
        )
        clip = archive.clip(past.clip) if past.clip else None
        sound, note = None, "Its sound is not kept."
        if clip is not None:
            note = f"Its sound: {past.clip}"
            if clip.path.stat().st_size <= left:
                sound, note = clip.path.read_bytes(), ""
                left -= len(sound)
        verdict = past.verdict
        moments.append(
            Moment(
                event,
                past.at,
                verdict.verdict if verdict else "",
                verdict.note if verdict else "",
                t,
                sag,
                cut,
                sound,
                note,
            )
        )
    return moments
