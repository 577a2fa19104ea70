"""From a scene to samples: every source through its path to the microphone, one second at a time.

Seconds are rendered in order and re-cut to the block sizes asked for, so block sizes change nothing and
memory stays the same however long the batch. Nothing repeats: noise is drawn anew all the time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from monitor.errors import InputError
from monitor.planning.materials import material
from monitor.synth import backgrounds as background_sounds
from monitor.synth.backgrounds import Background
from monitor.synth.cutting import crackles, cut_sound, hiss_colour, lip_modulation, rub_colour
from monitor.synth.cycle import (
    DT,
    MECHANICS_HZ,
    BlankCurves,
    Curve,
    Cycle,
    Move,
    SpindleState,
    lay_out,
    plan_blank,
    turn,
)
from monitor.synth.faults import NORMAL_KNOCK, Fault, MicFault, Onset, held_seconds
from monitor.synth.machines import REFERENCE_RPM, Machine, Mode, Shaft, read_table, wave_table
from monitor.synth.rooms import (
    LINE_BAND_HZ,
    RADIATION_HZ,
    Room,
    highpass,
    limit,
    microphone,
    reverberation,
    ringing,
    shaped,
    sloping,
)
from monitor.synth.seeds import stream
from monitor.synth.truth import TRUTH_HZ, FaultTruth, PeckTruth, SpanTruth, Truth

Samples = NDArray[np.float32]

LOWEST_FS = 8000

SQUEAL_HZ = 2600.0
"""Pitch at which softened work squeals: stick and slip of the lips, a few kilohertz (from memory)."""


@dataclass(frozen=True)
class Scene:
    """A batch in a room: what is drilled, on which machine, what goes wrong, what else is heard.

    ``cut_db`` is the sound of a normal cut over the machine's noise, in LINE_BAND_HZ. ``seconds`` cuts the
    scene short; ``blanks`` may be very large. ``lead_s`` is the quiet before the first spindle start.
    """

    name: str
    machine: Machine
    room: Room
    cycle: Cycle
    seed: int
    blanks: int = 1
    cut_db: float = 9.0
    faults: tuple[Fault, ...] = ()
    mic_faults: tuple[MicFault, ...] = ()
    backgrounds: tuple[Background, ...] = ()
    seconds: int | None = None
    lead_s: float = 0.5
    about: str = ""


@dataclass(frozen=True)
class Rendered:
    """A whole scene: samples (full scale 1), sample rate, truth."""

    x: Samples
    fs: int
    truth: Truth


def render_scene(scene: Scene, fs: int = 48000) -> Rendered:
    """Return the whole scene at once; for long batches use ``SceneStream``."""
    played = SceneStream(scene, fs)
    parts = list(played.seconds())
    return Rendered(np.concatenate(parts) if parts else np.zeros(0, np.float32), fs, played.truth)


def free_running(
    machine: Machine, room: Room, rpm: float, seconds: float, seed: int = 0, fs: int = 48000
) -> Samples:
    """Return the machine running free at a steady commanded speed, as recorded for a baseline."""
    cycle = Cycle("acrylic", rpm, 6.0, 2, 50.0, 0.08, 10.0, (10.0,))
    whole = int(np.ceil(seconds))
    curves = lay_out(cycle, [Move("settle", whole, rpm)], 0, 0.0)
    at = machine.free_rpm(rpm) * (1 + machine.drift)
    turn(
        curves,
        cycle,
        machine,
        SpindleState(rpm=at, free_rpm=at, demand_rpm=at),
        stream(seed, "wander", "free"),
    )
    sound = _Sound(machine, room, cycle, 0.0, fs, stream(seed, "sound", "free"), highest_rpm=rpm)
    parts = [sound.second(curves, k) for k in range(whole)]
    return limit(np.concatenate(parts), room)[: round(seconds * fs)]


class SceneStream:
    """A scene as a stream. Truth grows as the scene is played, blank by blank.

    Parameters
    ----------
    scene : Scene
    fs : int
        Sample rate, Hz, 8000 or more.
    keep_curves : bool
        Keep the truth's curves (about 4 MB an hour); off for endless batches.
    """

    def __init__(self, scene: Scene, fs: int = 48000, keep_curves: bool = True) -> None:
        if fs < LOWEST_FS:
            raise InputError(f"sample rate {fs} Hz is too low; use {LOWEST_FS} Hz or more")
        self.scene, self.fs = scene, fs
        self.truth = Truth(scene.name, scene.seed, fs, line_snr_db=scene.room.snr_db, cut_db=scene.cut_db)
        self.truth.orders = [order for order, _ in scene.machine.orders()]
        self._keep_curves = keep_curves
        self._seconds = self._render()
        self._left = np.zeros(0, np.float32)

    def read(self, n: int) -> Samples:
        """Return the next ``n`` samples; fewer at the end, none after it."""
        parts, have = [self._left], self._left.size
        while have < n:
            block = next(self._seconds, None)
            if block is None:
                break
            parts.append(block)
            have += block.size
        joined = np.concatenate(parts)
        self._left = joined[n:].copy()
        return joined[:n]

    def blocks(self, n: int) -> Iterator[Samples]:
        """Yield blocks of ``n`` samples to the end; the last may be short."""
        while (block := self.read(n)).size:
            yield block

    def seconds(self) -> Iterator[Samples]:
        """Yield the scene second by second."""
        return self._seconds

    def _render(self) -> Iterator[Samples]:
        scene, fs = self.scene, self.fs
        cycle, machine = scene.cycle, scene.machine
        rng = stream(scene.seed, "sound")
        turning = stream(scene.seed, "wander")
        timing = stream(scene.seed, "timing")
        faulty = stream(scene.seed, "faults")
        highest = max(cycle.spindle_rpm, cycle.spot_rpm or 0.0)
        sound = _Sound(machine, scene.room, cycle, scene.cut_db, fs, rng, highest)
        converter = _Converter(scene, fs)
        far = _FarSounds(scene, fs)
        state = SpindleState()
        played = 0
        for blank in range(1, scene.blanks + 1):
            lead = scene.lead_s if blank == 1 else float(timing.uniform(0.2, 1.0))
            held_s = held_seconds(scene.faults, blank, cycle)
            first, last = blank == 1, blank == scene.blanks
            moves = plan_blank(cycle, machine, lead, held_s, first=first, last=last)
            curves = lay_out(cycle, moves, blank, float(played))
            vary(curves, cycle, faulty)
            handle(curves, faulty)
            onsets = [
                fault.apply(curves, cycle, machine, faulty) for fault in scene.faults if fault.blank == blank
            ]
            turn(curves, cycle, machine, state, turning)
            whole = curves.n // MECHANICS_HZ
            if scene.seconds is not None:
                whole = min(whole, scene.seconds - played)
            self._tell(curves, onsets, sound, whole)
            for k in range(whole):
                near = sound.second(curves, k)
                yield converter.convert(near + far.second(played, sound.level), played)
                played += 1
            if scene.seconds is not None and played >= scene.seconds:
                return

    def _tell(self, curves: BlankCurves, onsets: list[Onset], sound: _Sound, whole: int) -> None:
        """Add one blank to the truth, up to its first ``whole`` seconds."""
        truth, end = self.truth, curves.start_s + whole
        truth.seconds = end
        if self._keep_curves:
            step, n = MECHANICS_HZ // TRUTH_HZ, whole * MECHANICS_HZ
            for name, curve in (
                ("rpm", curves.rpm),
                ("commanded_rpm", curves.commanded_rpm),
                ("sag_pct", true_sag(curves, self.scene.machine)),
                ("torque_nm", curves.torque_nm),
                ("tip_mm", curves.tip_mm),
            ):
                truth.curves.setdefault(name, []).append(curve[:n:step].astype(np.float32))
        pecks, spots, blank = told_cycle(curves, self.scene)
        truth.pecks += [peck for peck in pecks if peck.contact_s < end]
        truth.spots += [spot for spot in spots if spot.start_s < end]
        truth.blanks.append(blank)
        truth.faults += [
            f for f in (told_fault(curves, o, self.scene, sound) for o in onsets) if f.onset_s < end
        ]
        for mic in self.scene.mic_faults:
            if curves.start_s <= mic.start_s < end:
                kind = "gain_step" if mic.mode == "gain" else "mic_fault"
                over = mic.start_s + mic.seconds
                truth.faults.append(FaultTruth(kind, mic.start_s, over, curves.blank, 0, {"mode": mic.mode}))
        for background in self.scene.backgrounds:
            if curves.start_s <= background.start_s < end:
                truth.backgrounds.append(
                    SpanTruth(background.kind, 0, background.start_s, background.start_s + background.seconds)
                )


def true_sag(curves: BlankCurves, machine: Machine) -> Curve:
    """Return the sag in percent; NaN at rest and until the free speed has reached the commanded one."""
    ideal = curves.commanded_rpm * (1 + machine.dial_error)
    settled = (curves.commanded_rpm > 0) & (np.abs(curves.free_rpm - ideal) < 0.03 * ideal)
    sag = np.full(curves.n, np.nan)
    sag[settled] = 100.0 * (1.0 - curves.rpm[settled] / curves.free_rpm[settled])
    return sag


def told_cycle(curves: BlankCurves, scene: Scene) -> tuple[list[PeckTruth], list[SpanTruth], SpanTruth]:
    """Return the pecks, spots and the span of the blank as they were planned and turned out."""
    cycle, start = scene.cycle, curves.start_s
    sag = np.nan_to_num(true_sag(curves, scene.machine))
    pecks = []
    for number, (top, bottom) in enumerate(cycle.peck_depths(), start=1):
        inside = np.flatnonzero((curves.peck == number) & (curves.tip_mm >= top - 1e-9) & (curves.mm_s >= 0))
        a, b = int(inside[0]), int(inside[-1]) + 1
        pecks.append(
            PeckTruth(
                curves.blank, number, start + a * DT, start + b * DT, top, bottom,
                float(sag[a:b].max()), float(curves.torque_nm[a:b].max()), float(curves.fill[a:b].max()),
            )
        )  # fmt: skip
    spots = []
    touching = np.flatnonzero(curves.spotting & (curves.tip_mm >= 0))
    if touching.size:
        spots.append(
            SpanTruth("spot", curves.blank, start + int(touching[0]) * DT, start + int(touching[-1] + 1) * DT)
        )
    on = np.flatnonzero(curves.commanded_rpm > 0)
    blank = SpanTruth("blank", curves.blank, start + int(on[0]) * DT, start + int(on[-1] + 1) * DT)
    return pecks, spots, blank


def told_fault(curves: BlankCurves, onset: Onset, scene: Scene, sound: _Sound) -> FaultTruth:
    """Return the truth of one fault, with the moments by which detectors are judged."""
    start, facts = curves.start_s, dict(onset.facts)
    sag = np.nan_to_num(true_sag(curves, scene.machine))
    for limit_pct in (4, 8):
        over = np.flatnonzero(sag[onset.index :] >= limit_pct)
        if over.size:
            facts[f"sag_{limit_pct}_s"] = round(start + (onset.index + int(over[0])) * DT, 4)
    if onset.kind == "loosening":
        facts["double_s"] = round(start + onset.index * DT + facts.pop("double_after_s"), 4)
    if onset.kind == "chatter":
        over = np.flatnonzero(sound.chatter_prominence_db(curves) >= 12.0)
        if over.size:
            facts["over_12_db_s"] = round(start + int(over[0]) * DT, 4)
    stop = np.flatnonzero(curves.commanded_rpm[onset.index :] <= 0)
    end = curves.n if onset.kind in ("melting", "packing", "lost_cut", "loosening", "stall") else None
    if end is None:
        end = int(np.flatnonzero(curves.peck == onset.peck)[-1]) + 1
    elif stop.size:
        end = onset.index + int(stop[0])
    return FaultTruth(
        onset.kind, start + onset.index * DT, start + end * DT, curves.blank, onset.peck, {**facts}
    )


def vary(curves: BlankCurves, cycle: Cycle, rng: np.random.Generator) -> None:
    """Let no two pecks be quite alike: load by 4 %, sound by 1 dB, and grain as uneven as the material's."""
    table = material(cycle.material)
    uneven = cut_sound(table.chip_form, table.crackle).uneven
    knots = np.arange(0.0, curves.n * DT + 0.2, 0.1)
    grain = np.exp(uneven * np.interp(np.arange(curves.n) * DT, knots, rng.standard_normal(knots.size)))
    pecks = int(curves.peck.max()) + 1
    load = 1.0 + 0.04 * rng.standard_normal(pecks)
    gain = 10 ** (rng.standard_normal(pecks) / 20)
    curves.torque_factor *= load[curves.peck] * np.sqrt(grain)
    for curve in (curves.cut, curves.crackle, curves.rub):
        curve *= gain[curves.peck] * grain
    curves.knock[:] = NORMAL_KNOCK * curves.cut


def handle(curves: BlankCurves, rng: np.random.Generator) -> None:
    """Let chuck, blank and tools be heard while the spindle rests: one to three clunks a pause."""
    for move, start, end in curves.moves:
        if move.what == "idle" and move.commanded_rpm == 0 and end - start > MECHANICS_HZ // 2:
            for index in rng.integers(start, end, int(rng.integers(1, 4))):
                curves.clunks.append((int(index), float(rng.uniform(0.1, 0.5))))


@dataclass
class _Path:
    """From a source to the converter: its transfer function at the block's transform length."""

    h: NDArray[np.complex64]
    power: NDArray[np.float64]  # |h|^2


class _Sound:
    """The machine and the cut, as the microphone hears them, in seconds that follow each other."""

    def __init__(
        self, machine: Machine, room: Room, cycle: Cycle, cut_db: float, fs: int, rng: np.random.Generator,
        highest_rpm: float,
    ) -> None:  # fmt: skip
        self.machine, self.room, self.cycle, self.fs, self.rng = machine, room, cycle, fs, rng
        table = material(cycle.material)
        self.cut = cut_sound(table.chip_form, table.crackle)
        self._tail_n = int((room.rt60_s + 0.3) * fs)
        self._nfft = next_fast_len(fs + self._tail_n, real=True)
        self._tail = np.zeros(self._tail_n, np.float32)
        self._index = np.arange(fs) * MECHANICS_HZ // fs
        self._part = (np.arange(fs) * MECHANICS_HZ / fs - self._index).astype(np.float32)
        self._turns = {"rotor": 0.0, "electrical": 0.0, "axis": 0.0, "chatter": 0.0, "squeal": 0.0}
        self._strength = [1.0] * len(machine.shafts)
        self._clock = 0
        self._tables = [
            (shaft, wave_table(shaft, _highest(shaft, highest_rpm * 1.08, fs))) for shaft in machine.shafts
        ]
        axis = _axis_shaft(machine)
        self._axis_table = wave_table(axis, 0.45 * fs / (cycle.rapid_mm_s * machine.axis_turns_per_mm))
        body = stream(machine.seed, "bodies")
        near = [reverberation(room, fs, far=False), microphone(room, fs), highpass(fs, RADIATION_HZ)]
        structure = ringing(machine.modes, fs)
        tool = ringing([Mode(float(hz), 12.0, 1.5) for hz in body.uniform(1500.0, 7000.0, 3)], fs, 0.7)
        holding = ringing([Mode(float(hz), 10.0, 1.0) for hz in body.uniform(180.0, 1100.0, 4)], fs, 0.05)
        hiss = shaped(hiss_colour(self.cut, fs))
        self._paths = {
            "lines": self._path(*near, structure),
            "floor": self._path(*near, structure, shaped(sloping(fs, machine.floor_slope_db, body))),
            "ambient": self._path(
                microphone(room, fs), shaped(sloping(fs, 4.0, stream(room.seed, "ambient")))
            ),
            "hiss": self._path(*near, tool, hiss),
            "crackle": self._path(*near, tool, hiss, highpass(fs, 900.0)),
            "rub": self._path(*near, structure, shaped(rub_colour(fs))),
            "knock": self._path(*near, holding),
            "tone": self._path(*near),
        }
        self.gains = self._balance(cut_db)

    @property
    def level(self) -> float:
        """Rms of the machine running free, full scale 1."""
        return float(10 ** (self.room.level_dbfs / 20))

    def _path(self, *responses: NDArray[np.float64]) -> _Path:
        n = next_fast_len(sum(response.size for response in responses), real=True)
        h = irfft(np.prod([rfft(response, n) for response in responses], axis=0), n)[: self._tail_n]
        fade = h.size // 20
        h[h.size - fade :] *= np.linspace(1.0, 0.0, fade)
        spectrum = rfft(h, self._nfft)
        return _Path(spectrum.astype(np.complex64), np.abs(spectrum) ** 2)

    def band_power(self, path: str) -> float:
        """Return the power in LINE_BAND_HZ of unit white noise at the end of a path."""
        low, high = self._band()
        return float(2.0 * self._paths[path].power[low:high].sum() / self._nfft)

    def line_power(self, shaft: Shaft, rpm: float) -> float:
        """Return the power of a shaft's lines within LINE_BAND_HZ at the microphone, over gain 1."""
        low, high = (edge * self.fs / self._nfft for edge in self._band())
        turning = shaft.ratio * (1.0 if shaft.follows == "fixed" else self.machine.free_rpm(rpm) / 60.0)
        growth = 1.0 if shaft.follows == "fixed" else (rpm / REFERENCE_RPM) ** shaft.growth
        total = 0.0
        for harmonic, amplitude in zip(shaft.harmonics, shaft.amplitudes, strict=True):
            hz = harmonic * turning
            if low <= hz < high:
                total += 0.5 * (amplitude * growth) ** 2 * self._gain_at("lines", hz)
        return total

    def _gain_at(self, path: str, hz: float) -> float:
        """Return |h|^2 around ``hz``, over 1 % to either side: reverberation is ragged, speeds wander."""
        a = int(0.99 * hz * self._nfft / self.fs)
        b = int(1.01 * hz * self._nfft / self.fs) + 2
        return float(self._paths[path].power[a:b].mean())

    def _band(self) -> tuple[int, int]:
        low, high = LINE_BAND_HZ
        return int(low * self._nfft / self.fs), int(min(high, 0.45 * self.fs) * self._nfft / self.fs)

    def _balance(self, cut_db: float) -> dict[str, float]:
        """Return the gain of every source, from the ratios that the room and the scene ask for."""
        room, machine = self.room, self.machine
        rpm = room.snr_at_rpm
        rotor = sum(self.line_power(s, rpm) for s in machine.shafts if s.follows == "rotor")
        others = sum(self.line_power(s, rpm) for s in machine.shafts if s.follows != "rotor")
        if rotor <= 0.0:
            raise InputError(
                f"at {rpm:g} rpm this machine has no line between {LINE_BAND_HZ[0]:g} Hz and the top"
            )
        ambient, electronic = 10 ** (room.ambient_db / 10), 10 ** (room.electronic_db / 10)
        noise = rotor / 10 ** (room.snr_db / 10)
        floor = noise / (1.0 + ambient + electronic)
        growth = (rpm / REFERENCE_RPM) ** machine.floor_growth
        total = 10 ** (room.level_dbfs / 10) / (rotor + others + noise)
        low, high = self._band()
        cut = noise * 10 ** (cut_db / 10) * total

        def gain(power: float, path: str) -> float:
            return float(np.sqrt(power / self.band_power(path)))

        return {
            "lines": float(np.sqrt(total)),
            "floor": gain(floor * total, "floor") / growth,
            "ambient": gain(floor * ambient * total, "ambient"),
            "electronic": float(np.sqrt(floor * electronic * total / (2.0 * (high - low) / self._nfft))),
            "hiss": gain(cut * (1.0 - self.cut.share), "hiss"),
            "crackle": gain(cut * self.cut.share, "crackle"),
            "rub": gain(cut, "rub"),
            "knock": gain(cut, "knock"),
            "tone": float(np.sqrt(2.0 * cut)),
        }

    def chatter_prominence_db(self, curves: BlankCurves) -> Curve:
        """Return the chatter tone's power over that of the noise in 20 Hz around it, in dB."""
        hz = float(curves.chatter_hz.max())
        if hz <= 0.0:
            return np.full(curves.n, -np.inf)
        sources = ("floor", "hiss", "crackle", "rub")
        noise = sum(
            self.gains[name] ** 2 * self._gain_at(name, hz) * 20.0 * 2.0 / self.fs for name in sources
        )
        tone = 0.5 * (curves.chatter * self.gains["tone"]) ** 2 * self._gain_at("tone", hz)
        with np.errstate(divide="ignore"):
            return np.asarray(10.0 * np.log10(tone / noise))

    def second(self, curves: BlankCurves, k: int) -> Samples:
        """Return the ``k``-th second of a blank, before far sounds and the converter's limit."""
        fs, rng, gains, cycle = self.fs, self.rng, self.gains, self.cycle
        curves = curves.second(k)

        def up(curve: Curve) -> Samples:
            points = curve.astype(np.float32)
            low = points[self._index]
            result: Samples = low + self._part * (points[1:] - points[:-1])[self._index]
            return result

        def advance(name: str, hz: Samples) -> NDArray[np.float64]:
            turns = self._turns[name] + np.cumsum(hz, dtype=np.float64) / fs
            self._turns[name] = float(turns[-1])
            return turns

        rotor = advance("rotor", up(curves.rpm / 60.0))
        revolutions = float(rotor[-1] - rotor[0])
        speed = np.maximum(curves.rpm, 0.0) / REFERENCE_RPM
        sources: dict[str, Samples] = {}

        sources["lines"] = self._lines(curves, speed, rotor, up, advance)
        if curves.chatter.any():
            turns = advance("chatter", up(curves.chatter_hz))
            tone = np.cos(2 * np.pi * turns) + 0.2 * np.cos(4 * np.pi * turns)
            sources["tone"] = up(gains["tone"] * curves.chatter) * tone.astype(np.float32)
        if curves.squeal.any():
            jitter = np.interp(np.arange(fs) / fs, np.linspace(0, 1, 21), rng.standard_normal(21))
            pitch = (SQUEAL_HZ * (1.0 + 0.02 * jitter)).astype(np.float32)
            squeal = up(gains["tone"] * curves.squeal) * _buzz(advance("squeal", pitch))
            sources["tone"] = sources.get("tone", np.float32(0)) + squeal
        sources["floor"] = _white(rng, fs) * up(gains["floor"] * speed**self.machine.floor_growth)
        sources["ambient"] = _white(rng, fs) * np.float32(gains["ambient"])
        if curves.cut.any() or curves.rub.any():
            lips = lip_modulation(rotor, cycle.flutes, 0.35, 0.12, cycle.eccentric)
            sources["hiss"] = _white(rng, fs) * up(gains["hiss"] * curves.cut) * lips
            sources["rub"] = _white(rng, fs) * up(gains["rub"] * curves.rub) * lips
            clicks = crackles(rng, self.cut, up(curves.crackle) * lips, revolutions)
            sources["crackle"] = clicks * np.float32(gains["crackle"])
        if curves.knock.any():
            sources["knock"] = self._knocks(rng, rotor, up(curves.knock), revolutions)
        for index, height in curves.clunks:
            clunk = sources.setdefault("knock", np.zeros(fs, np.float32))
            clunk[index * fs // MECHANICS_HZ] += height * gains["knock"] * np.sqrt(fs / 10.0)
        for index in curves.snaps:
            crack = sources.setdefault("crackle", np.zeros(fs, np.float32))
            crack[index * fs // MECHANICS_HZ] += 2.0 * gains["crackle"] * np.sqrt(fs / 10.0)
        self._clock += 1
        return self._mix(sources) + np.float32(gains["electronic"]) * _white(rng, fs)

    def _lines(
        self,
        curves: BlankCurves,
        speed: Curve,
        rotor: NDArray[np.float64],
        up: Callable[[Curve], Samples],
        advance: Callable[[str, Samples], NDArray[np.float64]],
    ) -> Samples:
        """Return a second of all lines: each shaft's turn read at its angle, at its level of the moment."""
        fs, machine = self.fs, self.machine
        sag = np.clip(1.0 - curves.rpm / np.maximum(curves.free_rpm, 1.0), 0.0, 1.0) * (curves.free_rpm > 5.0)
        angles = {"rotor": rotor, "electrical": advance("electrical", up(curves.free_rpm / 60.0))}
        powered = ((curves.commanded_rpm > 0) & curves.powered).astype(float)
        total = np.zeros(fs, np.float32)
        if curves.mm_s.any():
            axis = advance("axis", up(np.abs(curves.mm_s)))
            gain = up(self.gains["lines"] * np.abs(curves.mm_s) ** 0.3)
            total += read_table(self._axis_table, axis * machine.axis_turns_per_mm) * gain
        for index, (shaft, table) in enumerate(self._tables):
            level = self.gains["lines"] * self._breathe(index)
            if shaft.follows == "fixed":
                turns = (self._clock + np.arange(fs) / fs) * shaft.ratio
                level = level * (powered if shaft.name == "drive switching" else 1.0)
            else:
                turns = angles[shaft.follows] * shaft.ratio
                level = level * speed**shaft.growth * (1.0 + shaft.load_gain * 10.0 * sag)
                level = level * (powered if shaft.follows == "electrical" else 1.0)
            total += read_table(table, turns) * up(level)
        angle = ((rotor - np.floor(rotor)) * (2 * np.pi)).astype(np.float32)
        total *= 1.0 + np.float32(machine.rev_modulation) * np.cos(angle + np.float32(machine.rev_phase))
        return total

    def _breathe(self, index: int) -> Curve:
        """Return a second of a shaft's strength, which changes slowly: no belt sounds twice alike."""
        before, after = self._strength[index], float(np.exp(0.08 * self.rng.standard_normal()))
        self._strength[index] = after
        return np.linspace(before, after, MECHANICS_HZ + 1)

    def _knocks(
        self, rng: np.random.Generator, rotor: NDArray[np.float64], strength: Samples, revolutions: float
    ) -> Samples:
        x = np.zeros(rotor.size, np.float32)
        at = np.flatnonzero(np.diff(np.floor(rotor)) > 0)
        if at.size:
            height = np.sqrt(rotor.size / max(revolutions, 0.5)) * (1.0 + 0.15 * rng.standard_normal(at.size))
            x[at] = self.gains["knock"] * strength[at] * height
        return x

    def _mix(self, sources: dict[str, Samples]) -> Samples:
        total = np.zeros(self._nfft // 2 + 1, np.complex64)
        for path, x in sources.items():
            total += rfft(x, self._nfft) * self._paths[path].h
        y = irfft(total, self._nfft)
        heard = y[: self.fs]
        n = min(self._tail_n, self.fs)
        heard[:n] += self._tail[:n]
        tail = y[self.fs : self.fs + self._tail_n].copy()
        tail[: max(0, self._tail_n - self.fs)] += self._tail[self.fs :]
        self._tail = tail
        result: Samples = heard
        return result


class _Converter:
    """The end of the chain: microphone faults, then the limit at full scale."""

    def __init__(self, scene: Scene, fs: int) -> None:
        self.scene, self.fs, self.rng = scene, fs, stream(scene.seed, "converter")

    def convert(self, x: Samples, second: int) -> Samples:
        t = second + np.arange(self.fs) / self.fs
        for fault in self.scene.mic_faults:
            if fault.start_s < second + 1 and fault.start_s + fault.seconds > second:
                residue = (
                    2e-4 * self.rng.standard_normal(self.fs) + 3e-4 * np.cos(2 * np.pi * 50.0 * t)
                ).astype(np.float32)
                x = fault.alter(x, float(second), self.fs, residue, self.rng)
        return limit(x, self.scene.room).astype(np.float32)


class _FarSounds:
    """Background sounds of a scene, each through the room from afar, as they come up."""

    def __init__(self, scene: Scene, fs: int) -> None:
        self.scene, self.fs = scene, fs
        self._waiting = sorted(scene.backgrounds, key=lambda b: b.start_s)
        self._playing: list[tuple[int, Samples]] = []
        n = int((scene.room.rt60_s + 0.1) * fs)
        parts = [reverberation(scene.room, fs, far=True), microphone(scene.room, fs)]
        self._h = _chain(parts, n).astype(np.float32)

    def second(self, second: int, level: float) -> Samples:
        """Return what is heard of them in this second; ``level`` is the machine's rms, their reference."""
        fs = self.fs
        while self._waiting and self._waiting[0].start_s < second + 1:
            background = self._waiting.pop(0)
            dry = background_sounds.sound_of(background, fs)
            n = dry.size + self._h.size
            size = next_fast_len(n, real=True)
            wet = irfft(rfft(dry, size) * rfft(self._h, size), size)[:n]
            active = wet[: dry.size]
            rms = float(np.sqrt(np.mean(active.astype(np.float64) ** 2))) or 1.0
            gain = level * 10 ** (background.level_db / 20) / rms
            self._playing.append((round(background.start_s * fs), (gain * wet).astype(np.float32)))
        heard = np.zeros(fs, np.float32)
        begin = second * fs
        for start, wet in self._playing:
            a, b = max(start, begin), min(start + wet.size, begin + fs)
            if a < b:
                heard[a - begin : b - begin] += wet[a - start : b - start]
        self._playing = [(s, w) for s, w in self._playing if s + w.size > begin + fs]
        return heard


def _chain(parts: list[NDArray[np.float64]], n: int) -> NDArray[np.float64]:
    size = next_fast_len(sum(part.size for part in parts), real=True)
    return np.asarray(irfft(np.prod([rfft(part, size) for part in parts], axis=0), size)[:n])


def _axis_shaft(machine: Machine) -> Shaft:
    """The axis drive sings at its steps per mm times its speed."""
    level = 10 ** (machine.axis_level_db / 20) * 0.15
    amplitudes = (level, 0.5 * level, 0.3 * level)
    return Shaft("axis", "fixed", machine.axis_turns_per_mm, (1, 2, 4), amplitudes, (0.0, 1.0, 2.0))


def _highest(shaft: Shaft, rpm: float, fs: int) -> float:
    """Return the highest harmonic that stays below 0.45 fs at ``rpm``."""
    return 0.45 * fs / (shaft.ratio * (1.0 if shaft.follows == "fixed" else rpm / 60.0))


def _white(rng: np.random.Generator, n: int) -> Samples:
    return rng.standard_normal(n, dtype=np.float32)


def _buzz(turns: NDArray[np.float64]) -> Samples:
    angle = ((turns - np.floor(turns)) * (2 * np.pi)).astype(np.float32)
    return np.float32(0.9) * (np.cos(angle) + np.float32(0.4) * np.cos(2 * angle + 1))
