"""What matters at the machine: ramps, delay from true sag to the hold, false holds an hour.

Machines, rooms and jobs are drawn from seeds; each machine is first learned from its own free-running
recordings at two speeds, as a person would do it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from monitor.baseline import Baseline
from monitor.job import Job
from monitor.listener import Listener
from monitor.measurements import Event, Kind, Severity
from monitor.signal.orders import FreeRun, learn_baseline
from monitor.synth.cycle import Cycle
from monitor.synth.faults import Bind
from monitor.synth.machines import draw_machine
from monitor.synth.render import Scene, SceneStream, free_running
from monitor.synth.scenes import fitted, fitted_room
from tests.benchmarks.accuracy import baseline_of
from tests.benchmarks.signals import Lines, draw_lines
from tests.hearing import track_speed

FS = 24_000  # decimated by two to the same internal 12 kHz as 48 kHz by four, at half the synthesis
LINE_SNR_DB = 10.0
CREATED = "2025-01-01T00:00:00Z"


# ---- ramps ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Ramp:
    """Relative errors (per cent of speed) of the tracker while the speed ramps."""

    rate_pct_s: float
    bias_pct: float
    worst_bias_pct: float
    p95_pct: float
    unknown: float


def ramp(rate_pct_s: float, draws: int, snr_db: float = 10.0, seed: int = 0) -> Ramp:
    """One second steady, then a linear ramp for half a second, read against the truth at each row's own t.

    The first 0.2 s of the ramp, in which the frame still holds the kink, are left out of the bias.
    ``worst_bias_pct`` is the largest bias of any drawn machine.
    """
    fs = 48_000
    rng = np.random.default_rng([seed, 4, int(rate_pct_s) + 1000])
    biases, errors, unknown = [], [], []
    t = np.arange(int(1.5 * fs)) / fs
    relative = 1 + rate_pct_s / 100 * np.maximum(t - 1, 0)
    for _ in range(draws):
        lines = draw_lines(rng)
        spin = lines.spindle_hz
        density = lines.power / 10 ** (snr_db / 10) / 6000  # the SNR is over the 6 kHz that are used
        scale = 0.05 / np.sqrt(lines.power)
        x = lines.at(np.cumsum(relative) * spin / fs)
        x = scale * (x + np.sqrt(density * fs / 2) * rng.standard_normal(t.size))
        scaled = Lines(spin, lines.orders, lines.amplitudes * scale, lines.phases)
        floor = np.full(lines.orders.size, density * scale**2)
        times, heard = track_speed(x, fs, baseline_of(scaled, floor, spin * 60), (spin * 60,))
        on_ramp = times > 1.2
        error = 100 * (heard.spindle_hz[on_ramp] / spin / np.interp(times[on_ramp], t, relative) - 1)
        known = error[np.isfinite(error)]
        unknown.append(1 - known.size / error.size)
        errors.extend(known)
        if known.size:
            biases.append(float(np.mean(known)))
    return Ramp(
        rate_pct_s, float(np.mean(biases)), float(np.max(np.abs(biases))),
        float(np.quantile(np.abs(errors), 0.95)), float(np.mean(unknown)),
    )  # fmt: skip


# ---- machines at work -------------------------------------------------------------------------


def draw_cycle(seed: int) -> Cycle:
    """A drilling job without a spot step: speed, drill and peck schedule drawn."""
    rng = np.random.default_rng([seed, 5])
    diameter = float(rng.choice([4.0, 5.0, 6.0, 8.0]))
    first = float(rng.uniform(1.5, 2.5)) * diameter
    return Cycle(
        material="acrylic",
        spindle_rpm=float(rng.integers(12, 31) * 50),
        drill_diameter_mm=diameter,
        flutes=2,
        flute_length_mm=8 * diameter,
        feed_mm_per_rev=float(rng.uniform(0.06, 0.12)),
        depth_mm=2.5 * first,
        pecks_mm=(first, first / 2),
    )


def job_for(cycle: Cycle, blanks: int) -> Job:
    """The job file's content for a drawn cycle."""
    return Job(
        name="benchmark (synthetic)", blanks=blanks, material=cycle.material, spindle_rpm=cycle.spindle_rpm,
        spot_rpm=cycle.spot_rpm, drill_diameter_mm=cycle.drill_diameter_mm, flutes=cycle.flutes,
        flute_length_mm=cycle.flute_length_mm, feed_mm_per_rev=cycle.feed_mm_per_rev, depth_mm=cycle.depth_mm,
        pecks_mm=tuple(to - begin for begin, to in cycle.peck_depths()),
    )  # fmt: skip


def draw_scene(seed: int, blanks: int, snr_db: float = LINE_SNR_DB) -> Scene:
    """A drawn machine at normal work: free cutting costs 0.6 to 2.4 % of speed, no fault."""
    rng = np.random.default_rng([seed, 6])
    cycle = draw_cycle(seed)
    machine = fitted(draw_machine(seed), cycle, float(rng.uniform(0.6, 2.4)))
    return Scene(
        name=f"benchmark-{seed}", machine=machine, room=fitted_room(seed, cycle, snr_db), cycle=cycle,
        seed=seed, blanks=blanks,
    )  # fmt: skip


def learn(scene: Scene, fs: int = FS) -> Baseline:
    """Twelve seconds free-running at the job's speed and at 0.7 of it."""
    rpm = scene.cycle.spindle_rpm
    runs = [
        FreeRun(speed, free_running(scene.machine, scene.room, speed, 12.0, seed=90 + i, fs=fs), fs)
        for i, speed in enumerate((0.7 * rpm, rpm))
    ]
    return learn_baseline(runs, CREATED)


def hear(scene: Scene, fs: int = FS) -> tuple[list[Event], SceneStream]:
    """Every event of the scene, heard second by second, and the played scene with its truth."""
    listener = Listener(learn(scene, fs), job_for(scene.cycle, scene.blanks), fs)
    played = SceneStream(scene, fs)
    events: list[Event] = []
    for second in played.seconds():
        events += listener.feed(second).events
    return events + listener.finish().events, played


@dataclass(frozen=True)
class Binding:
    """One drawn binding: from the true sag at 8 % to the hold, s; NaN when no hold came in 3 s.

    ``never_8``: the true sag never crossed 8 % (the feed ended, or the drive won the speed back).
    ``early_hold``: a hold before the fault began.
    """

    seed: int
    motor: str
    rate_pct_s: float
    delay_s: float
    early_hold: bool
    never_8: bool


def binding(seed: int) -> Binding:
    """A drill binds in the second peck of a drawn machine; the fall is between 8 and 40 % a second."""
    rng = np.random.default_rng([seed, 7])
    scene = draw_scene(seed, blanks=1)
    rate = float(np.exp(rng.uniform(np.log(8.0), np.log(40.0))))
    bind = Bind(1, peck=2, at=float(rng.uniform(0.2, 0.6)), rate_pct_s=rate, most_pct=30.0, lasts_s=4.0)
    events, played = hear(replace(scene, faults=(bind,)))
    holds = [e.t for e in events if e.kind is Kind.SAG and e.severity is Severity.HOLD]
    truth = played.truth.faults[0]
    crossed = truth.facts.get("sag_8_s", float("nan"))
    after = [t for t in holds if truth.onset_s <= t <= crossed + 3.0]
    delay = after[0] - crossed if after else float("nan")
    early = any(e.severity is Severity.HOLD and e.t < truth.onset_s for e in events)
    return Binding(seed, scene.machine.motor, rate, float(delay), early, bool(np.isnan(crossed)))


@dataclass(frozen=True)
class Work:
    """Faultless work of one drawn machine: hours, and every hold that was raised."""

    seed: int
    hours: float
    holds: tuple[tuple[str, float], ...]
    blanks_heard: int
    blanks_true: int
    pecks_heard: int
    pecks_true: int


def faultless(seed: int, blanks: int = 12) -> Work:
    """A batch with nothing wrong."""
    scene = draw_scene(seed, blanks)
    events, played = hear(scene)
    holds = tuple((e.kind.value, round(e.t, 2)) for e in events if e.severity is Severity.HOLD)
    return Work(
        seed, played.truth.seconds / 3600, holds, sum(e.kind is Kind.BLANK_END for e in events),
        len(played.truth.blanks), sum(e.kind is Kind.PECK_END for e in events), len(played.truth.pecks),
    )  # fmt: skip


def delays(found: Sequence[Binding]) -> np.ndarray:
    """Delays of the bindings whose sag did cross 8 %, missed ones infinite."""
    return np.array([np.inf if np.isnan(b.delay_s) else b.delay_s for b in found])
