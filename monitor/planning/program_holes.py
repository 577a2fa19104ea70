"""Which holes a program's moves drill: the pecks of each drilling on the axis, its feed, speed and planes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

from monitor.job import MAX_PECKS
from monitor.planning.program import Program
from monitor.planning.program_state import Note, Remark, Step
from monitor.quantities import Units, format_length

SAME_MM = 0.002
"""Heights nearer than this are the same: programs round to a micron or to a ten-thousandth of an inch."""

CENTRE_SHARE = 0.2
"""A drilling with another tool or speed, before the hole and not deeper than this share, is its centre."""


@dataclass(frozen=True)
class Drilling:
    """One drilling: ``pecks_mm`` from the face down, planes as in a job; None where not known."""

    lines: tuple[int, int]
    tool: str
    rpm: float | None
    feed_mm_per_rev: float | None
    pecks_mm: tuple[float, ...]
    retract_mm: float | None = None
    clearance_mm: float | None = None
    approach_mm: float | None = None
    dwell_s: float | None = None

    @property
    def depth_mm(self) -> float:
        """Depth of the hole below the face."""
        return sum(self.pecks_mm)

    @property
    def where(self) -> str:
        """Its lines and tool, for messages."""
        first, last = self.lines
        lines = f"line {first}" if first == last else f"lines {first} to {last}"
        return f"{lines}{f', {self.tool}' if self.tool else ''}"


@dataclass(frozen=True)
class ProgramHole:
    """The hole of a program and its centre drilling, if there is one, with all there is to check."""

    hole: Drilling | None
    centre: Drilling | None
    remarks: tuple[Remark, ...]
    units: Units


def find_hole(program: Program, face_z_mm: float = 0.0) -> ProgramHole:
    """Return the deepest drilling of a program, and the centre drilling before it.

    ``face_z_mm`` is the height of the blank's face over the program's Z0. ``hole`` is None where nothing is
    drilled below the face.
    """
    remarks = list(program.remarks)
    found = [
        drilling
        for steps in _operations(program.steps, face_z_mm)
        if (drilling := _drilling(steps, face_z_mm, remarks, program.units)) is not None
    ]
    if not found:
        return ProgramHole(None, None, tuple(remarks), program.units)
    hole = max(found, key=lambda drilling: drilling.depth_mm)
    before = found[: found.index(hole)]
    centre = before[-1] if before and before[-1].depth_mm <= CENTRE_SHARE * hole.depth_mm else None
    for other in found:
        if other is not hole and other is not centre:
            depth = format_length(other.depth_mm, program.units)
            text = f"another drilling, {depth} deep ({other.where}); the job has the deepest one"
            remarks.append(Remark(other.lines[0], Note.LEFT_OUT, text))
    if centre is not None:
        depth = format_length(centre.depth_mm, program.units)
        text = f"centre drilling, {depth} deep ({centre.where})"
        remarks.append(Remark(centre.lines[0], Note.READ_AS, text))
    remarks.append(_face(face_z_mm, program.units))
    return ProgramHole(hole, centre, tuple(sorted(remarks, key=lambda remark: remark.line)), program.units)


def _face(face_z_mm: float, units: Units) -> Remark:
    height = "Z0" if face_z_mm == 0 else f"Z{face_z_mm / (25.4 if units == 'in' else 1.0):g}"
    return Remark(0, Note.READ_AS, f"depths count from the blank's face, taken to be at {height} (--face)")


def _operations(steps: Sequence[Step], face_z: float) -> list[list[Step]]:
    """Split where the tool changes, and where a hole begins anew at another speed."""
    operations: list[list[Step]] = [[]]
    deepest = 0.0  # of the present operation
    for step in steps:
        now = operations[-1]
        cuts = step.kind == "feed" and step.to_z is not None and face_z - step.to_z > SAME_MM
        depth = face_z - step.to_z if cuts and step.to_z is not None else 0.0
        last = next((other for other in reversed(now) if other.kind == "feed"), None)
        new_tool = bool(now) and step.tool != now[-1].tool
        new_hole = cuts and last is not None and depth <= deepest + SAME_MM and step.rpm != last.rpm
        if new_tool or new_hole:
            operations.append([])
            deepest = 0.0
        operations[-1].append(step)
        deepest = max(deepest, depth)
    return operations


def _drilling(steps: Sequence[Step], face_z: float, remarks: list[Remark], units: Units) -> Drilling | None:
    """The drilling of one operation, with what is odd about it as remarks."""
    pecks: list[float] = []
    cuts: list[Step] = []
    cut_mm: dict[tuple[float | None, bool | None, float | None], float] = defaultdict(float)
    deepest, out, risen, repeats = 0.0, True, False, 0
    for step in steps:
        if step.to_z is None or step.kind == "dwell":
            continue
        depth = face_z - step.to_z
        if depth <= SAME_MM:
            out = True
        elif depth < deepest - SAME_MM:
            risen = risen or not out
        elif step.kind == "rapid" and depth > deepest + SAME_MM:
            text = (
                f"a rapid move goes to {format_length(depth, units)}, deeper than what was drilled; check it "
                "at the machine"
            )
            remarks.append(Remark(step.line, Note.READ_AS, text))
            deepest = depth
        elif step.kind == "feed" and depth > deepest + SAME_MM:
            if risen and not out:
                repeats += 1
            if out or not pecks:
                pecks.append(depth - deepest)
            else:
                pecks[-1] += depth - deepest
            cut_mm[step.feed, step.per_rev, step.rpm] += depth - deepest
            cuts.append(step)
            deepest, out, risen = depth, False, False
    if not pecks:
        return None
    lines = (cuts[0].line, cuts[-1].line)
    if repeats and not any(step.cycle in ("G73", "G74") for step in steps):
        text = (
            f"the drill rises {repeats} times without leaving the hole; chips are not cleared by that, so "
            "these count as one peck"
        )
        remarks.append(Remark(lines[0], Note.READ_AS, text))
    if len(pecks) > MAX_PECKS:
        text = f"{len(pecks)} pecks, more than a job may have ({MAX_PECKS}); left out"
        remarks.append(Remark(lines[0], Note.LEFT_OUT, text))
        return None
    feed, per_rev, rpm = max(cut_mm, key=lambda key: cut_mm[key])
    if len(cut_mm) > 1:
        text = "feed or speed changes within the hole; the job has those of its greatest part"
        remarks.append(Remark(lines[0], Note.READ_AS, text))
    drilling = Drilling(lines, cuts[0].tool, rpm, _per_rev(feed, per_rev, rpm), tuple(pecks))
    return _with_planes(drilling, steps, face_z, remarks)


def _per_rev(feed: float | None, per_rev: bool | None, rpm: float | None) -> float | None:
    if feed is None or per_rev:
        return feed
    return None if rpm is None else feed / rpm


def _with_planes(drilling: Drilling, steps: Sequence[Step], face_z: float, remarks: list[Remark]) -> Drilling:
    """Add what the moves say of planes and dwell, where they say one thing."""
    indices = [i for i, step in enumerate(steps) if drilling.lines[0] <= step.line <= drilling.lines[1]]
    feeds = [i for i in indices if steps[i].kind == "feed"]
    inside = steps[feeds[0] : feeds[-1] + 1]
    between = [
        step.to_z - face_z
        for step in inside
        if step.kind == "rapid" and step.to_z is not None and step.from_z is not None
        if step.to_z > max(step.from_z, face_z + SAME_MM)
    ]
    first = steps[feeds[0]]
    retract = between or ([] if first.from_z is None else [first.from_z - face_z])
    approaches = _approaches(inside)
    waits = [step.dwell_s for step in inside if step.kind == "dwell"]
    waits += [step.dwell_s for step in steps[feeds[-1] + 1 : feeds[-1] + 2] if step.kind == "dwell"]
    retract_mm = _one(retract, drilling, "retract planes", remarks)
    if retract_mm is not None and retract_mm <= 0:
        retract_mm = None
    return replace(
        drilling,
        retract_mm=retract_mm,
        clearance_mm=_clearance(steps[feeds[-1] + 1 :], face_z, retract_mm),
        approach_mm=_one(approaches, drilling, "distances of approach", remarks),
        dwell_s=_one(waits, drilling, "dwells", remarks) if len(waits) >= len(drilling.pecks_mm) else None,
    )


def _clearance(after: Sequence[Step], face_z: float, retract_mm: float | None) -> float | None:
    """Where the drill goes when the hole is done: the first height beyond the retract plane, or that."""
    heights: list[float] = []
    for step in after:
        if step.kind == "feed":
            break
        if step.to_z is not None and step.to_z > face_z + SAME_MM:
            heights.append(step.to_z - face_z)
    beyond = [height for height in heights if retract_mm is None or height > retract_mm + SAME_MM]
    return next(iter(beyond or heights[:1]), None)


def _approaches(steps: Sequence[Step]) -> list[float]:
    """How far above the depth reached each rapid in ends; cycles leave that to the control."""
    found: list[float] = []
    lowest: float | None = None
    for step in steps:
        if step.to_z is None:
            continue
        if step.kind == "rapid" and not step.cycle and lowest is not None:
            into = step.from_z is not None and step.to_z < step.from_z
            if into and step.to_z > lowest + SAME_MM:
                found.append(step.to_z - lowest)
        elif step.kind == "feed":
            lowest = step.to_z if lowest is None else min(lowest, step.to_z)
    return found


def _one(values: Sequence[float], drilling: Drilling, noun: str, remarks: list[Remark]) -> float | None:
    """The one value that all agree on; else their median, with a remark."""
    if not values:
        return None
    if max(values) - min(values) > SAME_MM:
        text = f"{noun} differ within the hole ({drilling.where}); the job has the middle one"
        remarks.append(Remark(drilling.lines[0], Note.READ_AS, text))
    return round(median(values), 6)
