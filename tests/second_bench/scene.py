"""A drilling scene drawn from one integer seed: machine, room, microphone, job, fault, and its truth.

A second bench, written from the design's text and the physics alone by somebody who had not read the rules
or the other synthesizer (`monitor.synth`), so that what its machines do was not drawn by the hand that wrote
what hears them. It shares no code with either. Seeds below `SCORING_FROM` may be looked at while a rule is
worked on; those from there up are for scoring, and are never looked at scene by scene.

What moves (spindle, load, feed) is simulated `CONTROL` times a second, then rendered at the sample rate.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d
from scipy.signal import butter, lfilter, oaconvolve, sosfilt, welch

from tests.second_bench.sounds import (
    BACKGROUNDS,
    Array,
    Rng,
    amplitude,
    noise,
    random_fir,
    ring,
    room_response,
    strikes,
)

CONTROL = 100.0  # Hz; divides every sample rate
SCORING_FROM = 1000  # the first seed that is scored only, never looked at
FAULTS = ("bind", "stall", "packing", "melting", "chatter", "loosening", "lost_cut", "mic_fault")
TAIL = 4.0  # seconds a scene goes on after the deadline
MATERIALS = {
    "acrylic": (150.0, 0.9),
    "hardwood": (40.0, 0.35),
    "burl": (45.0, 0.35),
}  # crackles a second, share
Control = NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """One tone: ``of`` rotor (order of the spindle), drive (of the commanded speed) or fixed (Hz)."""

    of: str
    order: float
    level: float
    cut_gain_db: float
    flutter_db: float


@dataclass(frozen=True)
class Machine:
    """A spindle with its drive."""

    drive: str
    rpm: float
    lines: tuple[Line, ...]
    closed_loop: bool
    recovery: float
    motor_constant: float
    full_sag: float  # relative speed lost at the load of a good peck's bottom
    wander: float  # peak to peak, relative
    warm_drift: float
    run_up: float
    coast: float
    snr_db: float
    room_share_db: float
    bearing: tuple[float, float, float] | None  # order, level, span
    thump: tuple[float, float] | None  # order, level
    step_hz_per_mm_s: float
    axis_level: float


@dataclass(frozen=True)
class Work:
    """The job and the rhythm of its cycle."""

    material: str
    rpm: float
    diameter: float
    flutes: int
    feed: float  # mm a rev
    pecks: tuple[float, ...]
    blanks: int
    spot: bool
    spot_rpm: float
    stops: bool
    chip_break: bool
    reload: tuple[float, float]
    rapid: float
    approach: float
    eccentric: float
    cut_db: float
    fs: float
    mic: str
    baseline_rpms: tuple[float, ...]


@dataclass
class Truth:
    """What happened and by when it has to be told."""

    kind: str
    onset: float = np.nan
    deadline: float = np.nan
    detail: str = ""
    detectability: float = np.nan
    audible: bool = True
    pecks: list[tuple[float, float, int]] = field(default_factory=list)
    blanks: list[tuple[float, float]] = field(default_factory=list)
    duration: float = 0.0
    backgrounds: list[tuple[str, float, float, float]] = field(default_factory=list)
    # relative, at the control rate, against the fastest it ran free in the last 10 s
    sag: Control | None = None

    def sag_before(self, t: float, seconds: float = 1.5) -> float:
        """The deepest true sag just before a time."""
        if self.sag is None:
            return 0.0
        return float(
            np.max(self.sag[max(0, int((t - seconds) * CONTROL)) : int(t * CONTROL) + 1], initial=0.0)
        )


@dataclass
class Scene:
    """Sound with its job, its free-running recordings and its truth."""

    machine: Machine
    work: Work
    x: Array
    free: list[tuple[float, Array]]
    truth: Truth


# --- drawing ---------------------------------------------------------------------------------------


def _family(
    order: float, level: float, harmonics: int, fall: float, of: str = "rotor"
) -> list[tuple[str, float, float]]:
    return [(of, order * h, level * fall ** (h - 1)) for h in range(1, harmonics + 1)]


def _sidebands(order: float, level: float, spacing: float, depth: float) -> list[tuple[str, float, float]]:
    return [("rotor", order + k * spacing, level * depth / abs(k)) for k in (-2, -1, 1, 2)]


def draw_machine(rng: Rng, rpm: float, snr_db: float) -> Machine:
    """A machine: its drive and transmission say which lines it has."""
    drive = str(rng.choice(["scr brushed", "pwm brushless", "vfd induction"]))
    gears = rng.random() < 0.35
    ratio = rng.uniform(0.8, 4.0) if not gears else rng.uniform(1.5, 5.0)
    mains = float(rng.choice([50.0, 60.0]))
    raw: list[tuple[str, float, float]] = [("rotor", h, rng.uniform(0.1, 0.5)) for h in (1, 2, 3)]
    raw += [("rotor", ratio * h, rng.uniform(0.2, 0.8)) for h in (1, 2)]
    if drive == "scr brushed":
        bars = int(rng.choice([12, 16, 20, 24, 32, 36]))
        raw += _family(bars * ratio, rng.uniform(0.4, 1.2), 2, 0.5) + _sidebands(
            bars * ratio, 0.4, ratio, 0.5
        )
        raw += _family(2 * mains, rng.uniform(0.2, 0.9), 6, rng.uniform(0.5, 0.85), "fixed")
    elif drive == "pwm brushless":
        pole_pairs, slots = int(rng.choice([2, 4, 5, 7])), int(rng.choice([9, 12, 24]))
        raw += _family(6 * pole_pairs * ratio, rng.uniform(0.3, 1.0), 3, 0.6)
        raw += _family(float(np.lcm(2 * pole_pairs, slots)) * ratio, rng.uniform(0.2, 0.8), 1, 1.0)
        raw += [("fixed", float(rng.uniform(5000, 16000)), rng.uniform(0.05, 0.5))]
    else:
        pairs, bars = int(rng.choice([1, 2])), int(rng.choice([22, 26, 28, 34]))
        slip = rng.uniform(0.01, 0.05)
        electric = 2 * pairs * ratio / (1 - slip)
        raw += _family(electric, rng.uniform(0.4, 1.0), 3, 0.5, "drive")
        raw += [("rotor", bars * ratio, rng.uniform(0.4, 1.0))]
        carrier = float(rng.choice([2000, 3000, 4000, 8000]))
        raw += [("fixed", carrier, rng.uniform(0.1, 0.6)), ("fixed", 2 * carrier, 0.2)]
    if gears:
        teeth = int(rng.integers(17, 61))
        raw += _family(teeth, rng.uniform(0.4, 1.2), 4, rng.uniform(0.4, 0.8))
        raw += _sidebands(teeth, 0.5, 1.0, rng.uniform(0.2, 0.7))
    elif rng.random() < 0.5:
        raw += _family(int(rng.integers(15, 45)), rng.uniform(0.2, 1.0), 3, 0.6)  # toothed belt
    if rng.random() < 0.6:
        raw += _family(int(rng.integers(4, 10)) * ratio, rng.uniform(0.2, 0.8), 2, 0.4)  # motor fan
    if rng.random() < 0.4:
        raw += [("fixed", float(rng.uniform(100, 500)), rng.uniform(0.1, 0.5))]  # cabinet fan
    # The body and the room weight each line; then all rotor lines get the wanted level over the noise.
    levels = np.array([level * float(amplitude(rng.normal(0, 4))) for _, _, level in raw])
    hz = np.array([o if of == "fixed" else o * rpm / 60 for of, o, _ in raw])
    turning = np.array([of != "fixed" for of, _, _ in raw]) & (hz >= 100) & (hz <= 6000)
    scale = float(amplitude(snr_db)) / np.sqrt(np.sum(levels[turning] ** 2) / 2 + 1e-12)
    lines = tuple(
        Line(of, o, float(a * scale), float(rng.normal(0, 3)), float(rng.uniform(0.2, 1.5)))
        for (of, o, _), a in zip(raw, levels, strict=True)
    )
    closed = bool(rng.random() < (0.3 if drive == "scr brushed" else 0.7))
    return Machine(
        drive=f"{drive}{', closed loop' if closed else ''}{', gears' if gears else ', belt'}",
        rpm=rpm,
        lines=lines,
        closed_loop=closed,
        recovery=rng.uniform(0.3, 2.0),
        motor_constant=rng.uniform(0.06, 0.5),
        full_sag=rng.uniform(0.005, 0.03),
        wander=rng.uniform(0.002, 0.015),
        warm_drift=rng.uniform(-0.01, 0.015) * (not closed),
        run_up=rng.uniform(0.4, 2.0),
        coast=rng.uniform(0.5, 4.0),
        snr_db=snr_db,
        room_share_db=rng.uniform(-25, -8),
        bearing=(rng.uniform(2.6, 6.4), rng.uniform(0.1, 0.6), rng.uniform(1500, 5000))
        if rng.random() < 0.35
        else None,
        thump=(rng.uniform(0.15, 0.7), rng.uniform(0.3, 1.5)) if not gears and rng.random() < 0.35 else None,
        step_hz_per_mm_s=rng.uniform(8, 40),
        axis_level=float(amplitude(rng.uniform(-18, 0))),
    )


def draw_work(rng: Rng, kind: str, blanks: int) -> Work:
    """A job that a small lathe can do, its cycle and the microphone that hears it."""
    material = (
        "acrylic"
        if kind == "melting"
        else str(rng.choice(["acrylic", "hardwood", "burl"], p=[0.5, 0.3, 0.2]))
    )
    diameter = round(float(rng.uniform(3, 12)), 1)
    rpm = float(round(np.clip(np.exp(rng.normal(np.log(14000 / diameter / np.pi), 0.45)), 300, 3000), -1))
    feed = round(float(diameter * rng.uniform(0.006, 0.025)), 3)
    seconds_per_mm = 60 / (feed * rpm)
    first = float(np.clip(rng.uniform(0.8, 2.5) * diameter, 2.0 / seconds_per_mm, 6.5 / seconds_per_mm))
    later = float(np.clip(first * rng.uniform(0.35, 0.8), 0.8 / seconds_per_mm, 4.0 / seconds_per_mm))
    count = int(rng.integers(4, 8)) if kind == "packing" else int(rng.integers(3, 8))
    spot = rng.random() < 0.4
    spot_rpm = (
        rpm if rng.random() < 0.4 else float(round(np.clip(rpm * rng.choice([0.6, 1.5, 2.0]), 300, 3000), -1))
    )
    others = [
        float(round(rpm * r, -1))
        for r in rng.choice([0.5, 0.7, 1.3, 1.6], int(rng.integers(0, 3)), replace=False)
    ]
    base = {rpm, *([spot_rpm] if spot else []), *[min(3200.0, max(250.0, r)) for r in others]}
    return Work(
        material=material,
        rpm=rpm,
        diameter=diameter,
        flutes=int(rng.choice([1, 2, 3], p=[0.15, 0.7, 0.15])),
        feed=feed,
        pecks=tuple(round(p, 1) for p in [first] + [later] * (count - 1)),
        blanks=blanks,
        spot=bool(spot),
        spot_rpm=spot_rpm,
        stops=bool(rng.random() < 0.7),
        chip_break=bool(rng.random() < 0.25),
        reload=(lambda shortest: (shortest, shortest * rng.uniform(1.2, 2.5)))(rng.uniform(4, 10)),
        rapid=rng.uniform(15, 70),
        approach=rng.uniform(0.3, 1.5),
        eccentric=rng.uniform(0.2, 0.6) if material == "burl" else rng.uniform(0.0, 0.15),
        cut_db=rng.uniform(-5, 15),
        fs=float(rng.choice([16000, 24000, 44100, 48000])),
        mic=str(rng.choice(["good", "phone", "usb"], p=[0.4, 0.3, 0.3])),
        baseline_rpms=tuple(sorted(base)),
    )


# --- the cycle -------------------------------------------------------------------------------------


@dataclass
class Cycle:
    """What the control does, as lists of timed moves."""

    speed: list[tuple[float, float]] = field(default_factory=list)
    pecks: list[list[float]] = field(default_factory=list)  # start, end, blank, number, 1 if spot
    moves: list[tuple[float, float, float]] = field(default_factory=list)
    handling: list[tuple[float, float]] = field(default_factory=list)
    blanks: list[tuple[float, float]] = field(default_factory=list)
    end: float = 0.0


def run_cycle(rng: Rng, m: Machine, w: Work) -> Cycle:
    """Play the batch: load, run up, spot, peck, stop."""
    c, t = Cycle(), 0.0
    mm_s = w.feed * m.rpm / 60
    change = rng.uniform(2.5, 7.0)
    for b in range(w.blanks):
        if b == 0:
            c.speed.append((0.0, 0.0 if w.stops else m.rpm))
            t += rng.uniform(1.5, 4.0)
        begin = t
        c.speed.append((t, w.spot_rpm if w.spot else m.rpm))
        t += (m.run_up if w.stops else 0.3) + rng.uniform(1.0, 3.0)
        if w.spot:
            c.moves.append((t - 0.4, t, w.rapid))
            c.pecks.append([t + 0.3, t + 0.3 + rng.uniform(0.7, 2.0), b, -1, 1])
            t = c.pecks[-1][1]
            c.moves.append((t, t + 0.5, w.rapid))
            c.speed.append((t + 0.5, m.rpm))
            t += 0.5 + change + (m.run_up if w.spot_rpm != m.rpm else 0.0)
        c.moves.append((t - 0.5, t, w.rapid))
        depth = 0.0
        for k, peck in enumerate(w.pecks):
            t += w.approach / mm_s if w.approach / mm_s < 1.5 else 1.5
            c.pecks.append([t, t + peck / mm_s, b, k, 0])
            t += peck / mm_s
            depth += peck
            if w.chip_break and k < len(w.pecks) - 1:
                c.moves.append((t, t + 0.1, 10.0))
                t += rng.uniform(0.15, 0.3)
            else:
                travel = (depth + 3) / w.rapid + 0.15
                c.moves.append((t, t + travel, w.rapid))
                t += travel + 0.1
                if k < len(w.pecks) - 1:
                    c.moves.append((t, t + travel, w.rapid))
                    t += travel
        t += rng.uniform(0.3, 1.5)
        c.blanks.append((begin, t))
        if w.stops:
            c.speed.append((t, 0.0))
        gap = rng.uniform(*w.reload) + (m.coast if w.stops else 0.0)
        c.handling.append((t + (m.coast if w.stops else 0.5), t + gap - 0.5))
        t += gap
    c.end = t
    return c


# --- motion ----------------------------------------------------------------------------------------


@dataclass
class Motion:
    """Everything that moves, at the control rate."""

    t: Control
    command: Control  # revolutions a second, as the drive follows it
    speed: Control
    free_speed: Control
    cut: Control  # engagement 0..1
    load: Control  # 1 at the bottom of a good peck
    crackle: Control
    bright: Control  # 1 full spectrum, 0 dull
    fault: Control  # amplitude of the added fault sound
    powered: Control


def _steps(t: Control, points: list[tuple[float, float]]) -> Control:
    out = np.zeros(t.size)
    for at, value in points:
        out[t >= at] = value
    return out


def command_speed(m: Machine, t: Control, target: Control) -> Control:
    """Revolutions a second: linear run-up, coast-down that slows by itself."""
    out = np.empty(t.size)
    rate, v, dt = m.rpm / 60 / m.run_up / CONTROL, target[0], 1 / CONTROL
    for k, goal in enumerate(target):
        v = (
            min(goal, v + rate)
            if goal > v
            else max(goal, v - (v / m.coast * 1.6 + 0.15 * m.rpm / 60 / m.coast) * dt)
        )
        out[k] = v
    return lfilter([0.08], [1, -0.92], out - out[0]) + out[0]


def slow(rng: Rng, n: int, corner: float) -> Control:
    """Slow random curve of unit rms."""
    a = np.exp(-2 * np.pi * corner / CONTROL)
    x = lfilter(
        [1 - a], [1, -a], lfilter([1 - a], [1, -a], rng.standard_normal(n + int(3 * CONTROL / corner)))
    )[-n:]
    return (x - x.mean()) / (x.std() + 1e-12)


def motion(rng: Rng, m: Machine, w: Work, c: Cycle, truth: Truth, blank_of_fault: int) -> Motion:
    """Work out loads and speeds, put the fault in, and cut the scene after its deadline."""
    t = np.arange(int(c.end * CONTROL)) / CONTROL
    plan = Plan(rng, m, w, c, truth, blank_of_fault, t)
    plan.run()
    engaged, load = np.zeros(t.size), np.zeros(t.size)
    point = 60 / (w.feed * m.rpm) * w.diameter * 0.3
    for start, end, _, k, spot in c.pecks:
        i, j = np.searchsorted(t, [start, end])
        part = t[i:j] - start
        rise = np.clip(part / max(0.03, min(point, 0.6 * (end - start)) if k <= 0 else 0.08), 0, 1) ** 0.7
        engaged[i:j] = rise
        load[i:j] = rise * (0.5 if spot else 0.75 + 0.25 * part / (end - start) * (1 + 0.1 * max(k, 0)) / 1.3)
    grain = np.exp((0.25 if w.material != "acrylic" else 0.12) * slow(rng, t.size, rng.uniform(0.3, 3.0)))
    load *= grain * plan.load_gain * plan.alive
    engaged *= plan.alive
    target = _steps(t, c.speed) / 60
    command = command_speed(m, t, target)
    a = np.exp(-1 / (m.motor_constant * CONTROL))
    sag = m.full_sag * lfilter([1 - a], [1, -a], load)
    if m.closed_loop:
        b = np.exp(-1 / (m.recovery * CONTROL))
        sag = 1.5 * (sag - 0.9 * lfilter([1 - b], [1, -b], sag))
    drift = (
        1 + m.wander / 4 * slow(rng, t.size, rng.uniform(0.05, 0.6)) - m.warm_drift * (1 - np.exp(-t / 60))
    )
    free = command * drift
    speed = free * (1 - sag) * (1 - plan.extra_sag) * plan.turning
    ratio = np.where(command > 0.5, speed / np.maximum(command, 0.5), 1.0)
    unloaded = maximum_filter1d(
        np.where(load < 0.02, ratio, 0.0), int(10 * CONTROL), origin=int(5 * CONTROL) - 1
    )
    truth.sag = np.where(unloaded > 0.5, 1 - ratio / np.maximum(unloaded, 0.5), 0.0)
    plan.close(speed / np.maximum(free, 1e-6), load, engaged)
    powered = ((target > 0) & (plan.power > 0)).astype(float)
    n = min(t.size, int(truth.duration * CONTROL))
    heard = engaged if plan.under_cut_only else powered * np.clip(speed / m.rpm * 60, 0, 1)
    return Motion(
        t=t[:n],
        command=command[:n],
        speed=speed[:n],
        free_speed=free[:n],
        cut=engaged[:n],
        load=load[:n],
        crackle=plan.crackle[:n],
        bright=plan.bright[:n],
        fault=(plan.fault * heard)[:n],
        powered=powered[:n],
    )


@dataclass
class Plan:
    """The fault as curves over the cycle; the cycle's pecks are changed where the fault changes them."""

    rng: Rng
    m: Machine
    w: Work
    c: Cycle
    truth: Truth
    blank: int
    t: Control

    def __post_init__(self) -> None:
        one, zero = np.ones(self.t.size), np.zeros(self.t.size)
        self.load_gain, self.alive, self.turning, self.power = one.copy(), one.copy(), one.copy(), one.copy()
        self.crackle, self.bright = one.copy(), one.copy()
        self.extra_sag, self.fault = zero.copy(), zero.copy()
        self.under_cut_only = True
        self.pace = str(self.rng.choice(["quick", "slow", "steps"]))

    def own(self) -> list[list[float]]:
        """Pecks of the blank with the fault, without the spot."""
        return [p for p in self.c.pecks if p[2] == self.blank and not p[4]]

    def growth(
        self, since: Control, quick: tuple[float, float], slow_: tuple[float, float], floor: float
    ) -> Control:
        """From ``floor`` to 0 (dB) over a drawn time, at the drawn pace."""
        long = self.rng.uniform(*(quick if self.pace == "quick" else slow_))
        part = np.clip(since / long, 0, 1)
        if self.pace == "steps":
            part = np.floor(part * 4) / 4 * 0.75 + 0.25 * (part > 0)
        return np.where(since > 0, floor * (1 - part), -200.0)

    def cut_time(self, onset: float) -> Control:
        """Seconds of cutting since the onset."""
        cutting = np.zeros(self.t.size)
        for start, end, *_ in self.c.pecks:
            cutting[(self.t >= max(start, onset)) & (self.t < end)] = 1
        return np.cumsum(cutting) / CONTROL

    def blank_time(self, onset: float) -> Control:
        """Seconds since the onset in which a blank was being worked on."""
        at_work = np.zeros(self.t.size)
        for start, end in self.c.blanks:
            at_work[(self.t >= max(start, onset)) & (self.t < end)] = 1
        return np.cumsum(at_work) / CONTROL

    def prolong(self, peck: list[float]) -> None:
        """The feed goes on in this peck until the scene ends."""
        later = [p for p in self.c.pecks if p[0] > peck[0]]
        self.c.pecks = [p for p in self.c.pecks if p not in later]
        self.c.moves = [v for v in self.c.moves if v[0] < peck[1] - 0.01]
        self.c.speed = [s for s in self.c.speed if s[0] < peck[1]]
        self.c.handling = [h for h in self.c.handling if h[0] < peck[1]]
        peck[1] = self.c.end - 0.1

    def run(self) -> None:
        """Put the drawn fault into the curves."""
        if self.truth.kind != "faultless":
            self.truth.detail = self.pace
            getattr(self, self.truth.kind)()

    def bind(self) -> None:
        peck = self.own()[int(self.rng.integers(0, len(self.own())))]
        self.truth.onset = on = self.rng.uniform(peck[0] + 0.4 * (peck[1] - peck[0]), peck[1] - 0.1)
        self.prolong(peck)
        final = self.rng.uniform(0.12, 0.35)
        long = {
            "quick": self.rng.uniform(0.1, 0.8),
            "slow": self.rng.uniform(2, 7),
            "steps": self.rng.uniform(2, 5),
        }[self.pace]
        part = np.clip((self.t - on) / long, 0, 1)
        if self.pace == "steps":
            part = np.ceil(part * 3) / 3
        a = np.exp(-1 / (self.m.motor_constant * CONTROL))
        self.extra_sag = final * lfilter([1 - a], [1, -a], part)
        self.load_gain = 1 + 2 * part

    def stall(self) -> None:
        peck = self.own()[int(self.rng.integers(0, len(self.own())))]
        self.truth.onset = on = self.rng.uniform(peck[0] + 0.2 * (peck[1] - peck[0]), peck[1] - 0.1)
        self.prolong(peck)
        jam = self.rng.random() < 0.5
        self.truth.detail = "jam" if jam else "supply loss"
        long = self.rng.uniform(0.08, 0.4) if jam else self.rng.uniform(0.4, 1.5)
        self.turning = np.clip(1 - (self.t - on) / long, 0, 1) ** (0.7 if jam else 1.0)
        self.alive = np.where(self.turning > 0.02, 1.0, 0.0)
        self.power = np.where((self.t >= on) & (not jam), 0.0, 1.0)

    def packing(self) -> None:
        pecks = self.own()
        first = int(self.rng.integers(0, max(1, len(pecks) - 3)))
        climb, rate = self.rng.uniform(0.3, 0.9), self.rng.uniform(1.4, 2.2)
        for k, (start, end, *_) in enumerate(pecks[first:]):
            hinge = self.rng.uniform(0.2, 0.6)
            part = np.clip(((self.t - start) / (end - start) - hinge) / (1 - hinge), 0, 1) * (
                (self.t >= start) & (self.t < end)
            )
            top = max(climb * rate**k, 2.0 * (k == len(pecks) - first - 1))
            self.load_gain += top * part
        self.truth.onset = pecks[first][0]

    def melting(self) -> None:
        peck = self.own()[int(self.rng.integers(0, max(1, len(self.own()) - 2)))]
        self.truth.onset = on = self.rng.uniform(peck[0] + 0.3 * (peck[1] - peck[0]), peck[1])
        since = self.cut_time(on)
        left = amplitude(-self.growth(since, (1, 3), (4, 9), -30.0) - 30.0)
        left = np.where(since > 0, left, 1.0)
        self.crackle = self.bright = np.asarray(left)
        self.load_gain = 1 + self.rng.uniform(0.1, 0.7) * (1 - left)
        if self.rng.random() < 0.5:
            self.truth.detail += ", squeal"
            self.fault = (1 - left) ** 2
        self._by(since, left < 0.2, 4.0)

    def chatter(self) -> None:
        peck = self.own()[int(self.rng.integers(0, len(self.own())))]
        self.truth.onset = on = self.rng.uniform(peck[0], peck[1])
        grown = self.growth(self.cut_time(on), (0.5, 2.0), (3, 9), -35.0)
        self.fault = np.asarray(amplitude(grown))
        self._by(self.cut_time(on), grown > -10, 2.0)

    def loosening(self) -> None:
        peck = self.own()[int(self.rng.integers(0, len(self.own())))]
        self.truth.onset = on = self.rng.uniform(peck[0], peck[1])
        self.under_cut_only = bool(self.rng.random() < 0.5)
        since = self.cut_time(on) if self.under_cut_only else self.blank_time(on)
        grown = self.growth(since, (3, 8), (10, 20), -32.0)
        self.fault = np.asarray(amplitude(grown))
        self.truth.detail += ", under cut" if self.under_cut_only else ", free too"
        self._by(since, grown > -10, 4.0)

    def lost_cut(self) -> None:
        pecks = self.own()
        k = int(self.rng.integers(0, len(pecks) - 1))
        self.truth.onset = on = self.rng.uniform(*pecks[k][:2])
        spins = self.rng.random() < 0.4
        self.truth.detail = "blank spins" if spins else "drill breaks"
        self.alive = np.where(self.t < on, 1.0, 0.06 if spins else 0.0)
        self.truth.deadline = pecks[k + 1][1] + 1.0

    def mic_fault(self) -> None:
        peck = self.own()[0]
        self.truth.onset = self.rng.uniform(peck[0] - 2, peck[1] + 10)
        self.truth.detail = str(self.rng.choice(["zeros", "stuck", "unplugged"]))
        self.truth.deadline = self.truth.onset + (3.0 if self.truth.detail == "unplugged" else 1.5)

    def _by(self, since: Control, reached: NDArray[np.bool_], allowed: float) -> None:
        """Deadline: ``allowed`` seconds of the clock of ``since`` after the fault has its size."""
        done = np.flatnonzero(reached & (since > 0))
        if done.size:
            after = np.flatnonzero(since >= since[done[0]] + allowed)
            self.truth.deadline = float(self.t[after[0]] if after.size else self.t[-1] - TAIL)
        else:
            self.truth.deadline = float(self.t[-1] - TAIL)
            self.truth.detail += ", unfinished"

    def close(self, relative: Control, load: Control, engaged: Control) -> None:
        """Deadlines that hang on the speed, and the end of the scene."""
        after = self.t >= (self.truth.onset if np.isfinite(self.truth.onset) else np.inf)
        limit = {
            "bind": relative < 0.92,
            "stall": relative < 0.5,
            "packing": (relative < 0.92) | ((self.load_gain > 2.5) & (engaged > 0.5)),
        }.get(self.truth.kind)
        if limit is not None:
            reached = np.flatnonzero(limit & after)
            self.truth.deadline = (
                float(self.t[reached[0]]) + (1.0 if self.truth.kind == "stall" else 0.5)
                if reached.size
                else self.t[-1] - TAIL
            )
        self.truth.duration = (
            min(self.c.end, self.truth.deadline + TAIL) if self.truth.kind != "faultless" else self.c.end
        )
        stop = self.truth.onset if self.truth.kind in ("lost_cut",) else self.truth.duration
        self.truth.pecks = [
            (p[0], min(p[1], stop), int(p[2])) for p in self.c.pecks if not p[4] and p[0] < stop
        ]
        self.truth.blanks = [b for b in self.c.blanks if b[0] < self.truth.duration]


# --- rendering -------------------------------------------------------------------------------------


class Voice:
    """The sounds of one machine and its cutter, the same in the free runs and in the batch."""

    def __init__(self, rng: Rng, m: Machine, w: Work) -> None:
        self.m, self.w, self.fs = m, w, w.fs
        self.floor = random_fir(rng, self.fs, (-6, -1), 4)
        self.air = random_fir(rng, self.fs, (-7, -3), 1, 8)
        self.cutter = random_fir(rng, self.fs, (-3, 2), 4, 16, (500, 7000), low=rng.uniform(80, 400))
        self.dull = random_fir(rng, self.fs, (-8, -5), 2, 10, (300, 1500), low=100)
        self.chip = ring(rng, self.fs, 5, (1500, 9000), (0.0006, 0.004))
        self.race = ring(
            rng,
            self.fs,
            3,
            ((m.bearing or (0, 0, 2000))[2] * 0.8, (m.bearing or (0, 0, 2000))[2] * 1.3),
            (0.001, 0.005),
        )
        self.belt = ring(rng, self.fs, 4, (80, 900), (0.005, 0.03))
        self.knock = ring(rng, self.fs, 5, (200, 4500), (0.003, 0.02))
        self.clink = ring(rng, self.fs, 6, (500, 7000), (0.004, 0.03))
        self.room = room_response(
            rng, self.fs, float(np.exp(rng.uniform(np.log(0.15), np.log(1.2)))), rng.uniform(-6, 10)
        )
        self.hum = float(amplitude(rng.uniform(-25, -8) + m.snr_db)) if w.mic == "usb" else 0.0
        self.tooth, self.once = rng.uniform(0.15, 0.7), w.eccentric
        rate, share = MATERIALS[w.material]
        self.chip_rate, self.chip_share = rate * rng.uniform(0.5, 2.0), share * rng.uniform(0.3, 1.0)
        self.machine_power = 1 + 10 ** (m.snr_db / 10)
        self.cut_amp = float(amplitude(w.cut_db)) * np.sqrt(self.machine_power)
        self.gain = float(amplitude(rng.uniform(-42, -24))) / np.sqrt(self.machine_power + self.cut_amp**2)

    def up(self, n: int, t: Control, curve: Control) -> Array:
        """A control curve at the sample rate (linear between its points)."""
        hop = int(self.fs / CONTROL)
        c = np.asarray(curve, np.float32)
        step = np.diff(c, append=c[-1:])
        return (c[:, None] + step[:, None] * (np.arange(hop, dtype=np.float32) / hop)).ravel()[:n]

    def turns(self, speed: Control) -> tuple[NDArray[np.float64], Array]:
        """Whole phase (revolutions) at each control point and what it gains until the next, by sample."""
        hop = int(self.fs / CONTROL)
        mean = (speed + np.append(speed[1:], speed[-1])) / 2 / CONTROL
        part = np.arange(hop) / hop
        gained = (
            speed[:, None] * part / CONTROL
            + np.diff(speed, append=speed[-1:])[:, None] * part**2 / 2 / CONTROL
        )
        return np.concatenate([[0.0], np.cumsum(mean)[:-1]]), gained.astype(np.float32)

    def turning(self, rng: Rng, n: int, mo: Motion) -> tuple[NDArray[np.float64], Array, Array]:
        """Phase of the spindle (revolutions), its lines, its noise."""
        m, fs = self.m, self.fs
        spindle, supply = self.turns(mo.speed), self.turns(mo.command)
        steady = self.turns(np.ones(mo.t.size))
        phase = (spindle[0][:, None] + spindle[1]).ravel()[:n]
        rel = mo.speed / (m.rpm / 60)
        lines, loudest = np.zeros(n, np.float32), max(x.level for x in m.lines)
        top = max(1.0, float(rel.max())) * m.rpm / 60
        for line in m.lines:
            if (
                line.level < 0.01 * loudest
                or (line.order if line.of == "fixed" else line.order * top) > 0.46 * fs
            ):
                continue
            gain = mo.powered if line.of == "fixed" else np.minimum(rel, 2.5) ** 1.2
            if line.of == "drive":
                gain = gain * mo.powered
            gain = (
                line.level
                * gain
                * 10 ** ((line.cut_gain_db * mo.cut + line.flutter_db * slow(rng, mo.t.size, 0.7)) / 20)
            )
            whole, gained = {"rotor": spindle, "drive": supply, "fixed": steady}[line.of]
            turn = ((whole * line.order + rng.random()) % 1.0).astype(np.float32)[:, None] + np.float32(
                line.order
            ) * gained
            lines += self.up(n, mo.t, gain) * np.cos(np.float32(2 * np.pi) * turn).ravel()[:n]
        hiss = noise(rng, n, self.floor) * self.up(n, mo.t, np.minimum(rel, 2.5) ** 1.3)
        hiss += noise(rng, n, self.air) * np.float32(amplitude(m.room_share_db))
        if m.bearing:
            hiss += self.per_turn(
                rng, phase, m.bearing[0], 0.01, lambda k: rng.lognormal(0, 0.3, k)
            ) * np.float32(m.bearing[1])
        if m.thump:
            at = self.crossings(rng, phase, m.thump[0], 0.002)
            hiss += strikes(n, at, np.full(at.size, m.thump[1] * np.sqrt(0.03 * fs)), self.belt)
        return phase, lines, hiss

    def crossings(
        self, rng: Rng, phase: NDArray[np.float64], order: float, jitter: float, offset: float = 0.0
    ) -> Control:
        """Sample numbers where ``order`` times the rotation passes a whole turn."""
        last = int(phase[-1] * order - offset)
        turns = (np.arange(1, max(2, last)) + offset + jitter * rng.standard_normal(max(1, last - 1))) / order
        return np.interp(turns, phase[::32], np.arange(phase.size)[::32])

    def per_turn(self, rng: Rng, phase: NDArray[np.float64], order: float, jitter: float, size) -> Array:
        at = self.crossings(rng, phase, order, jitter)
        return strikes(
            phase.size, at, size(at.size) * np.sqrt(self.fs / (order * self.m.rpm / 60)), self.race
        )

    def cutting(self, rng: Rng, n: int, mo: Motion, phase: NDArray[np.float64]) -> Array:
        """Broadband sound, modulated by the lips and by eccentric stock, with chip crackle."""
        w, fs = self.w, self.fs
        moved = np.clip(mo.speed / (self.m.rpm / 60), 0, 2)
        level = mo.load**0.7 * (mo.cut > 0) * np.minimum(moved, 1.3)
        angle = (2 * np.pi * (phase - np.floor(phase))).astype(np.float32)
        shape = (1 + self.tooth * np.cos(w.flutes * angle)) * (1 + self.once * np.cos(angle + 1))
        base = (1 - self.chip_share) ** 0.5
        body = noise(rng, n, self.cutter) * self.up(n, mo.t, level * mo.bright)
        body += noise(rng, n, self.dull) * self.up(n, mo.t, level * (0.25 + 0.45 * (1 - mo.bright)))
        count = rng.poisson(self.chip_rate * n / fs)
        at = np.sort(rng.uniform(0, n, count))
        size = rng.lognormal(0, 0.7, count) * np.interp(at / fs, mo.t, level * mo.crackle)
        chips = strikes(n, at, size * np.sqrt(self.chip_share * fs / self.chip_rate / 1.6), self.chip)
        return np.float32(self.cut_amp) * (np.float32(base) * body * shape + chips)

    def fault_sound(self, rng: Rng, n: int, mo: Motion, phase: NDArray[np.float64], truth: Truth) -> Array:
        """The knock, the chatter line or the squeal."""
        loud = np.sqrt(1 + self.cut_amp**2)
        if truth.kind == "loosening":
            final = float(amplitude(rng.uniform(-6, 3))) * loud
            jitter, total = rng.uniform(0, 0.02), np.zeros(n, np.float32)
            hits = [(0.0, 1.0)] + (
                [(rng.uniform(0.1, 0.5), rng.uniform(0.3, 0.8))] if rng.random() < 0.3 else []
            )
            truth.detail += ", double" if len(hits) > 1 else ""
            for offset, part in hits:
                at = self.crossings(rng, phase, 1.0, jitter, offset)
                size = (
                    np.interp(at / self.fs, mo.t, mo.fault)
                    * rng.lognormal(0, 0.2, at.size)
                    * (rng.random(at.size) > 0.05)
                )
                total += strikes(n, at, part * size * final * np.sqrt(self.fs * 60 / self.m.rpm), self.knock)
            return total
        if truth.kind in ("chatter", "melting"):
            turn = self.m.rpm / 60
            f = rng.uniform(300, 2500) if truth.kind == "chatter" else rng.uniform(1200, 4500)
            if truth.kind == "chatter" and rng.random() < 0.35:
                f = turn * (round(f / turn) + rng.uniform(-0.08, 0.08))
                truth.detail += ", near a shaft order"
            truth.detail += f", {f:.0f} Hz"
            wobble = (
                1
                + rng.uniform(0.0005, 0.004) * slow(rng, mo.t.size, 2.0)
                + (0.02 * slow(rng, mo.t.size, 1.0) if truth.kind == "melting" else 0)
            )
            turns = np.cumsum(self.up(n, mo.t, f * wobble).astype(np.float64)) / self.fs
            level = float(amplitude(rng.uniform(-6, 4))) * loud * 1.4
            tone = np.cos(2 * np.pi * turns) + 0.3 * np.cos(4 * np.pi * turns)
            return (
                tone * self.up(n, mo.t, mo.fault * level * np.exp(0.2 * slow(rng, mo.t.size, 3.0)))
            ).astype(np.float32)
        return np.zeros(n, np.float32)

    def microphone(self, rng: Rng, x: Array) -> Array:
        """Band, hum, own noise, gain, sixteen bits."""
        low = {"good": 30.0, "phone": 300.0, "usb": 90.0}[self.w.mic]
        x = sosfilt(butter(2, low, "highpass", fs=self.fs, output="sos"), x).astype(np.float32)
        if self.hum:
            turn = (50 * np.arange(x.size) / self.fs) % 1.0
            x += self.hum * sum(np.cos((2 * np.pi * h * turn).astype(np.float32)) / h for h in (1, 2, 3, 5))
        x = x * self.gain + rng.standard_normal(x.size, dtype=np.float32) * float(
            amplitude(-78 if self.w.mic == "good" else -68)
        )
        return (np.round(np.clip(x, -1, 1) * 32767) / 32768).astype(np.float32)


def _extras(rng: Rng, v: Voice, n: int, mo: Motion, c: Cycle) -> Array:
    """Axis moves, dragging chips and the handling of blanks."""
    t, fs, m = mo.t, v.fs, v.m
    velocity = np.zeros(t.size)
    for a, b, speed in c.moves:
        part = (t >= a) & (t < b)
        velocity[part] = speed * np.clip(np.minimum(t[part] - a, b - t[part]) / 0.06, 0, 1)
    whole, gained = v.turns(velocity * m.step_hz_per_mm_s)
    tone = np.cos(np.float32(2 * np.pi) * ((whole % 1).astype(np.float32)[:, None] + gained)).ravel()[:n]
    out = tone * v.up(n, t, (velocity > 0) * m.axis_level * np.sqrt(v.machine_power))
    at = np.concatenate(
        [rng.uniform(a, b, max(0, int((b - a) * rng.uniform(0.3, 2.0)))) for a, b in c.handling if b > a]
        or [np.zeros(0)]
    )
    size = np.exp(rng.normal(0, 1, at.size)) * np.sqrt(v.machine_power * fs * 0.02)
    return out + strikes(n, at * fs, size, v.clink)


def _backgrounds(rng: Rng, v: Voice, n: int, truth: Truth) -> Array:
    """Some sounds of the workshop, about a fifth of the time in six scenes out of ten."""
    out = np.zeros(n, np.float32)
    if rng.random() > 0.6:
        return out
    seconds, covered = n / v.fs, 0.0
    while covered < 0.2 * seconds:
        name = str(rng.choice(list(BACKGROUNDS)))
        long = min(rng.uniform(2, 15), 0.5 * seconds)
        start, db = rng.uniform(0, seconds - long), rng.uniform(-10, 8)
        k, count = int(start * v.fs), int(long * v.fs)
        fade = np.clip(np.minimum(np.arange(count), np.arange(count)[::-1]) / (0.1 * v.fs), 0, 1).astype(
            np.float32
        )
        out[k : k + count] += (
            BACKGROUNDS[name](rng, count, v.fs)[:count]
            * fade
            * np.float32(amplitude(db) * np.sqrt(v.machine_power))
        )
        truth.backgrounds.append((name, round(start, 1), round(start + long, 1), round(db, 1)))
        covered += long
    return out


def _cells(x: Array, fs: float, seconds: float) -> NDArray[np.float64]:
    """Powers in cells of ``seconds`` by 1/``seconds`` Hz: 100 Hz to 7 kHz."""
    m = int(fs * seconds)
    frames = x[: x.size // m * m].reshape(-1, m) * np.hanning(m)
    p = np.abs(np.fft.rfft(frames, axis=1)) ** 2
    f = np.fft.rfftfreq(m, 1 / fs)
    return p[:, (f >= 100) & (f <= 7000)]


def detectability(v: Voice, truth: Truth, lines: Array, cut: Array, fault: Array, rest: Array) -> float:
    """d' of an ear that knows the fault's spectrum, by the deadline (dry sounds; energy in cells)."""
    fs, kind = v.fs, truth.kind
    a, b = int(max(truth.onset, truth.deadline - 4) * fs), int(truth.deadline * fs)
    if kind in ("bind", "stall"):
        k = int(truth.onset * fs)
        back = slice(max(0, k - int(1.0 * fs)), k)
        _, pl = welch(lines[back], fs, nperseg=int(0.3 * fs))
        f, pn = welch((rest + cut)[back], fs, nperseg=int(0.3 * fs))
        good = (f > 100) & (f < 7000)
        return float(np.sqrt(np.sum((pl[good] / pn[good]) ** 2)))
    if kind in ("chatter", "loosening") or (kind == "melting" and "squeal" in truth.detail):
        width = 0.02 if kind == "loosening" else 0.1
        s, r = _cells(fault[a:b], fs, width), _cells((lines + cut + rest)[a:b], fs, width).mean(axis=0)
        return float(np.sqrt(np.sum((s / r) ** 2)))
    if kind in ("lost_cut", "packing", "melting"):
        good = [p for p in truth.pecks if p[1] < truth.onset][-1]
        span = slice(int(good[0] * fs), int(good[1] * fs))
        s, r = _cells(cut[span], fs, 0.05), _cells((lines + rest)[span], fs, 0.05).mean(axis=0)
        share = {"lost_cut": 1.0, "packing": 0.8, "melting": 0.5}[kind]
        return float(share * np.sqrt(np.sum((s / (r + s.mean(axis=0))) ** 2)))
    return np.inf


def _still(m: Machine, seconds: float, rpm: float, rng: Rng) -> Motion:
    """A free run at one speed."""
    t = np.arange(int(seconds * CONTROL)) / CONTROL
    one, zero = np.ones(t.size), np.zeros(t.size)
    speed = rpm / 60 * (1 + m.wander / 4 * slow(rng, t.size, 0.3))
    return Motion(t, one * rpm / 60, speed, speed, zero, zero, one, one, zero, one)


@dataclass
class Drawn:
    """A scene before it is rendered."""

    rng: Rng
    machine: Machine
    work: Work
    voice: Voice
    cycle: Cycle
    motion: Motion
    truth: Truth


def draw_scene(kind: str, seed: int) -> Drawn:
    """Draw everything that moves."""
    index = FAULTS.index(kind) + 1 if kind in FAULTS else 0
    rng = np.random.default_rng([20261127, index, seed])
    faulty = kind != "faultless"
    good = 1 if seed % 4 else 2
    w = draw_work(rng, kind, good + 2 if faulty else int(rng.integers(3, 6)))
    snr = (10.0 if seed % 16 < 8 else 3.0) if faulty else float(rng.uniform(0, 15))
    m = draw_machine(rng, w.rpm, snr)
    voice, truth = Voice(rng, m, w), Truth(kind)
    c = run_cycle(rng, m, w)
    c.end += 12.0 if kind in ("bind", "stall") else 0.0
    mo = motion(rng, m, w, c, truth, good)
    return Drawn(rng, m, w, voice, c, mo, truth)


def make_scene(kind: str, seed: int) -> Scene:
    """Draw and render one scene."""
    d = draw_scene(kind, seed)
    rng, m, w, voice, c, mo, truth = d.rng, d.machine, d.work, d.voice, d.cycle, d.motion, d.truth
    faulty = kind != "faultless"
    n = mo.t.size * int(w.fs / CONTROL)
    phase, lines, hiss = voice.turning(rng, n, mo)
    cut = voice.cutting(rng, n, mo, phase)
    fault = voice.fault_sound(rng, n, mo, phase, truth)
    c.moves = [x for x in c.moves if x[0] < truth.duration]
    rest = hiss + _extras(rng, voice, n, mo, c)
    backs = _backgrounds(rng, voice, n, truth)
    if faulty:
        truth.detectability = detectability(voice, truth, lines, cut, fault, rest + backs)
        truth.audible = truth.detectability >= 6.0 and "unfinished" not in truth.detail
    wet = oaconvolve(lines + cut + fault + rest, voice.room)[:n] + backs
    x = voice.microphone(rng, wet.astype(np.float32))
    if kind == "mic_fault":
        x = break_microphone(rng, x, w.fs, truth)
    free = []
    for speed in w.baseline_rpms:
        still = _still(m, 10.5, speed, rng)
        k = int(10.5 * w.fs)
        _, a, b = voice.turning(rng, k, still)
        free.append(
            (
                speed,
                voice.microphone(rng, oaconvolve(a + b, voice.room)[:k].astype(np.float32))[
                    int(0.5 * w.fs) :
                ],
            )
        )
    return Scene(m, w, x, free, truth)


def break_microphone(rng: Rng, x: Array, fs: float, truth: Truth) -> Array:
    """Unplug it, or let its stream be zeros or one value."""
    k = int(truth.onset * fs)
    rest = x.size - k
    if truth.detail == "unplugged":
        x[k:] = rng.standard_normal(rest, dtype=np.float32) * float(amplitude(rng.uniform(-90, -72)))
        if rng.random() < 0.5:
            x[k:] += (
                float(amplitude(rng.uniform(-70, -50))) * np.cos(2 * np.pi * 50 * np.arange(rest) / fs)
            ).astype(np.float32)
        x[k : k + 60] += 0.3
        x[:] = np.round(np.clip(x, -1, 1) * 32767) / 32768
    else:
        x[k:] = 0.0 if truth.detail == "zeros" else x[k - 1]
    return x
