"""What was told of a case, against its truth: in time or not, by which kind, and what was told falsely.

Every deadline is reckoned from the truth of the synthesis, never from what was heard.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from monitor.measurements import Event, Kind, PeckRow, Severity
from monitor.planning.flutes import flute_fill
from monitor.planning.materials import material
from monitor.synth.cutting import packing_factor
from monitor.synth.cycle import Cycle
from monitor.synth.faults import KNOCK_OUTSIDE
from monitor.synth.render import Scene
from monitor.synth.truth import FaultTruth, PeckTruth, Truth

ALARMS = (Severity.WARNING, Severity.HOLD)
RIGHT: dict[str, tuple[Kind, ...]] = {
    "bind": (Kind.SAG, Kind.STALL, Kind.PACKING),
    "stall": (Kind.STALL, Kind.SAG),
    "packing": (Kind.PACKING,),
    "melting": (Kind.MELTING,),
    "chatter": (Kind.CHATTER,),
    "loosening": (Kind.LOOSENING,),
    "lost_cut": (Kind.LOST_CUT,),
    "mic_fault": (Kind.MIC_FAULT,),
}
"""The kinds that name the fault. One cause makes one hold, and a bind may be told by the load that climbs."""

AKIN: dict[str, tuple[Kind, ...]] = {"packing": (Kind.SAG, Kind.STALL)}
"""Kinds that are not wrong either, but not what was asked for: packed chips slow the spindle in the end."""

BY_WARNING = ("packing", "melting", "chatter")
"""Kinds for which a warning meets the deadline."""

LOAD_RAISED = 1.25
"""Packing begins, for the score, with the first peck whose trapped chips raise the torque by a quarter more
than they do in good work: pecks differ by 4 % by themselves. Before that there is nothing to hear."""

HALF_SPEED_S, MIC_S, KNOCK_S, CHATTER_S = 0.5, 0.5, 1.5, 1.0


@dataclass(frozen=True)
class Deadline:
    """``zero_s``: the moment that delays are counted from; ``by_s``: the last moment in time."""

    onset_s: float
    zero_s: float
    by_s: float


@dataclass(frozen=True)
class FaultScore:
    """How one fault was told. Delays from the deadline's zero, s; infinite where it was never told.

    ``not_scored`` says why there was no deadline to meet, empty otherwise. ``told_s``: first warning or hold
    of a right kind (a hold where only that counts); ``held_s``: first hold of a right kind. ``akin`` tells
    that a right or kindred kind was in time, ``any_hold`` that the feed was held in time for whatever reason.
    ``first``: kind of the first hold after the onset, ``early``: kinds of the holds before it.
    """

    kind: str
    seed: int
    snr_db: float
    not_scored: str
    in_time: bool = False
    held_in_time: bool = False
    akin: bool = False
    any_hold: bool = False
    told_s: float = math.inf
    held_s: float = math.inf
    allowed_s: float = math.nan
    first: str = ""
    early: tuple[str, ...] = ()
    heard_s: float = 0.0
    note: str = ""
    moved: tuple[tuple[float, bool], ...] = ()  # factor of the thresholds, in time with them

    @property
    def wrong_first(self) -> bool:
        """Whether the first hold names another cause."""
        return bool(self.first) and self.first not in (*RIGHT[self.kind], *AKIN.get(self.kind, ()))


@dataclass(frozen=True)
class WorkScore:
    """Faultless work of one machine: what was told falsely, and how pecks and blanks were dated."""

    seed: int
    snr_db: float
    heard_s: float
    holds: tuple[tuple[str, float, str], ...]  # kind, time, what else was heard
    warnings: tuple[tuple[str, float, str], ...]
    masked: int
    pecks_true: int
    pecks_heard: int
    pecks_matched: int
    errors_s: tuple[float, ...]
    blanks_true: int
    blanks_heard: int
    note: str = ""
    # factor of the thresholds, kinds of the holds and of the warnings with them
    moved: tuple[tuple[float, tuple[str, ...], tuple[str, ...]], ...] = ()


def deadline(kind: str, truth: Truth, scene: Scene) -> Deadline | str:
    """The deadline of the case's fault, or why there is none. The fault must be in the truth by now."""
    fault = truth.faults[-1]
    found = _DEADLINES[kind](fault, truth, scene)
    if isinstance(found, Deadline) and kind != "mic_fault" and found.by_s > truth.seconds:
        return "the recording ends before the deadline"
    return found


def _bind(fault: FaultTruth, truth: Truth, scene: Scene) -> Deadline | str:
    times, sag = truth.times(), truth.curve("sag_pct")
    zero = fault.facts.get("sag_8_s", math.nan)
    far = times[(times >= fault.onset_s) & (times < fault.end_s) & (sag >= 1.5 * 8.0)]
    if math.isnan(zero):
        return "the sag stayed under the hold threshold"
    return Deadline(fault.onset_s, float(zero), float(far[0]) if far.size else fault.end_s)


def _stall(fault: FaultTruth, truth: Truth, scene: Scene) -> Deadline | str:
    times, rpm = truth.times(), truth.curve("rpm")
    after = times >= fault.onset_s
    half = times[after & (times < fault.end_s) & (rpm < 0.5 * truth.rpm_at(fault.onset_s))]
    if not half.size:
        return "the spindle kept more than half its speed"
    return Deadline(fault.onset_s, float(half[0]), float(half[0]) + HALF_SPEED_S)


def _packing(fault: FaultTruth, truth: Truth, scene: Scene) -> Deadline | str:
    later = [p for p in truth.pecks if p.blank == fault.blank and p.peck >= fault.peck]
    raised = [p for p in later if _torque_over_good(p, scene.cycle) >= LOAD_RAISED]
    if not raised:
        return "the chips that stayed never raised the torque by a quarter"
    start = raised[0]
    return Deadline(fault.onset_s, start.contact_s, _end_of_next(truth, fault.blank, start.peck))


def _torque_over_good(peck: PeckTruth, cycle: Cycle) -> float:
    removed = peck.depth_to_mm - peck.depth_from_mm
    good = flute_fill(removed, peck.depth_to_mm, cycle.flute_length_mm, material(cycle.material).bulking)
    with_chips, without = packing_factor(np.array([peck.flute_fill, good]))
    return float(with_chips / without)


def _melting(fault: FaultTruth, truth: Truth, scene: Scene) -> Deadline | str:
    return Deadline(fault.onset_s, fault.onset_s, _end_of_next(truth, fault.blank, fault.peck))


def _chatter(fault: FaultTruth, truth: Truth, scene: Scene) -> Deadline | str:
    zero = fault.facts.get("over_12_db_s", math.nan)
    if not zero + CHATTER_S <= fault.end_s:
        return "the tone never stood 12 dB over its surroundings for a second"
    return Deadline(fault.onset_s, float(zero), float(zero) + CHATTER_S)


def _loosening(fault: FaultTruth, truth: Truth, scene: Scene) -> Deadline | str:
    """Out of the cut the knock is weaker: it then passes twice its normal level later, or on contact."""
    zero = float(fault.facts["double_s"])
    if not any(p.contact_s <= zero <= p.retract_s for p in truth.pecks):
        late = fault.onset_s + 20 * math.log10(2 / KNOCK_OUTSIDE) / float(fault.facts["growth_db_s"])
        zero = min([late, *(p.contact_s for p in truth.pecks if p.contact_s > zero)])
    if zero + KNOCK_S > fault.end_s:
        return "the spindle was stopped before the deadline"
    return Deadline(fault.onset_s, zero, zero + KNOCK_S)


def _lost_cut(fault: FaultTruth, truth: Truth, scene: Scene) -> Deadline | str:
    return Deadline(fault.onset_s, fault.onset_s, _end_of_next(truth, fault.blank, fault.peck))


def _mic_fault(fault: FaultTruth, truth: Truth, scene: Scene) -> Deadline | str:
    return Deadline(fault.onset_s, fault.onset_s, fault.onset_s + MIC_S)


def _end_of_next(truth: Truth, blank: int, peck: int) -> float:
    """End of the next peck of this blank; of this one where none follows."""
    return max(p.retract_s for p in truth.pecks if p.blank == blank and p.peck <= peck + 1)


_DEADLINES = {
    "bind": _bind,
    "stall": _stall,
    "packing": _packing,
    "melting": _melting,
    "chatter": _chatter,
    "loosening": _loosening,
    "lost_cut": _lost_cut,
    "mic_fault": _mic_fault,
}


def score_fault(
    kind: str, seed: int, snr_db: float, due: Deadline | str, events: Sequence[Event]
) -> FaultScore:
    """Score the events of one case."""
    if isinstance(due, str):
        return FaultScore(kind, seed, snr_db, due)
    alarms = [e for e in events if e.severity in ALARMS]
    holds = [e for e in alarms if e.severity is Severity.HOLD]
    counting = alarms if kind in BY_WARNING else holds
    after = [e for e in holds if e.t >= due.onset_s]
    right, akin = RIGHT[kind], (*RIGHT[kind], *AKIN.get(kind, ()))

    def first(found: Sequence[Event], kinds: Sequence[Kind]) -> float:
        return min((e.t for e in found if e.kind in kinds and e.t >= due.onset_s), default=math.inf)

    told, held = first(counting, right), first(holds, right)
    return FaultScore(
        kind, seed, snr_db, "",
        in_time=told <= due.by_s,
        held_in_time=held <= due.by_s,
        akin=first(counting, akin) <= due.by_s,
        any_hold=first(holds, tuple(Kind)) <= due.by_s,
        told_s=told - due.zero_s,
        held_s=held - due.zero_s,
        allowed_s=due.by_s - due.zero_s,
        first=after[0].kind.value if after else "",
        early=tuple(e.kind.value for e in holds if e.t < due.onset_s),
    )  # fmt: skip


def score_work(
    seed: int, snr_db: float, truth: Truth, events: Sequence[Event], pecks: Sequence[PeckRow]
) -> WorkScore:
    """Score faultless work: every warning and hold is false."""

    def told(severity: Severity) -> tuple[tuple[str, float, str], ...]:
        return tuple(
            (e.kind.value, round(e.t, 2), heard_at(truth, e.t)) for e in events if e.severity is severity
        )

    pairs = match_pecks(truth.pecks, pecks)
    errors = [row.start_s - peck.contact_s for peck, row in pairs]
    errors += [row.end_s - peck.retract_s for peck, row in pairs]
    return WorkScore(
        seed, snr_db, truth.seconds, told(Severity.HOLD), told(Severity.WARNING),
        sum(e.kind is Kind.MASKED and e.severity is Severity.INFO for e in events),
        len(truth.pecks), len(pecks), len(pairs), tuple(round(abs(e), 3) for e in errors),
        len(truth.blanks), sum(e.kind is Kind.BLANK_END for e in events),
    )  # fmt: skip


def alarms_by_kind(events: Sequence[Event]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Kinds of the holds, and of the warnings, each as often as it was told."""
    holds = tuple(e.kind.value for e in events if e.severity is Severity.HOLD)
    return holds, tuple(e.kind.value for e in events if e.severity is Severity.WARNING)


def heard_at(truth: Truth, t: float) -> str:
    """What else was heard up to 3 s before ``t``: a background sound, a turn of the gain, or nothing."""
    sounds = [span.what for span in truth.backgrounds if span.start_s <= t <= span.end_s + 3.0]
    sounds += [f.kind for f in truth.faults if f.onset_s <= t <= f.onset_s + 3.0]
    return " and ".join(sounds)


def match_pecks(
    true: Sequence[PeckTruth], heard: Sequence[PeckRow], least: float = 0.5
) -> list[tuple[PeckTruth, PeckRow]]:
    """Pairs whose common time is at least ``least`` of their joint time; above one half no two can share."""
    pairs = []
    for peck in true:
        for row in heard:
            common = min(peck.retract_s, row.end_s) - max(peck.contact_s, row.start_s)
            joint = max(peck.retract_s, row.end_s) - min(peck.contact_s, row.start_s)
            if common >= least * joint:
                pairs.append((peck, row))
                break
    return pairs
