"""One cause, one hold: what follows from a hold that lasts is its consequence, not another fault.

A drill that binds also rubs, squeals, presses the work holding and, once the feed is held, cuts no more.
Each of these alone would be a fault; together they are one.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import replace

from monitor.faults.episode import Finding
from monitor.measurements import Kind, Severity

FAULTS = (
    Kind.MIC_FAULT,
    Kind.STALL,
    Kind.LOOSENING,
    Kind.SAG,
    Kind.MELTING,
    Kind.PACKING,
    Kind.LOST_CUT,
    Kind.CHATTER,
    Kind.MASKED,
)
"""Kinds in the order in which they are asked: of two found in the same hop the earlier is the cause."""

CONSEQUENCES: Mapping[Kind, Set[Kind]] = {
    # Nothing measured through a lost microphone is evidence.
    Kind.MIC_FAULT: frozenset(FAULTS) - {Kind.MIC_FAULT},
    # A spindle that stands has sagged on its way, and cuts nothing.
    Kind.STALL: frozenset(FAULTS) - {Kind.MIC_FAULT, Kind.STALL},
    # Work that has backed off runs out, rattles, and is no longer cut. It does not slow the spindle.
    Kind.LOOSENING: {Kind.CHATTER, Kind.LOST_CUT},
    # A binding drill has packed flutes and hot walls, and squeals; retracted, it cuts no more.
    Kind.SAG: {Kind.PACKING, Kind.MELTING, Kind.CHATTER, Kind.LOST_CUT},
    # Softened work grips the drill: load, squeal, and no chips.
    Kind.MELTING: {Kind.SAG, Kind.PACKING, Kind.CHATTER, Kind.LOST_CUT},
    # Packed chips load the spindle: that is how they are heard.
    Kind.PACKING: {Kind.SAG, Kind.MELTING, Kind.CHATTER, Kind.LOST_CUT},
    # A broken drill or a blank that spins with it rattles.
    Kind.LOST_CUT: {Kind.CHATTER, Kind.LOOSENING},
    Kind.CHATTER: frozenset(),
    Kind.MASKED: frozenset(),
}
"""What each kind brings about: absorbed while a hold of that kind lasts."""

_BESIDE = {
    Kind.LOOSENING: "a knock of every turn",
    Kind.SAG: "the speed falls",
    Kind.MELTING: "no crackle of chips",
    Kind.PACKING: "load that climbs from peck to peck",
    Kind.CHATTER: "a growing tone",
}


def untangled(findings: Mapping[Kind, Finding], held: Set[Kind]) -> dict[Kind, Finding]:
    """Return the findings that stand for themselves, in the order of `FAULTS`.

    A hold takes in the findings that are its consequences, and its sentence names them. A clipped
    microphone (a warning) still hears a bind: only holds take others in.

    Parameters
    ----------
    findings : of the present hop
    held : kinds whose hold lasts from earlier hops
    """
    causes = set(held) - {Kind.MIC_FAULT}  # once it hears again, what it hears is evidence
    told: dict[Kind, Finding] = {}
    for kind in FAULTS:
        found = findings.get(kind)
        # what is held already for its own sake goes on being found, whatever came after
        if found is None or (kind not in held and any(kind in CONSEQUENCES[cause] for cause in causes)):
            continue
        told[kind] = found
        if found.severity is Severity.HOLD:
            causes.add(kind)
    return {kind: _with_evidence(found, findings) for kind, found in told.items()}


def _with_evidence(found: Finding, findings: Mapping[Kind, Finding]) -> Finding:
    beside = [_BESIDE[k] for k in findings if k in CONSEQUENCES[found.kind] and k in _BESIDE]
    if found.severity is not Severity.HOLD or not beside or found.kind is Kind.MIC_FAULT:
        return found
    return replace(found, message=f"{found.message} Heard with it: {', '.join(beside)}.")


def only_warning(found: Finding) -> Finding:
    """Return the finding as a warning that says so, where it would hold: the job file asks for that."""
    if found.severity is not Severity.HOLD:
        return found
    message = f"{found.message} (No hold: the job file lets {found.kind.value} only warn.)"
    return replace(found, severity=Severity.WARNING, message=message)
