"""One case from drawing to score: learn the machine, play the scene, listen, judge."""

from __future__ import annotations

from dataclasses import dataclass, replace

from monitor.baseline import Baseline
from monitor.errors import InputError
from monitor.job import Job
from monitor.measurements import Event, PeckRow
from monitor.signal.orders import FreeRun, learn_baseline
from monitor.synth.render import SceneStream, free_running
from monitor.synth.truth import Truth
from tests.benchmarks.behaviour import CREATED, job_for
from tests.listening.draws import FAULTLESS, Case, draw_case
from tests.listening.scoring import (
    Deadline,
    FaultScore,
    WorkScore,
    alarms_by_kind,
    deadline,
    score_fault,
    score_work,
)
from tests.listening.thresholds import FACTORS, Sharing

LISTENED_ON_S = 4.0
"""After the deadline; what is told later counts as never told."""


def learn(case: Case) -> Baseline:
    """What the product learns of the case's machine from its free-running sound."""
    scene = case.scene
    runs = [
        FreeRun(
            rpm,
            free_running(scene.machine, scene.room, rpm, case.baseline_s, seed=case.seed + i, fs=case.fs),
            case.fs,
        )
        for i, rpm in enumerate(case.baseline_rpm)
    ]
    return learn_baseline(runs, CREATED)


@dataclass(frozen=True)
class HeardCase:
    """Everything told of a case; ``due`` is the deadline of its fault, or why it has none."""

    truth: Truth
    events: list[Event]
    pecks: list[PeckRow]
    due: Deadline | str
    heard_s: float
    moved: list[tuple[float, list[Event]]]


def hear(case: Case, baseline: Baseline, job: Job, factors: tuple[float, ...] = ()) -> HeardCase:
    """Listen to the case up to a while after its deadline; to faultless work to the end.

    With ``factors``, listeners whose thresholds are moved by them listen beside.
    """
    listener = Sharing(baseline, job, case.fs, factors)
    played = SceneStream(case.scene, case.fs)
    events: list[Event] = []
    pecks: list[PeckRow] = []
    due: Deadline | str = ""
    for second in played.seconds():
        heard = listener.feed(second)
        events += heard.events
        pecks += heard.pecks
        if case.kind == FAULTLESS or not played.truth.faults:
            continue
        due = due or deadline(case.kind, played.truth, case.scene)
        if isinstance(due, str) or listener.t > due.by_s + LISTENED_ON_S:
            break
    end = listener.finish()
    moved = [(other.factor, other.events) for other in listener.others]
    return HeardCase(played.truth, events + end.events, pecks + end.pecks, due, listener.t, moved)


def score(kind: str, seed: int, snr_db: float, curve: bool = False) -> FaultScore | WorkScore:
    """Draw a case, hear it, score it; with ``curve``, with moved thresholds too.

    A machine that the product refuses to listen to is told as such.
    """
    case = draw_case(kind, seed, snr_db)
    try:
        baseline = learn(case)
        job = job_for(case.scene.cycle, case.scene.blanks)
        heard = hear(case, baseline, job, FACTORS if curve else ())
    except InputError as error:
        if kind == FAULTLESS:
            return WorkScore(seed, snr_db, 0.0, (), (), 0, 0, 0, 0, (), 0, 0, note=f"refused: {error}")
        return FaultScore(kind, seed, snr_db, f"refused: {error}")
    note = describe(case)
    if kind == FAULTLESS:
        work = score_work(seed, snr_db, heard.truth, heard.events, heard.pecks)
        points = tuple((factor, *alarms_by_kind(events)) for factor, events in heard.moved)
        return replace(work, note=note, moved=points)
    found = score_fault(kind, seed, snr_db, heard.due, heard.events)
    told = tuple(
        (factor, score_fault(kind, seed, snr_db, heard.due, events).in_time) for factor, events in heard.moved
    )
    return replace(found, heard_s=heard.heard_s, note=note, moved=told)


def describe(case: Case) -> str:
    """The case in a line, for whoever looks into a miss."""
    scene, cycle = case.scene, case.scene.cycle
    what = [*scene.faults, *scene.mic_faults]
    return (
        f"{scene.machine.motor}, {cycle.material} {cycle.drill_diameter_mm:g} mm {cycle.spindle_rpm:g} rpm "
        f"{len(cycle.peck_depths())} pecks, cut {scene.cut_db:+.0f} dB, RT60 {scene.room.rt60_s:.1f} s, "
        f"high-pass {scene.room.high_pass_hz:.0f} Hz, {case.fs} Hz, baseline of {len(case.baseline_rpm)}"
        + (", spot" if cycle.spot_rpm else "")
        + ("" if cycle.stops else ", never stops")
        + (f", eccentric {cycle.eccentric:.1f}" if cycle.eccentric else "")
        + "".join(f"; {fault}" for fault in what)
    )
