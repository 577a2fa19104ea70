"""A plan as a person reads it, in their units, and as JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from monitor.planning.cautions import Caution
from monitor.planning.loads import drilling_torque
from monitor.planning.materials import Material
from monitor.planning.plan import Plan, PlannedPeck, cutting_force, cutting_speed
from monitor.quantities import (
    MM_PER_INCH,
    Units,
    format_count,
    format_feed,
    format_length,
    format_speed,
    format_surface_speed,
)

_WIDTH = 100
_COLUMNS = ("peck", "from", "to", "depth", "flutes full", "chips", "time", "torque", "power", "sag")


def plan_lines(plan: Plan) -> list[str]:
    """Return heading, table and what stands below it."""
    job = plan.job
    depth, diameter, flutes = (
        format_length(mm, job.units) for mm in (job.depth_mm, job.drill_diameter_mm, job.flute_length_mm)
    )
    return [
        f"{job.name}: {format_count(job.blanks, 'blank')} of {job.properties.name}",
        f"hole {depth} deep, drill {diameter} with {flutes} of flutes, {format_speed(job.spindle_rpm)} "
        f"({format_surface_speed(cutting_speed(job), job.units)}), "
        f"{format_feed(job.feed_mm_per_rev, job.units)}",
        "",
        *_aligned([_COLUMNS, _units_row(job.units), *(_row(peck, job.units) for peck in plan.pecks)]),
        "",
        *(line for said in (*_time_lines(plan), *_load_lines(plan)) for line in wrapped(said)),
    ]


def caution_lines(found: Sequence[Caution]) -> list[str]:
    """Return what to mend and what to know, as lists."""
    lines: list[str] = []
    for heading, warning in (("Mend or mind before cutting:", True), ("Worth knowing:", False)):
        said = [caution.text for caution in found if caution.warning is warning]
        lines += ["", heading, *(line for text in said for line in wrapped(text, "  - "))] if said else []
    return lines


def wrapped(text: str, mark: str = "") -> list[str]:
    """Return a sentence in lines of a terminal's width, the first with a mark and the others set in."""
    return textwrap.wrap(text, _WIDTH, initial_indent=mark, subsequent_indent=" " * len(mark))


def schedule_line(name: str, plan: Plan, against: Plan) -> str:
    """Return another schedule in one line, with what it gains or costs against the first one."""
    units = plan.job.units
    lengths = [peck.length_mm for peck in plan.pecks]
    count = format_count(len(lengths), "peck")
    said = f"{name}: {count}, {pecks_text(lengths, units)}; {clock(plan.hole_s)} a hole"
    change = plan.hole_s - against.hole_s
    if plan.missing:
        return f"{said} of feeding"
    if abs(change) < 0.05:
        return f"{said}, as the job's"
    return f"{said}, {clock(abs(change))} {'less' if change < 0 else 'more'} than the job's"


def pecks_text(lengths_mm: Sequence[float], units: Units) -> str:
    """Return pecks in one line, equal ones together.

    >>> pecks_text([18.0, 18.0, 6.0, 6.0, 6.0, 2.0], "mm")
    '2 x 18, 3 x 6, 2 mm'
    """
    runs: list[tuple[int, str]] = []
    for mm in lengths_mm:
        text = format_length(mm, units).split()[0]
        if runs and runs[-1][1] == text:
            runs[-1] = (runs[-1][0] + 1, text)
        else:
            runs.append((1, text))
    return ", ".join(text if count == 1 else f"{count} x {text}" for count, text in runs) + f" {units}"


def clock(seconds: float) -> str:
    """Return a time as people say it.

    >>> clock(9.26), clock(83.4), clock(3725)
    ('9.3 s', '1 min 23 s', '1 h 02 min')
    """
    if seconds < 59.95:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"


def material_lines(table: Mapping[str, Material]) -> list[str]:
    """Return the table of materials, every value with its source."""
    lines: list[str] = []
    for key in sorted(table):
        entry = table[key]
        lines += ["", f"{key}: {entry.name}"] if lines else [f"{key}: {entry.name}"]
        for name, source in entry.sources.items():
            lines.append(f"  {name:18}{_material_value(entry, name):32}{source}")
        lines += [f"  note: {note}" for note in entry.notes]
    return lines


def plan_json(plan: Plan, found: Sequence[Caution], others: Mapping[str, Plan]) -> dict[str, Any]:
    """Return the plan as plain data: lengths in mm, times in s, torque in N m, power in W, fill 1 = full."""
    job = plan.job
    return {
        "job": {
            "name": job.name,
            "blanks": job.blanks,
            "material": job.material,
            "units": job.units,
            "spindle_rpm": job.spindle_rpm,
            "cutting_speed_m_min": cutting_speed(job),
            "drill_diameter_mm": job.drill_diameter_mm,
            "flute_length_mm": job.flute_length_mm,
            "feed_mm_per_rev": job.feed_mm_per_rev,
            "depth_mm": job.depth_mm,
        },
        "bulking": plan.bulking,
        **_schedule_json(plan),
        "batch_s": plan.batch_s,
        "reload_s": job.reload_s,
        "time_without": list(plan.missing),
        "cautions": [asdict(caution) for caution in found],
        **{name: _schedule_json(other) for name, other in others.items()},
    }


def _schedule_json(plan: Plan) -> dict[str, Any]:
    pecks = [{**asdict(peck), "chips": _chips(peck), "seconds": peck.seconds} for peck in plan.pecks]
    return {"pecks": pecks, "hole_s": plan.hole_s}


def _units_row(units: Units) -> tuple[str, ...]:
    return ("", units, units, units, "%", "", "s", "N m", "W", "%")


def _row(peck: PlannedPeck, units: Units) -> tuple[str, ...]:
    more = "+" if peck.trapped_mm > 0 else ""
    return (
        str(peck.number),
        _length(peck.from_mm, units),
        _length(peck.to_mm, units),
        _length(peck.length_mm, units),
        f"{peck.fill:.0%} ({peck.fill_low:.0%} to {peck.fill_high:.0%})".replace("%", "")
        if peck.fill
        else "0",
        _chips(peck),
        f"{peck.seconds:.1f}",
        f"{peck.torque_nm:.3g}{more}",
        f"{peck.power_w:.3g}{more}",
        "?" if peck.sag_pct is None else f"{peck.sag_pct:.2g}{more}",
    )


def _chips(peck: PlannedPeck) -> str:
    if peck.trapped_mm <= 0:
        return "leave"
    return "trapped" if peck.trapped_mm >= peck.length_mm - 1e-9 else "trapped at its end"


def _length(mm: float, units: Units) -> str:
    return f"{mm / MM_PER_INCH:.3f}" if units == "in" else f"{mm:.2f}"


def _aligned(rows: Sequence[tuple[str, ...]]) -> list[str]:
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def _time_lines(plan: Plan) -> list[str]:
    job = plan.job
    if plan.missing:
        return [
            f"Time of feeding alone: {clock(plan.hole_s)} a hole. For rapids the job has to say "
            f"{_listed(plan.missing)}."
        ]
    spot = " Centre drilling is not counted." if job.spot_rpm is not None else ""
    parts = {
        "feeding": sum(peck.feed_s for peck in plan.pecks),
        "rapids": sum(peck.rapid_s or 0.0 for peck in plan.pecks),
        "dwell": sum(peck.dwell_s for peck in plan.pecks),
    }
    said = ", ".join(f"{name} {clock(seconds)}" for name, seconds in parts.items() if seconds)
    reload = (
        "changing blanks not counted (machine.reload)"
        if job.reload_s is None
        else f"with {clock(job.reload_s)} to change each blank"
    )
    instant = (
        "" if job.acceleration_mm_s2 else " Rapids taken to start and stop at once (machine.acceleration)."
    )
    batch = f"Batch of {job.blanks}: {clock(plan.batch_s)}, {reload}."
    return [f"Hole: {clock(plan.hole_s)} ({said}). {batch}{spot}{instant}"]


def _load_lines(plan: Plan) -> list[str]:
    job, material = plan.job, plan.job.properties
    _, low, high = (
        drilling_torque(kc, job.feed_mm_per_rev, job.drill_diameter_mm) for kc in cutting_force(job)
    )
    ranged = f" ({low:.2g} to {high:.2g} for what is not known of it)" if high > low else ""
    torque = plan.pecks[0].torque_nm
    lines = [
        f"Torque is that of a sharp drill cutting {material.name} freely, {torque:.3g} N m{ranged}; trapped "
        "chips come on top (+)."
    ]
    if job.droop_rpm_per_nm is None:
        one_percent = 0.01 * job.spindle_rpm / torque
        lines.append(
            "Sag is not known: the job has to say how far this spindle slows under load (machine.droop). A "
            f'mean sag of 1 % heard in pecks that cut freely here would make it "{one_percent:.3g} rpm/Nm", '
            "in proportion."
        )
    return lines


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


_UNITS_OF = {
    "kc": "N/mm^2",
    "speed_m_min": "m/min",
    "feed_of_diameter": "mm/rev per mm",
    "softens_c": "C",
    "heat_j_cm3k": "J/(cm^3 K)",
    "point_deg": "deg",
    "deep_point_deg": "deg",
    "lip_clearance_deg": "deg",
}


def _material_value(entry: Material, name: str) -> str:
    value, unit = getattr(entry, name), _UNITS_OF.get(name, "")
    if isinstance(value, tuple):
        text = f"{value[0]:g} to {value[1]:g} {unit}"
    elif isinstance(value, str):
        text = value
    else:
        low, high = entry.span(name)
        text = f"{value:g} {unit}".rstrip() + (f" ({low:g} to {high:g})" if high > low else "")
    return text.rstrip()
