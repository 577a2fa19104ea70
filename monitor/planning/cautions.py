"""What a plan warns of, in plain words. Every rule says where its number comes from."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from monitor.planning.pecking import LONGEST_PECK_DIAMETERS
from monitor.planning.plan import Plan, PlannedPeck, cutting_force, cutting_speed
from monitor.quantities import format_feed, format_length, format_surface_speed

DEEP_DIAMETERS = 3.0
"""A hole is deep from here on (makers' fabrication guides of acrylic)."""

WANDERS_DIAMETERS = 10.0
"""A twist drill wanders in holes deeper than some ten diameters (common practice, no published source)."""

ROOM_C = 20.0
"""Of the blank before it is drilled."""


@dataclass(frozen=True)
class Caution:
    """One caution: ``warning`` when it should be mended before cutting, else worth knowing."""

    kind: str
    warning: bool
    text: str


def cautions(plan: Plan, fill_limit: float) -> list[Caution]:
    """Return what to mend (first) and what to know before cutting; ``fill_limit`` as a share, 1 = full."""
    rules: Sequence[Callable[[Plan], Iterator[Caution]]] = (
        lambda p: _fill(p, fill_limit),
        _flutes_end,
        _long_pecks,
        _speed,
        _feed,
        _softening,
        _sag,
        _start,
        _point,
        _notes,
    )
    found = [caution for rule in rules for caution in rule(plan)]
    return sorted(found, key=lambda caution: not caution.warning)


def _fill(plan: Plan, limit: float) -> Iterator[Caution]:
    over = [peck for peck in plan.pecks if peck.fill > 1.0 + 1e-9]
    above = [peck for peck in plan.pecks if limit + 5e-3 < peck.fill <= 1.0 + 1e-9]
    if over:
        yield Caution(
            "overfull",
            True,
            f"{_pecks(over)} {_leave(over)} the flutes {_most(over)} full: chips that find no room are "
            "pressed together, and bind or melt.",
        )
    if above:
        yield Caution(
            "fill", True, f"{_pecks(above)} {_leave(above)} the flutes {_most(above)} full, over {limit:.0%}."
        )
    fullest = max(plan.pecks, key=lambda peck: peck.fill)
    if not over and fullest.fill_high > 1.0:
        yield Caution(
            "fill_unsure",
            False,
            f"The fullest flutes are reckoned {fullest.fill:.0%} full, but how much room chips take is not "
            f"well known: {fullest.fill_low:.0%} to {fullest.fill_high:.0%} is possible. The load that "
            "climbs within a peck tells better; put what it tells in --bulking.",
        )


def _flutes_end(plan: Plan) -> Iterator[Caution]:
    job = plan.job
    if job.depth_mm <= job.flute_length_mm:
        return
    short = format_length(job.depth_mm - job.flute_length_mm, job.units)
    flutes = format_length(job.flute_length_mm, job.units)
    yield Caution(
        "flutes_short",
        False,
        f"The drill's flutes are {flutes} long and end {short} before the hole does: below {flutes} a peck's "
        "chips are trapped until the drill comes out.",
    )


def _long_pecks(plan: Plan) -> Iterator[Caution]:
    job = plan.job
    longest = max(plan.pecks, key=lambda peck: peck.length_mm)
    diameters = longest.length_mm / job.drill_diameter_mm
    if diameters > LONGEST_PECK_DIAMETERS + 1e-6:
        yield Caution(
            "long_peck",
            False,
            f"Peck {longest.number} drills {diameters:.1f} diameters without the drill coming out; chips "
            f"climb less and less well beyond some {LONGEST_PECK_DIAMETERS:g} (makers' guides for acrylic, "
            "common practice elsewhere), even where the flutes are open.",
        )


def _speed(plan: Plan) -> Iterator[Caution]:
    speed, material = cutting_speed(plan.job), plan.job.properties
    low, high = material.speed_m_min
    units = plan.job.units
    least = format_surface_speed(low, units, unit=False)
    said = (
        f"{format_surface_speed(speed, units)} at the drill's rim, usually {least} to "
        f"{format_surface_speed(high, units)}"
    )
    if speed > high:
        hot = f": it softens near {material.softens_c:g} C" if material.softens_c is not None else ""
        slower = plan.job.spindle_rpm * high / speed
        yield Caution(
            "speed_high",
            True,
            f"Speed is high for {material.name}{hot} ({said}); {slower:.3g} rpm would be at the usual limit.",
        )
    elif speed < low:
        yield Caution(
            "speed_low",
            False,
            f"Speed is low for {material.name} ({said}): slow, not harmful; slower is safer from heat.",
        )


def _feed(plan: Plan) -> Iterator[Caution]:
    job, material = plan.job, plan.job.properties
    if material.feed_of_diameter is None:
        return
    low, high = (share * job.drill_diameter_mm for share in material.feed_of_diameter)
    said = (
        f"{format_feed(job.feed_mm_per_rev, job.units)}, usually {format_feed(low, job.units)} to "
        f"{format_feed(high, job.units)} with this drill"
    )
    if job.feed_mm_per_rev > high * (1 + 1e-9):
        yield Caution("feed_high", True, f"Feed is high for {material.name} ({said}).")
    elif job.feed_mm_per_rev < low * (1 - 1e-9):
        rubs = (
            "a drill that rubs instead of cutting makes heat" if material.softens_c else "the drill may rub"
        )
        yield Caution("feed_low", True, f"Feed is low for {material.name} ({said}): {rubs}.")


def chip_temperature(plan: Plan) -> tuple[float, float, float] | None:
    """Return the chip's temperature in C if it keeps all the heat of cutting it: reckoned, lowest, highest.

    Energy balance: cutting a volume takes kc (1 N/mm^2 = 1 J/cm^3), which warms it by kc over its heat
    capacity. None where the heat capacity is not known.
    """
    material = plan.job.properties
    if material.heat_j_cm3k is None:
        return None
    kc, kc_low, kc_high = cutting_force(plan.job)
    heat_low, heat_high = material.span("heat_j_cm3k")
    return (
        ROOM_C + kc / material.heat_j_cm3k,
        ROOM_C + kc_low / heat_high,
        ROOM_C + kc_high / heat_low,
    )


def _softening(plan: Plan) -> Iterator[Caution]:
    material, reached = plan.job.properties, chip_temperature(plan)
    if material.softens_c is None or reached is None or reached[2] < material.softens_c:
        return
    likely, low, high = reached
    yield Caution(
        "softening",
        False,
        f"A chip that keeps the heat of cutting it warms from {ROOM_C:.0f} C to about {likely:.0f} C "
        f"({low:.0f} to {high:.0f}), and {material.name} softens near {material.softens_c:g} C: chips that "
        "stay in the flutes stick. Clear them often, keep the drill sharp, cool deep holes.",
    )


def _sag(plan: Plan) -> Iterator[Caution]:
    job, sag = plan.job, plan.pecks[0].sag_pct
    if sag is not None and sag >= job.sag_warning_pct:
        held = f"hold at {job.sag_hold_pct:g} %" if sag >= job.sag_hold_pct else "warning"
        yield Caution(
            "sag",
            True,
            f"Cutting freely already slows the spindle by {sag:.2g} %, over the job's limit of "
            f"{job.sag_warning_pct:g} %: every peck would raise a {held}. Feed slower; or, if "
            "this machine sags so much in good work, set the limits above it.",
        )


def _start(plan: Plan) -> Iterator[Caution]:
    job = plan.job
    diameters = job.depth_mm / job.drill_diameter_mm
    if job.spot_rpm is None and diameters > DEEP_DIAMETERS:
        yield Caution(
            "no_centre",
            True,
            "No centre drilling is named (spindle.spot_speed). Without it a drill starts off the middle, and "
            f"over {diameters:.0f} diameters of depth it walks further.",
        )
    if diameters > WANDERS_DIAMETERS:
        yield Caution(
            "wanders",
            False,
            f"The hole is {diameters:.0f} diameters deep; beyond some {WANDERS_DIAMETERS:g} a twist drill "
            "wanders (common practice). Check where it comes out on the first blank.",
        )


def _point(plan: Plan) -> Iterator[Caution]:
    job, material = plan.job, plan.job.properties
    deep = job.depth_mm > DEEP_DIAMETERS * job.drill_diameter_mm
    wanted, source = material.point_deg, material.sources.get("point_deg", "")
    if deep and material.deep_point_deg is not None:
        wanted = (material.deep_point_deg, material.deep_point_deg)
        source = material.sources["deep_point_deg"]
    if wanted is not None:
        yield from _angle("point", "point angle", job.point_angle_deg, wanted, source)
    if material.lip_clearance_deg is not None:
        source = material.sources["lip_clearance_deg"]
        yield from _angle(
            "lip_clearance", "lip clearance", job.lip_clearance_deg, material.lip_clearance_deg, source
        )


def _angle(
    kind: str, noun: str, has: float | None, wanted: tuple[float, float], source: str
) -> Iterator[Caution]:
    low, high = wanted
    advice = f"{low:g} degrees" if low == high else f"{low:g} to {high:g} degrees"
    if has is None:
        yield Caution(kind, False, f"A {noun} of {advice} is advised here ({source}).")
    elif not low - 2.0 <= has <= high + 2.0:  # what a person grinds and measures by hand
        yield Caution(kind, True, f"The {noun} is {has:g} degrees; {advice} is advised here ({source}).")


def _notes(plan: Plan) -> Iterator[Caution]:
    for note in plan.job.properties.notes:
        yield Caution("material", False, note)


def _pecks(pecks: Sequence[PlannedPeck]) -> str:
    numbers = [peck.number for peck in pecks]
    if len(numbers) == 1:
        return f"Peck {numbers[0]}"
    if numbers == list(range(numbers[0], numbers[-1] + 1)):
        return f"Pecks {numbers[0]} to {numbers[-1]}"
    return f"Pecks {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"


def _leave(pecks: Sequence[PlannedPeck]) -> str:
    return "leaves" if len(pecks) == 1 else "leave"


def _most(pecks: Sequence[PlannedPeck]) -> str:
    return f"{'up to ' if len(pecks) > 1 else ''}{max(peck.fill for peck in pecks):.0%}"
