"""The text of a job file, written from a job or from what a program says of one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from monitor.job import Job, expand_pecks, with_material
from monitor.planning.program_holes import SAME_MM, Drilling, ProgramHole
from monitor.quantities import MM_PER_INCH, Units
from monitor.toml_tables import toml_text

Tables = Mapping[str, Mapping[str, str | None]]
"""Keys with their values as written, None where not known."""

_ASKED = {
    "name": '"cord pulls"',
    "blanks": "24",
    "material": '"acrylic"',
    "speed": '"900 rpm"',
    "diameter": '"6 mm"',
    "flutes": "2",
    "flute_length": '"50 mm"',
    "feed": '"0.08 mm/rev"',
}
"""Keys that a job must have, with an example each."""


def job_text(job: Job) -> str:
    """Return a job file that reads as ``job``.

    Examples
    --------
    >>> from monitor.job import default_job, parse_job
    >>> parse_job(job_text(default_job()), "again") == default_job()
    True
    """
    units = job.units
    tables: Tables = {
        "job": {
            "name": toml_text(job.name),
            "blanks": str(job.blanks),
            "material": toml_text(job.material),
        },
        "spindle": {"speed": _value(job.spindle_rpm, "rpm"), "spot_speed": _value(job.spot_rpm, "rpm")},
        "drill": {
            "diameter": _length(job.drill_diameter_mm, units),
            "flutes": str(job.flutes),
            "flute_length": _length(job.flute_length_mm, units),
            "feed": _feed(job.feed_mm_per_rev, units),
            "point_angle": _value(job.point_angle_deg, "deg"),
            "lip_clearance": _value(job.lip_clearance_deg, "deg"),
        },
        "hole": {
            "depth": _length(job.depth_mm, units),
            "pecks": _pecks(job.pecks_mm, job.depth_mm, units),
            "clearance": _length(job.clearance_mm, units),
            "retract": _length(job.retract_mm, units),
            "approach": _length(job.approach_mm, units),
            "dwell": _value(job.dwell_s, "s"),
        },
        "machine": {
            "rapid": _rate(job.rapid_mm_min, units),
            "acceleration": _value(job.acceleration_mm_s2, "mm/s2"),
            "droop": _value(job.droop_rpm_per_nm, "rpm/Nm"),
            "reload": _value(job.reload_s, "s"),
        },
        "thresholds": {
            "sag_warning": _value(job.sag_warning_pct, "%"),
            "sag_hold": _value(job.sag_hold_pct, "%"),
            "warn_only": f"[{', '.join(map(toml_text, job.warn_only))}]" if job.warn_only else None,
        },
    }
    return with_material(_written(tables), job)


def program_text(found: ProgramHole, hole: Drilling, name: str) -> str:
    """Return the job file of a program's hole; what it does not say stands there as comments to fill in."""
    units = found.units
    tables: Tables = {
        "job": {"name": toml_text(name), "blanks": None, "material": None},
        "spindle": {
            "speed": _value(hole.rpm, "rpm"),
            "spot_speed": _value(found.centre.rpm if found.centre else None, "rpm"),
        },
        "drill": {
            "diameter": None,
            "flutes": None,
            "flute_length": None,
            "feed": _feed(hole.feed_mm_per_rev, units),
        },
        "hole": {
            "depth": _length(hole.depth_mm, units),
            "pecks": _pecks(hole.pecks_mm, hole.depth_mm, units),
            "clearance": _length(hole.clearance_mm, units),
            "retract": _length(hole.retract_mm, units),
            "approach": _length(hole.approach_mm, units),
            "dwell": _value(hole.dwell_s, "s"),
        },
    }
    return _written(tables)


def with_hole(job: Job, found: ProgramHole, hole: Drilling) -> Job:
    """Return the job with what a program says of its hole; the rest, such as the drill, stays the job's."""
    said = {
        "spindle_rpm": hole.rpm,
        "spot_rpm": found.centre.rpm if found.centre else None,
        "feed_mm_per_rev": hole.feed_mm_per_rev,
        "clearance_mm": hole.clearance_mm,
        "retract_mm": hole.retract_mm,
        "approach_mm": hole.approach_mm,
        "dwell_s": hole.dwell_s,
    }
    known = {key: value for key, value in said.items() if value is not None}
    hole_said = {"depth_mm": hole.depth_mm, "pecks_mm": hole.pecks_mm, "units": found.units}
    return job.model_copy(update={**known, **hole_said})


def repeated_pecks(pecks_mm: Sequence[float], depth_mm: float) -> tuple[float, ...]:
    """Return the shortest list of pecks that gives the schedule when its last one repeats.

    >>> repeated_pecks((20.0, 10.0, 6.0, 6.0, 3.0), 45.0)
    (20.0, 10.0, 6.0)
    """
    whole = tuple(pecks_mm)
    for count in range(1, len(whole)):
        again = expand_pecks(whole[:count], depth_mm)
        if len(again) == len(whole) and all(
            abs(one - other) < SAME_MM for one, other in zip(again, whole, strict=True)
        ):
            return whole[:count]
    return whole


def _written(tables: Tables) -> str:
    lines: list[str] = []
    for table, values in tables.items():
        shown = [line for key, value in values.items() for line in _line(key, value)]
        if shown:
            lines += [f"[{table}]", *shown, ""]
    return "\n".join(lines)


def _line(key: str, value: str | None) -> list[str]:
    if value is not None:
        return [f"{key} = {value}"]
    return (
        [f"# {key} = {_ASKED[key]}  # not known: write yours and take the first # away"]
        if key in _ASKED
        else []
    )


def _pecks(pecks_mm: Sequence[float], depth_mm: float, units: Units) -> str:
    return f"[{', '.join(str(_length(peck, units)) for peck in repeated_pecks(pecks_mm, depth_mm))}]"


def _length(mm: float | None, units: Units) -> str | None:
    if mm is None:
        return None
    return f'"{_plain(mm / MM_PER_INCH, 6)} in"' if units == "in" else f'"{_plain(mm, 5)} mm"'


def _feed(mm_per_rev: float | None, units: Units) -> str | None:
    if mm_per_rev is None:
        return None
    return f'"{mm_per_rev / MM_PER_INCH:.8g} in/rev"' if units == "in" else f'"{mm_per_rev:.8g} mm/rev"'


def _rate(mm_min: float | None, units: Units) -> str | None:
    if mm_min is None:
        return None
    return f'"{mm_min / MM_PER_INCH:.8g} in/min"' if units == "in" else f'"{mm_min:.8g} mm/min"'


def _value(number: float | None, unit: str) -> str | None:
    return None if number is None else f'"{number:.10g} {unit}"'


def _plain(number: float, decimals: int) -> str:
    text = f"{number:.{decimals}f}"
    return text.rstrip("0").rstrip(".")
