"""The job file: what is drilled, how, and when to hold. TOML in, SI-like numbers out."""

from __future__ import annotations

import difflib
import json
import tomllib
from collections.abc import Collection, Iterator
from importlib import resources
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from monitor.errors import JobError
from monitor.planning.materials import load_materials
from monitor.quantities import Dimension, Quantity, Units, format_feed, format_length, parse_quantity

MAX_FILE_BYTES = 1_000_000  # a job file is under 1 kB; more is another kind of file
MAX_PECKS = 1000  # a deeper schedule is a slip of the pen: no blank is pecked a thousand times


class Job(BaseModel):
    """One drilling batch, in millimetres, revolutions and per cent.

    ``pecks_mm`` is the whole schedule, in order, adding up to ``depth_mm``. ``units`` are the
    person's own, for giving values back to them.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    blanks: int = Field(ge=1)
    material: str
    spindle_rpm: float = Field(gt=0)
    spot_rpm: float | None = Field(default=None, gt=0)
    drill_diameter_mm: float = Field(gt=0)
    flutes: int = Field(ge=1)
    flute_length_mm: float = Field(gt=0)
    feed_mm_per_rev: float = Field(gt=0)
    depth_mm: float = Field(gt=0)
    pecks_mm: tuple[float, ...] = Field(min_length=1)
    sag_warning_pct: float = Field(default=4.0, gt=0, lt=100)
    sag_hold_pct: float = Field(default=8.0, gt=0, le=100)
    units: Units = "mm"


def load_job(path: Path | str, materials: Path | None = None) -> Job:
    """Read and check a job file; ``materials`` extends the table of known materials.

    Raises
    ------
    JobError
        One line naming the file, the key, the value and the mend.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            content = file.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        raise JobError(f"{path}: cannot be read: {error.strerror}; give the path of a job file") from None
    if len(content) > MAX_FILE_BYTES:
        raise JobError(f"{path}: is over 1 MB; a job file is a short TOML text")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise JobError(f"{path}: line {line} is not UTF-8 text; save the job file as UTF-8") from None
    return parse_job(text, str(path), materials)


def parse_job(text: str, source: str, materials: Path | None = None) -> Job:
    """Read a job from TOML text; ``source`` is the name used in messages. Raises JobError."""
    try:
        written = tomllib.loads(text)
    except ValueError as error:  # TOMLDecodeError, and numbers too long for Python
        raise JobError(f"{source}: is not TOML: {error}") from None
    except RecursionError:
        raise JobError(f"{source}: is not a job file: nested too deeply") from None
    try:
        file = _JobFile.model_validate(written)
    except ValidationError as error:
        raise JobError(f"{source}: {_explain(error)}") from None
    for key, problem in _contradictions(file, load_materials(materials)):
        raise JobError(f"{source}: {key}: {problem}")
    return _job(file)


def default_job() -> Job:
    """The job of the demo, a synthetic batch: lamp cord pulls in cast acrylic."""
    return parse_job(_demo_text(), "cord_pulls.toml")


def _demo_text() -> str:
    return resources.files("monitor").joinpath("data/cord_pulls.toml").read_text("utf-8")


def expand_pecks(pecks_mm: tuple[float, ...], depth_mm: float) -> tuple[float, ...]:
    """The whole schedule: the last peck repeats, and the final one stops at the depth.

    >>> expand_pecks((20.0, 10.0, 6.0), 45.0)
    (20.0, 10.0, 6.0, 6.0, 3.0)
    """
    schedule: list[float] = []
    left = depth_mm
    while left > 1e-6 * depth_mm and len(schedule) < MAX_PECKS:  # under a micron in a metre: rounding
        peck = min(pecks_mm[min(len(schedule), len(pecks_mm) - 1)], left)
        schedule.append(peck)
        left -= peck
    return tuple(schedule)


# The file as written.


def _quantity(*dimensions: Dimension) -> BeforeValidator:
    return BeforeValidator(lambda written: parse_quantity(written, *dimensions))


_Length = Annotated[Quantity, _quantity(Dimension.LENGTH)]
_Speed = Annotated[Quantity, _quantity(Dimension.SPEED)]
_Feed = Annotated[Quantity, _quantity(Dimension.FEED_PER_REV, Dimension.FEED_RATE)]
_Percent = Annotated[Quantity, _quantity(Dimension.PERCENT)]
_Name = Annotated[str, Field(min_length=1, max_length=200)]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class _JobTable(_Table):
    name: _Name
    blanks: int = Field(ge=1, le=100_000)
    material: _Name


class _SpindleTable(_Table):
    speed: _Speed
    spot_speed: _Speed | None = None


class _DrillTable(_Table):
    diameter: _Length
    flutes: int = Field(ge=1, le=8)
    flute_length: _Length
    feed: _Feed


class _HoleTable(_Table):
    depth: _Length
    pecks: list[_Length] = Field(min_length=1, max_length=MAX_PECKS)


class _ThresholdsTable(_Table):
    sag_warning: _Percent = Quantity(4.0, Dimension.PERCENT, "%")
    sag_hold: _Percent = Quantity(8.0, Dimension.PERCENT, "%")


class _JobFile(_Table):
    job: _JobTable
    spindle: _SpindleTable
    drill: _DrillTable
    hole: _HoleTable
    thresholds: _ThresholdsTable = _ThresholdsTable()


def _job(file: _JobFile) -> Job:
    return Job(
        name=file.job.name,
        blanks=file.job.blanks,
        material=file.job.material,
        spindle_rpm=file.spindle.speed.value,
        spot_rpm=file.spindle.spot_speed.value if file.spindle.spot_speed else None,
        drill_diameter_mm=file.drill.diameter.value,
        flutes=file.drill.flutes,
        flute_length_mm=file.drill.flute_length.value,
        feed_mm_per_rev=_feed_mm_per_rev(file),
        depth_mm=file.hole.depth.value,
        pecks_mm=expand_pecks(tuple(peck.value for peck in file.hole.pecks), file.hole.depth.value),
        sag_warning_pct=file.thresholds.sag_warning.value,
        sag_hold_pct=file.thresholds.sag_hold.value,
        units=_units(file),
    )


def _feed_mm_per_rev(file: _JobFile) -> float:
    feed = file.drill.feed
    if feed.dimension is Dimension.FEED_RATE:
        return feed.value / file.spindle.speed.value
    return feed.value


def _units(file: _JobFile) -> Units:
    """The units of most lengths and feeds; the depth decides a draw, being the one worked to."""
    lengths = [
        file.drill.diameter,
        file.drill.flute_length,
        file.drill.feed,
        file.hole.depth,
        *file.hole.pecks,
    ]
    inches = sum(length.inches for length in lengths)
    if 2 * inches == len(lengths):
        return "in" if file.hole.depth.inches else "mm"
    return "in" if 2 * inches > len(lengths) else "mm"


def _contradictions(file: _JobFile, materials: Collection[str]) -> Iterator[tuple[str, str]]:
    """What cannot be true of any drilling job: (key, problem and mend)."""
    if file.job.material not in materials:
        known = ", ".join(sorted(materials))
        yield "job.material", f"{json.dumps(file.job.material)} is not in the materials table; known: {known}"
    units = _units(file)
    depth, diameter, feed = file.hole.depth.value, file.drill.diameter.value, _feed_mm_per_rev(file)
    for i, peck in enumerate(file.hole.pecks):
        if peck.value > depth * (1 + 1e-6):
            yield (
                f"hole.pecks[{i}]",
                f"{format_length(peck.value, units)} is deeper than the hole; "
                f"write at most {format_length(depth, units)}, or a larger hole.depth",
            )
    if sum(expand_pecks(tuple(peck.value for peck in file.hole.pecks), depth)) < depth * (1 - 1e-3):
        yield "hole.pecks", f"more than {MAX_PECKS} pecks to the depth; write a longer last peck"
    # A twist drill is fed 1 to 5 hundredths of its diameter a revolution; at half a diameter it screws in.
    if feed > diameter / 2:
        yield (
            "drill.feed",
            f"{format_feed(feed, units)} is over half the drill's diameter each revolution; "
            "check the unit, and the speed if this is a rate",
        )
    warning, hold = file.thresholds.sag_warning.value, file.thresholds.sag_hold.value
    if warning >= hold:
        yield (
            "thresholds.sag_warning",
            f"{warning:g} % is not below sag_hold ({hold:g} %); a warning has to come before the hold",
        )


# What pydantic found wrong, as one line a machinist can act on.


def _explain(error: ValidationError) -> str:
    # A misspelt key is both unknown and missing: name the misspelling.
    problems = sorted(error.errors(), key=lambda problem: problem["type"] == "missing")
    first = problems[0]
    more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
    return f"{_key(first['loc'])}: {_problem(first)}{more}"


def _key(location: tuple[int | str, ...]) -> str:
    return "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in location).lstrip(".")


_MENDS = {
    "int_type": "is not a whole number; write digits without quotes",
    "string_type": "is not text; write it in quotes",
    "string_too_short": "is empty; write something",
    "list_type": 'is not a list; write it like ["20 mm", "6 mm"]',
    "too_short": "is empty; write at least one",
    "greater_than_equal": "is too small; write at least {ge}",
    "less_than_equal": "is too large; write at most {le}",
}


def _problem(problem: Any) -> str:
    kind, context = problem["type"], problem.get("ctx", {})
    if kind == "value_error":
        return str(context["error"])
    if kind == "extra_forbidden":
        return _unknown(problem["loc"])
    if kind == "missing":
        return _missing(problem["loc"])
    if kind == "model_type":
        return f"is not a table; write [{problem['loc'][-1]}] on a line of its own"
    shown = json.dumps(problem["input"], ensure_ascii=False, default=str)[:60]
    return f"{shown} {_MENDS.get(kind, problem['msg']).format(**context)}"


def _missing(location: tuple[int | str, ...]) -> str:
    if len(location) == 1:
        return f"is missing; write a [{location[0]}] table"
    example: Any = tomllib.loads(_demo_text())
    for part in location:
        example = example[part]
    return f"is missing; write for example {location[-1]} = {json.dumps(example)}"


def _unknown(location: tuple[int | str, ...]) -> str:
    table: Any = _JobFile
    for part in location[:-1]:
        table = table.model_fields[str(part)].annotation
    known = list(table.model_fields)
    near = difflib.get_close_matches(str(location[-1]), known, n=1, cutoff=0.5)
    mend = f'did you mean "{near[0]}"?' if near else f"known here: {', '.join(known)}"
    return f"unknown key; {mend}"
