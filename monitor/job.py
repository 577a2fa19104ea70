"""The job file: what is drilled, how, and when to hold. TOML in, SI-like numbers out."""

from __future__ import annotations

import errno
import json
import os
import tomllib
from collections.abc import Collection, Iterator
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from monitor.errors import InputError, JobError
from monitor.planning.materials import Material, load_materials, material_toml, parse_materials
from monitor.quantities import Dimension, Quantity, Units, format_feed, format_length
from monitor.toml_tables import Table, parse_tables, quantity, read_toml_text

EXAMPLE = resources.files("monitor").joinpath("data/cord_pulls.toml")
"""The job of the demo; a file that a person may copy and change."""

LEAST_FEED_MM_PER_REV = 2e-4  # a rate at a high speed may mean less than could be written as a feed
MAX_PECKS = 1000  # a deeper schedule is a slip of the pen: no blank is pecked a thousand times


class Job(BaseModel):
    """One drilling batch, in millimetres, revolutions and per cent.

    ``pecks_mm`` is the whole schedule, in order, adding up to ``depth_mm``. ``properties`` are those of
    ``material``. Planes lie above the face: ``clearance_mm`` where the program begins and ends,
    ``retract_mm`` to which each peck is withdrawn; ``approach_mm`` is how far above the last depth the rapid
    back in ends, ``dwell_s`` the waiting of each peck, ``reload_s`` the time between two blanks. None where
    the job does not say. ``warn_only`` are kinds of fault that shall hold nothing. ``units`` are the
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
    warn_only: tuple[str, ...] = ()
    units: Units = "mm"
    properties: Material
    point_angle_deg: float | None = None
    lip_clearance_deg: float | None = None
    rapid_mm_min: float | None = None
    acceleration_mm_s2: float | None = None
    droop_rpm_per_nm: float | None = None
    reload_s: float | None = None
    clearance_mm: float | None = None
    retract_mm: float | None = None
    approach_mm: float | None = None
    dwell_s: float | None = None

    @model_validator(mode="before")
    @classmethod
    def _known_material(cls, data: Any) -> Any:
        """Take the properties from the table of this version where none are given."""
        if not isinstance(data, dict) or "properties" in data:
            return data
        known = load_materials().get(str(data.get("material")))
        return data if known is None else {**data, "properties": known}


def load_job(path: Path | str, materials: Path | None = None) -> Job:
    """Read and check a job file; ``materials`` extends the table of known materials.

    Raises
    ------
    JobError
        One line naming the file, the key, the value and the mend.
    InputError
        The same of the materials file.
    """
    return parse_job(read_job(path), str(path), materials)


def read_job(path: Path | str) -> str:
    """Read the text of a job file. Raises JobError."""
    try:
        return read_toml_text(path, "job file")
    except InputError as error:
        example = f"; an example is {EXAMPLE}" if os.strerror(errno.ENOENT) in str(error) else ""
        raise JobError(f"{error}{example}") from None


def parse_job(text: str, source: str, materials: Path | None = None) -> Job:
    """Read a job from TOML text; ``source`` is the name used in messages. Raises JobError."""
    try:
        file = parse_tables(text, source, _JobFile, _demo_text())
    except InputError as error:
        raise JobError(str(error)) from None
    table = load_materials(materials)
    try:
        table |= parse_materials(file.materials, "materials")
    except InputError as error:
        raise JobError(f"{source}: {error}") from None
    for key, problem in _contradictions(file, table):
        raise JobError(f"{source}: {key}: {problem}")
    return _job(file, table[file.job.material])


def with_material(text: str, job: Job) -> str:
    """Return the text of a job file with the material's values in it, where they are not the usual ones.

    So that what is stored beside evidence can be read again without the person's materials file.
    """
    if load_materials().get(job.material) == job.properties or "materials" in tomllib.loads(text):
        return text
    return f"{text.rstrip()}\n\n{material_toml(job.properties, 'materials')}"


def default_job() -> Job:
    """The job of the demo, a synthetic batch: lamp cord pulls in cast acrylic."""
    return parse_job(_demo_text(), "cord_pulls.toml")


def _demo_text() -> str:
    return EXAMPLE.read_text("utf-8")


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


_Length = Annotated[Quantity, quantity(Dimension.LENGTH)]
_Speed = Annotated[Quantity, quantity(Dimension.SPEED)]
_Feed = Annotated[Quantity, quantity(Dimension.FEED_PER_REV, Dimension.FEED_RATE)]
_Percent = Annotated[Quantity, quantity(Dimension.PERCENT)]
_Rate = Annotated[Quantity, quantity(Dimension.FEED_RATE)]
_Time = Annotated[Quantity, quantity(Dimension.TIME)]
_Angle = Annotated[Quantity, quantity(Dimension.ANGLE)]
_Acceleration = Annotated[Quantity, quantity(Dimension.ACCELERATION)]
_Droop = Annotated[Quantity, quantity(Dimension.DROOP)]
_MayOnlyWarn = Literal["stall", "packing", "melting", "chatter", "loosening", "lost_cut"]
# Not sag, which has thresholds of its own; nor the kinds that say that the ear is deaf: then nothing is well.


def _printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError(
            f"{json.dumps(text[:40])} holds what cannot be printed; write letters, digits and signs"
        )
    return text


_Name = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_printable)]


class _JobTable(Table):
    name: _Name
    blanks: int = Field(ge=1, le=100_000)
    material: _Name


class _SpindleTable(Table):
    speed: _Speed
    spot_speed: _Speed | None = None


class _DrillTable(Table):
    diameter: _Length
    flutes: int = Field(ge=1, le=8)
    flute_length: _Length
    feed: _Feed
    point_angle: _Angle | None = None
    lip_clearance: _Angle | None = None


class _HoleTable(Table):
    depth: _Length
    pecks: list[_Length] = Field(min_length=1, max_length=MAX_PECKS)
    clearance: _Length | None = None
    retract: _Length | None = None
    approach: _Length | None = None
    dwell: _Time | None = None


class _MachineTable(Table):
    rapid: _Rate | None = None
    acceleration: _Acceleration | None = None
    droop: _Droop | None = None
    reload: _Time | None = None


class _ThresholdsTable(Table):
    sag_warning: _Percent = Quantity(4.0, Dimension.PERCENT, "%")
    sag_hold: _Percent = Quantity(8.0, Dimension.PERCENT, "%")
    warn_only: list[_MayOnlyWarn] = Field(default=[])


class _JobFile(Table):
    job: _JobTable
    spindle: _SpindleTable
    drill: _DrillTable
    hole: _HoleTable
    machine: _MachineTable = _MachineTable()
    thresholds: _ThresholdsTable = _ThresholdsTable()
    materials: dict[str, Any] = Field(default={})


def _job(file: _JobFile, properties: Material) -> Job:
    return Job(
        name=file.job.name,
        blanks=file.job.blanks,
        material=file.job.material,
        spindle_rpm=file.spindle.speed.value,
        spot_rpm=_value(file.spindle.spot_speed),
        drill_diameter_mm=file.drill.diameter.value,
        flutes=file.drill.flutes,
        flute_length_mm=file.drill.flute_length.value,
        feed_mm_per_rev=_feed_mm_per_rev(file),
        depth_mm=file.hole.depth.value,
        pecks_mm=expand_pecks(tuple(peck.value for peck in file.hole.pecks), file.hole.depth.value),
        sag_warning_pct=file.thresholds.sag_warning.value,
        sag_hold_pct=file.thresholds.sag_hold.value,
        warn_only=tuple(dict.fromkeys(file.thresholds.warn_only)),
        units=_units(file),
        properties=properties,
        point_angle_deg=_value(file.drill.point_angle),
        lip_clearance_deg=_value(file.drill.lip_clearance),
        rapid_mm_min=_value(file.machine.rapid),
        acceleration_mm_s2=_value(file.machine.acceleration),
        droop_rpm_per_nm=_value(file.machine.droop),
        reload_s=_value(file.machine.reload),
        clearance_mm=_value(file.hole.clearance),
        retract_mm=_value(file.hole.retract),
        approach_mm=_value(file.hole.approach),
        dwell_s=_value(file.hole.dwell),
    )


def _value(quantity: Quantity | None) -> float | None:
    return None if quantity is None else quantity.value


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
        yield "job.material", _no_material(file.job.material, sorted(materials))
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
    # Even a stub drill's flutes are longer than it is wide (common practice, no published source).
    if file.drill.flute_length.value < diameter:
        yield (
            "drill.flute_length",
            f"{format_length(file.drill.flute_length.value, units)} is less than the drill's diameter "
            f"({format_length(diameter, units)}); check the units of both",
        )
    # A twist drill is fed 1 to 5 hundredths of its diameter a revolution; at half a diameter it screws in.
    if feed > diameter / 2:
        yield (
            "drill.feed",
            f"{format_feed(feed, units)} is over half the drill's diameter each revolution; "
            "check the unit, and the speed if this is a rate",
        )
    if feed < LEAST_FEED_MM_PER_REV:
        yield (
            "drill.feed",
            f"{format_feed(feed, units)} each revolution cuts no chip; check the unit and the speed",
        )
    yield from plane_contradictions(_value(file.hole.clearance), _value(file.hole.retract), units)
    warning, hold = file.thresholds.sag_warning.value, file.thresholds.sag_hold.value
    if warning >= hold:
        yield (
            "thresholds.sag_warning",
            f"{warning:g} % is not below sag_hold ({hold:g} %); a warning has to come before the hold",
        )


_ACRYLIC = ("pmma", "plexiglass", "plexiglas", "perspex", "lucite", "cast acrylic")


def _no_material(written: str, known: list[str]) -> str:
    shown, near = json.dumps(written, ensure_ascii=False), written.strip().lower()
    near = "acrylic" if near in _ACRYLIC else near
    mend = f'write "{near}"' if near in known else f"known: {', '.join(known)}; --materials adds your own"
    return f"{shown} is not in the materials table; {mend}"


def plane_contradictions(
    clearance_mm: float | None, retract_mm: float | None, units: Units
) -> Iterator[tuple[str, str]]:
    """What cannot be true of the planes above the face: (key, problem and mend)."""
    if clearance_mm is not None and retract_mm is not None and clearance_mm < retract_mm:
        yield (
            "hole.clearance",
            f"{format_length(clearance_mm, units)} is nearer to the face than the retract plane "
            f"({format_length(retract_mm, units)}); both are heights above the face, clearance the higher",
        )
