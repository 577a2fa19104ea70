"""A peck schedule as blocks of an ISO 6983 program: a draft, to be checked at the machine."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.job import Job
from monitor.planning.drilling_cycle import Move, MoveKind, Planes, hole_moves
from monitor.quantities import MM_PER_INCH, Units


def draft_program(job: Job, pecks_mm: Sequence[float], planes: Planes) -> str:
    """Return the blocks that drill one hole: G0, G1, F and S, in the person's units.

    Z0 is the blank's face and minus goes into it, as the comments say; X is not moved. Tool, offset, spindle
    and coolant are not commanded, and a program stop (M0) stands before the first move, so that the draft
    cannot run through as it is.
    """
    units = job.units
    feed = _number(job.feed_mm_per_rev * job.spindle_rpm, units)
    lines = [
        "%",
        "(DRAFT. CHECK EVERY BLOCK AT THE MACHINE BEFORE YOU RUN IT)",
        f"({_comment(job.name)})",
        "(Z0 IS THE FACE OF THE BLANK, Z MINUS GOES INTO IT. THE DRILL STANDS ON THE AXIS, X IS NOT MOVED)",
        "(NOT HERE: TOOL, WORK OFFSET, SPINDLE START AND STOP, COOLANT)",
    ]
    if job.dwell_s:
        lines.append(
            f"(NOT HERE: THE DWELL OF {job.dwell_s:g} S AT EACH PECK, WRITTEN DIFFERENTLY BY CONTROLS)"
        )
    lines += [
        "G20 (INCH)" if units == "in" else "G21 (MILLIMETRES)",
        "G90 (ABSOLUTE)",
        "G94 (FEED PER MINUTE)",
        f"S{job.spindle_rpm:.10g}",
        "M0 (CHECK TOOL, OFFSET AND X. START THE SPINDLE. STAND BY WITH THE STOP AT HAND)",
        f"G0 Z{_number(planes.clearance_mm, units)} (CLEARANCE PLANE)",
    ]
    fed = False
    for index, move in enumerate(moves := hole_moves(pecks_mm, planes)):
        code = "G1" if move.kind is MoveKind.FEED else "G0"
        rate = "" if fed or move.kind is not MoveKind.FEED else f" F{feed}"
        fed = fed or move.kind is MoveKind.FEED
        lines.append(f"{code} Z{_number(-move.to_mm, units)}{rate}{_remark(move, index == len(moves) - 1)}")
    return "\n".join([*lines, "M30", "%", ""])


def _remark(move: Move, last: bool) -> str:
    if move.kind is MoveKind.FEED:
        return f" (PECK {move.peck})"
    return " (CLEARANCE PLANE)" if last else ""


def _number(mm: float, units: Units) -> str:
    """A length or feed with a decimal point, to a micron or a ten-thousandth of an inch.

    >>> _number(-20.0, "mm"), _number(6.35, "in")
    ('-20.', '0.25')
    """
    text = f"{mm / MM_PER_INCH:.4f}" if units == "in" else f"{mm:.3f}"
    text = text.rstrip("0")
    return "0." if text == "-0." else text


def _comment(text: str) -> str:
    """Text that every control takes in a comment: capitals, digits, few marks."""
    plain = text.encode("ascii", "replace").decode().upper()
    return "".join(c if c.isalnum() or c in " .,-+/" else " " for c in plain)[:60].strip() or "NO NAME"
