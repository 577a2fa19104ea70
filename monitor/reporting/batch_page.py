"""The page of one batch: what was drilled, every hold with picture and sound, pecks, wear, and what to
change.

Pure: everything is given, the page is text. It needs no network and no script; sound is in it as data.
"""

from __future__ import annotations

import math
from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from monitor.job import Job
from monitor.measurements import Event, PeckRow, Severity
from monitor.quantities import format_count, format_feed, format_length, format_speed
from monitor.reporting.page_style import STYLE
from monitor.reporting.svg_chart import Chart, Mark, Series, svg
from monitor.tuning.climb import Climb, Critical
from monitor.tuning.peck_curves import Curve, PeckCurves
from monitor.tuning.wear import Trend

MOST_DRAWN = 150
"""Single pecks in the picture of load over depth; more are a grey field."""

CAUTIONS = (
    "This page is made from sound by a monitor, which is not a safety function: it replaces no guard, no "
    "emergency stop "
    "and no person. It can be deaf, late or wrong.",
    "A hold stops the feed only: the spindle turns on, and a drill that stays in acrylic goes on rubbing "
    "and heats it.",
    "What is advised here is to be tried with a hand on the feed hold and a look at the flutes.",
    "Depths are reckoned from the job's feed and the time in the cut. A dial that is wrong by the same "
    "factor at every "
    "speed cannot be heard.",
)


@dataclass(frozen=True)
class Moment:
    """A hold or a warning: the curves around it (shape (n,), the last ones NaN where not known), and its
    sound.

    ``sound`` is the FLAC file as bytes, or None with ``sound_note`` saying why, or where it is.
    """

    event: Event
    at: str
    verdict: str
    note: str
    t: Curve
    sag_pct: Curve
    cut_db: Curve
    sound: bytes | None
    sound_note: str


@dataclass(frozen=True)
class BatchPage:
    """All that is shown. ``overview`` holds t, largest sag and largest cutting sound of each piece of the
    batch."""

    job: Job
    number: int
    started: str
    source: str
    state: str
    note: str
    version: str
    continues: int
    synthetic: bool
    duration_s: float
    pecks: Sequence[PeckRow]
    blank_s: Sequence[tuple[int, float, float]]
    moments: Sequence[Moment]
    other_warnings: Sequence[Event]
    acts: Sequence[tuple[float, str, str]]
    overview: tuple[Curve, Curve, Curve]
    curves: PeckCurves | None
    climb: Climb | None
    critical: Critical | None
    trend: Trend | None
    advice: Sequence[str]


def batch_html(page: BatchPage) -> str:
    """The whole page as one HTML document."""
    title = f"Batch {page.number}: {page.job.name}"
    parts = [
        _SYNTHETIC if page.synthetic else "",
        f"<h1>{escape(title)}</h1>",
        _summary(page),
        _holds(page),
        _section("What to change next", _advice(page)),
        _section("The batch", _overview(page)),
        _section("Load over depth", _load_picture(page), css="page2"),
        _section("Pecks", _peck_table(page)),
        _section("Drill wear", _wear(page)),
        _section("Time", _times(page)),
        _section("Other warnings and what people did", _rest(page)),
        _section("Every peck", _every_peck(page), css="noprint"),
        _section("Cautions", "<ul>" + "".join(f"<li>{escape(text)}</li>" for text in CAUTIONS) + "</ul>"),
        f"<footer>spindlebell {escape(page.version)}; {escape(page.source)}; batch {page.number}, "
        f"{escape(page.state)}.</footer>",
    ]
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{STYLE}</style></head><body><main>"
        + "\n".join(parts)
        + "</main></body></html>\n"
    )


def _section(heading: str, body: str, css: str = "") -> str:
    return f'<section class="{css}"><h2>{escape(heading)}</h2>{body}</section>' if body else ""


def _summary(page: BatchPage) -> str:
    job = page.job

    def length(mm: float) -> str:
        return format_length(mm, job.units)

    holds = [moment for moment in page.moments if moment.event.severity is Severity.HOLD]
    warnings = len(page.moments) - len(holds) + len(page.other_warnings)
    blanks = len(page.blank_s)
    told = (
        f"{blanks} of {format_count(job.blanks, 'blank')}, {format_count(len(page.pecks), 'peck')}, "
        f"{format_count(len(holds), 'hold')}, {format_count(warnings, 'warning')}, {clock(page.duration_s)} "
        f"heard."
    )
    pecks = ", ".join(length(mm) for mm in job.pecks_mm[:4]) + (" ..." if len(job.pecks_mm) > 4 else "")
    rows = [
        ("Begun", page.started),
        *([("Goes on with", f"batch {page.continues}")] if page.continues else []),
        ("Material", job.properties.name),
        ("Drill", f"{length(job.drill_diameter_mm)}, {job.flutes} flutes {length(job.flute_length_mm)} long"),
        ("Spindle, feed", f"{format_speed(job.spindle_rpm)}, {format_feed(job.feed_mm_per_rev, job.units)}"),
        ("Hole", f"{length(job.depth_mm)} in {format_count(len(job.pecks_mm), 'peck')}: {pecks}"),
        ("Thresholds", _thresholds(job)),
    ]
    table = "".join(f"<tr><th>{escape(a)}</th><td>{escape(b)}</td></tr>" for a, b in rows)
    note = f"<p>{escape(page.note)}</p>" if page.note else ""
    running = "<p>The batch was still running when this page was made.</p>" if page.state == "running" else ""
    return f'<p class="told">{escape(told)}</p>{running}{note}<table class="facts">{table}</table>'


def _thresholds(job: Job) -> str:
    sag = f"sag warns at {job.sag_warning_pct:g} % and holds at {job.sag_hold_pct:g} %"
    return f"{sag}; only warned of: {', '.join(job.warn_only)}" if job.warn_only else sag


def _holds(page: BatchPage) -> str:
    holds = [moment for moment in page.moments if moment.event.severity is Severity.HOLD]
    others = [moment for moment in page.moments if moment.event.severity is not Severity.HOLD]
    parts = ["".join(_moment(page, moment) for moment in holds) or "<p>No hold was raised.</p>"]
    if others:
        parts.append("<h3>Warnings</h3>" + "".join(_moment(page, moment) for moment in others))
    return _section("Holds", "".join(parts))


def _moment(page: BatchPage, moment: Moment) -> str:
    event, job = moment.event, page.job
    place = f"blank {event.blank}, peck {event.peck}" if event.blank else "between blanks"
    if math.isfinite(event.depth_mm):
        place += f", at {format_length(event.depth_mm, job.units)}"
    verdict = {
        "real": "a person says: real",
        "false": "a person says: false",
        "unsure": "a person was not sure",
    }.get(moment.verdict, "no verdict yet")
    note = f": {moment.note}" if moment.note else ""
    marks = [
        Mark(job.sag_warning_pct, f"warning {job.sag_warning_pct:g} %", "warning"),
        Mark(job.sag_hold_pct, f"hold {job.sag_hold_pct:g} %", "hold"),
        Mark(event.t, event.kind.value, "now", upright=True),
    ]
    if math.isfinite(event.onset_s) and event.onset_s < event.t:
        marks.append(Mark(event.onset_s, "began", "onset", upright=True))
    known = moment.sag_pct[np.isfinite(moment.sag_pct)]
    top = max(1.25 * job.sag_hold_pct, float(known.max()) * 1.05 if known.size else 0.0)
    low = min(-1.0, float(known.min()) if known.size else 0.0)
    pictures = ""
    if moment.t.size:
        pictures = svg(
            Chart(
                f"Sag around the {event.severity.value} at {clock(event.t)}",
                "seconds from the start of the batch",
                "sag, %",
                [Series(moment.t, moment.sag_pct)],
                marks,
                height=190,
                y_range=(max(low, -5.0), min(top, 60.0)),
            )
        ) + svg(
            Chart(
                "Cutting sound over the machine running free",
                "",
                "cut, dB",
                [Series(moment.t, moment.cut_db, "second")],
                [Mark(event.t, "", "now", upright=True)],
                height=100,
            )
        )
    sound = f"<p>{escape(moment.sound_note)}</p>" if moment.sound_note else ""
    if moment.sound is not None:
        data = b64encode(moment.sound).decode("ascii")
        sound = f'<audio controls preload="none" src="data:audio/flac;base64,{data}"></audio>'
    css = "hold" if event.severity is Severity.HOLD else "warning"
    return (
        f'<article class="{css}"><h3>{escape(event.kind.value)} at {clock(event.t)} ({escape(place)})</h3>'
        f'<p>{escape(event.message)}</p><p class="quiet">{escape(moment.at)}; '
        f"{escape(verdict + note)}</p>{sound}{pictures}</article>"
    )


def _advice(page: BatchPage) -> str:
    return f"<pre>{escape(chr(10).join(page.advice))}</pre>" if page.advice else ""


def _overview(page: BatchPage) -> str:
    t, sag, cut = page.overview
    if not t.size:
        return ""
    unit_s, unit = (60.0, "minutes") if t[-1] > 180.0 else (1.0, "seconds")
    at = t / unit_s
    bands = [(start / unit_s, end / unit_s, "blank") for _, start, end in page.blank_s]
    holds = [
        Mark(moment.event.t / unit_s, moment.event.kind.value, "hold", upright=True)
        for moment in page.moments
        if moment.event.severity is Severity.HOLD
    ]
    limits = [
        Mark(page.job.sag_warning_pct, "warning", "warning"),
        Mark(page.job.sag_hold_pct, "hold", "hold"),
    ]
    top = max(1.25 * page.job.sag_hold_pct, float(np.nanmax(sag)) if np.isfinite(sag).any() else 0.0)
    return (
        svg(
            Chart(
                "Largest sag over the batch", "", "sag, %", [Series(at, sag)], [*limits, *holds], bands,
                height=200, y_range=(0.0, min(top, 60.0)),
            )
        )
        + svg(Chart("Cutting sound over the batch", unit, "cut, dB", [Series(at, cut, "second")],
                    [], bands, height=120))
        + '<p class="quiet">Largest value of each moment; shaded: blanks.</p>'
    )  # fmt: skip


def _load_picture(page: BatchPage) -> str:
    curves = page.curves
    if curves is None or not curves.n:
        return "<p>No peck was heard well enough to draw its load.</p>"
    series: list[Series] = []
    unit = 25.4 if page.job.units == "in" else 1.0
    drawn = np.linspace(0, curves.n - 1, min(curves.n, MOST_DRAWN)).astype(int)
    for index in np.unique(drawn):
        n = int(curves.length[index])
        depth = curves.from_mm[index] + curves.mm_s[index] * curves.times[:n]
        series.append(Series(depth / unit, curves.load[index, :n], "faint"))
    flutes = page.job.flute_length_mm / unit
    marks = [Mark(flutes, "flutes end: chips are trapped from here on", "onset", upright=True)]
    for peck in np.unique(curves.peck):
        members = np.flatnonzero(curves.peck == peck)
        load = np.where(curves.inside[members], curves.load[members], np.nan)
        enough = np.count_nonzero(np.isfinite(load), axis=0) >= max(1, members.size // 2)
        depth = np.median(curves.from_mm[members]) + np.median(curves.mm_s[members]) * curves.times
        series.append(Series(depth[enough] / unit, np.nanmedian(load[:, enough], axis=0), "curve"))
    for like in page.climb.like if page.climb is not None else ():
        at = like.from_mm + like.climb_mm.value
        if like.chance >= 0.5 and at < like.to_mm:
            marks.append(Mark(at / unit, "climbs" if like.peck < 10 else "", "climb", upright=True))
    picture = svg(
        Chart(
            "Load of each peck over the depth of the hole",
            f"depth of the hole, {page.job.units}",
            "sag, %",
            series,
            marks,
            height=320,
        )
    )
    text = "Thin: single pecks. Bold: the middle of like pecks."
    if page.critical is not None:
        critical = page.critical.mm
        words = [format_length(mm, page.job.units) for mm in (critical.value, critical.low, critical.high)]
        text += (
            f" The load begins to climb after {words[0]} of trapped work (90 %: {words[1]} to {words[2]})."
        )
    return picture + f'<p class="quiet">{escape(text)}</p>'


def _peck_table(page: BatchPage) -> str:
    by_number: dict[int, list[PeckRow]] = {}
    for row in page.pecks:
        by_number.setdefault(row.peck, []).append(row)
    climbs = {like.peck: like for like in page.climb.like} if page.climb is not None else {}
    body = []
    for number, rows in sorted(by_number.items()):
        middle = {
            name: _median([getattr(row, name) for row in rows])
            for name in ("depth_from_mm", "depth_to_mm", "mean_sag_pct", "mean_cut_level_db", "flute_fill")
        }
        worst = max((row.max_sag_pct for row in rows if math.isfinite(row.max_sag_pct)), default=math.nan)
        like = climbs.get(number)
        climb = ""
        if like is not None and like.chance >= 0.5 and like.climb_mm.value <= like.to_mm - like.from_mm:
            climb = format_length(like.climb_mm.value, page.job.units)
        length = (format_length(middle[name], page.job.units) for name in ("depth_from_mm", "depth_to_mm"))
        cells = [
            str(number), str(len(rows)), *length, _number(middle["mean_sag_pct"]), _number(worst),
            _number(middle["mean_cut_level_db"]), _percent(middle["flute_fill"]), climb,
            str(sum(row.worst_event != "" for row in rows) or ""),
        ]  # fmt: skip
        body.append("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in cells) + "</tr>")
    heads = (
        "peck", "how many", "from", "to", "sag, %", "most, %", "cut, dB", "flutes filled (model)",
        "climbs after", "events",
    )  # fmt: skip
    head = "".join(f"<th>{escape(text)}</th>" for text in heads)
    table = f'<table class="numbers"><tr>{head}</tr>{"".join(body)}</table>'
    return f'<div class="wide">{table}</div>' if body else ""


def _every_peck(page: BatchPage) -> str:
    if not page.pecks:
        return ""
    heads = ("blank", "peck", "from", "to", "begins", "lasts, s", "sag, %", "most, %", "cut, dB", "worst")
    body = []
    for row in page.pecks:
        cells = [
            str(row.blank), str(row.peck), format_length(row.depth_from_mm, page.job.units),
            format_length(row.depth_to_mm, page.job.units), clock(row.start_s),
            f"{row.end_s - row.start_s:.1f}", _number(row.mean_sag_pct), _number(row.max_sag_pct),
            _number(row.mean_cut_level_db), row.worst_event,
        ]  # fmt: skip
        body.append("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in cells) + "</tr>")
    head = "".join(f"<th>{escape(text)}</th>" for text in heads)
    return (
        f"<details><summary>{format_count(len(page.pecks), 'peck')}</summary>"
        f'<div class="wide"><table class="numbers"><tr>{head}</tr>{"".join(body)}</table></div></details>'
    )


def _wear(page: BatchPage) -> str:
    trend = page.trend
    if trend is None:
        return "<p>Too few blanks to tell.</p>"
    ends = np.array([1.0, trend.blanks])
    picture = svg(
        Chart(
            "Load of like pecks, blank by blank",
            "blanks since the drill was new, or since the first of them",
            "load, first = 1",
            [
                Series(trend.blank, trend.load, "second", dots=True),
                Series(ends, np.exp(trend.slope * (ends - 1))),
            ],
            height=200,
            y_range=(0.0, max(1.3, 1.05 * float(trend.load.max()))),
        )
    )
    rise = trend.rise
    text = (
        f"The load changed by {100 * rise.value:+.0f} % over {trend.blanks} blanks "
        f"(90 % interval {100 * rise.low:+.0f} to {100 * rise.high:+.0f} %)"
    )
    return picture + f"<p>{escape(text)}{': the drill wears.' if trend.called else '; no sure rise.'}</p>"


def _times(page: BatchPage) -> str:
    lasted = [end - start for _, start, end in page.blank_s]
    if not lasted:
        return ""
    starts = [start for _, start, _ in page.blank_s]
    cycle = np.diff(starts)
    text = f"A blank takes {_median(lasted):.1f} s from the first contact to the last"
    if cycle.size:
        text += f", and one begins every {_median(cycle.tolist()):.1f} s"
    points = Series([blank for blank, _, _ in page.blank_s], lasted, "second", dots=True)
    chart = ""
    if len(lasted) > 2:
        top = 1.1 * max(lasted)
        chart = svg(Chart("Seconds of each blank", "blank", "s", [points], height=150, y_range=(0.0, top)))
    return f"<p>{escape(text)} (middle values).</p>{chart}"


def _rest(page: BatchPage) -> str:
    rows = [(event.t, f"{event.kind.value}: {event.message}") for event in page.other_warnings]
    rows += [(t, f"{act.replace('_', ' ')}{f' by {by}' if by else ''}") for t, act, by in page.acts]
    items = "".join(f"<li>{clock(t)} {escape(text)}</li>" for t, text in sorted(rows))
    return f"<ul>{items}</ul>" if rows else ""


def clock(t: float) -> str:
    """Minutes and seconds.

    >>> clock(83.4), clock(3661.0)
    ('1:23', '1:01:01')
    """
    if not math.isfinite(t):
        return "?"
    minutes, seconds = divmod(round(t), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"


def _median(values: Sequence[float]) -> float:
    known = [value for value in values if math.isfinite(value)]
    return float(np.median(known)) if known else math.nan


def _number(value: float) -> str:
    return f"{value:.1f}" if math.isfinite(value) else ""


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if math.isfinite(share) else ""


_SYNTHETIC = '<p class="synthetic">Synthetic: computed by a model of a lathe. No such batch was run.</p>'
