"""What else is heard in a workshop: speech, a radio, tools, other machines, weather.

Each sound is made dry, by its own seed; the room and the level are added where it is mixed in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, oaconvolve, sosfilt

from monitor.errors import InputError
from monitor.synth.machines import Mode, draw_machine, read_table, wave_table
from monitor.synth.rooms import ringing
from monitor.synth.seeds import stream

Sound = NDArray[np.float64]


@dataclass(frozen=True)
class Background:
    """A sound from elsewhere.

    ``kind`` is one of ``KINDS``; ``level_db`` is its rms at the microphone over that of the machine running
    free. It is made as one piece, so divide what lasts longer than a minute.
    """

    kind: str
    start_s: float
    seconds: float
    level_db: float
    seed: int = 0


def sound_of(background: Background, fs: int) -> NDArray[np.float32]:
    """Return the dry sound, ``seconds`` long, of about unit rms.

    Raises
    ------
    InputError
        The kind is not known.
    """
    make = KINDS.get(background.kind)
    if make is None:
        raise InputError(f'background "{background.kind}" is not known; known: {", ".join(sorted(KINDS))}')
    n = round(background.seconds * fs)
    x = make(stream(background.seed, "background", background.kind), n, fs)[:n]
    fade = min(int(0.01 * fs), n // 2)
    x[:fade] *= np.linspace(0.0, 1.0, fade)
    x[n - fade :] *= np.linspace(1.0, 0.0, fade)
    rms = np.sqrt(np.mean(x**2)) if n else 0.0
    return np.asarray(x / (rms or 1.0), np.float32)


VOWELS = (
    (730, 1090, 2440),
    (270, 2290, 3010),
    (300, 870, 2240),
    (530, 1840, 2480),
    (570, 840, 2410),
    (640, 1190, 2390),
)
"""First three formants of vowels, Hz (Peterson and Barney 1952, men; from memory)."""


def speech(rng: np.random.Generator, n: int, fs: int) -> Sound:
    """Return babble with the rhythm of speech: voiced syllables, fricatives, phrases and pauses."""
    x = np.zeros(n + fs)
    pitch = float(rng.choice([rng.uniform(90, 140), rng.uniform(170, 240)]))
    t = 0.0
    while t < n / fs:
        phrase = int(rng.integers(4, 11))
        for index in range(phrase):
            length = float(rng.uniform(0.1, 0.28))
            if rng.random() < 0.4:
                _add(x, t, fs, 0.25 * _hiss(rng, int(rng.uniform(0.04, 0.11) * fs), fs, 2500.0, 7000.0))
                t += 0.06
            fall = pitch * (1.15 - 0.3 * index / phrase) * float(rng.uniform(0.95, 1.08))
            _add(x, t, fs, _vowel(rng, int(length * fs), fs, fall, 0.0))
            t += length + float(rng.exponential(0.02))
        t += float(rng.uniform(0.2, 0.8))
    return x[:n]


def _vowel(rng: np.random.Generator, n: int, fs: int, pitch: float, vibrato: float) -> Sound:
    """Return one sung or spoken vowel: glottal pulses through formants."""
    t = np.arange(n) / fs
    f0 = pitch * (
        1 + 0.02 * np.sin(2 * np.pi * 3 * t + rng.uniform(0, 6)) + vibrato * np.sin(2 * np.pi * 5.6 * t)
    )
    turns = np.cumsum(f0) / fs
    pulses = np.concatenate([[0.0], np.diff(np.floor(turns))])
    y = lfilter([1.0], [1.0, -np.exp(-2 * np.pi * 350.0 / fs)], pulses)  # the glottis: -6 dB an octave
    formants = VOWELS[int(rng.integers(len(VOWELS)))]
    size = float(rng.uniform(0.95, 1.18))  # of the vocal tract
    out = np.zeros(n)
    for hz, width, gain in zip(
        (*formants, 3500.0), (80.0, 100.0, 140.0, 200.0), (1.0, 0.6, 0.3, 0.15), strict=True
    ):
        out += gain * _resonate(y, hz * size, width, fs)
    return np.asarray(out * np.sin(np.pi * np.clip(t / max(n / fs, 1e-6), 0, 1)) ** 0.6)


def music(rng: np.random.Generator, n: int, fs: int) -> Sound:
    """Return music: chords, bass, drums, and a melody sung with vibrato; equal-tempered at A = 440 Hz."""
    beat = 60.0 / float(rng.uniform(80, 135))
    scale = np.array([0, 2, 4, 5, 7, 9, 11])
    root = int(rng.integers(48, 60))
    x = np.zeros(n + 4 * fs)
    for bar in range(int(n / fs / (4 * beat)) + 1):
        at, degree = bar * 4 * beat, int(rng.choice([0, 3, 4, 5]))
        for step in (0, 2, 4):
            note = root + int(scale[(degree + step) % 7]) + 12 * ((degree + step) // 7)
            _add(x, at, fs, 0.25 * _note(rng, _hz(note), 4 * beat, fs))
        _add(x, at, fs, 0.6 * _note(rng, _hz(root - 12 + int(scale[degree])), 2 * beat, fs))
        for k in range(8):
            _add(x, at + k * beat / 2, fs, 0.15 * _decay(rng, 0.05, fs, 5000.0, 12000.0))
            if k in (0, 4):
                _add(x, at + k * beat / 2, fs, 0.8 * _thump(0.2, 60.0, fs))
            if k in (2, 6):
                _add(x, at + k * beat / 2, fs, 0.5 * _decay(rng, 0.15, fs, 200.0, 5000.0))
        t = at
        while t < at + 4 * beat - 1e-6:
            length = float(rng.choice([0.5, 1.0, 2.0])) * beat
            note = root + 12 + int(rng.choice(scale))
            voice = _vowel(rng, int(min(length, 2.0) * fs), fs, _hz(note), 0.012)
            _add(x, t, fs, 3.0 * voice)
            t += length
    return x[:n]


def radio(rng: np.random.Generator, n: int, fs: int) -> Sound:
    """Return music from a small loudspeaker."""
    return _band(music(rng, n, fs), fs, 250.0, 6000.0)


def singing(rng: np.random.Generator, n: int, fs: int) -> Sound:
    """Return one voice singing alone: held vowels on the notes of a scale, with vibrato, and breaths."""
    root = int(rng.choice([rng.integers(45, 55), rng.integers(55, 67)]))
    x, t, degree = np.zeros(n + 3 * fs), 0.0, 0
    scale = np.array([0, 2, 4, 5, 7, 9, 11, 12])
    while t < n / fs:
        degree = int(np.clip(degree + rng.integers(-2, 3), 0, scale.size - 1))  # mostly to a note nearby
        length = float(rng.choice([0.3, 0.6, 1.2, 2.4]))
        _add(x, t, fs, _vowel(rng, int(length * fs), fs, _hz(root + int(scale[degree])), 0.012))
        t += length + (float(rng.uniform(0.3, 0.8)) if rng.random() < 0.2 else 0.0)
    return x[:n]


def whistle(rng: np.random.Generator, n: int, fs: int) -> Sound:
    """Return somebody whistling a tune: one nearly pure tone that glides from note to note, and breath."""
    lengths = rng.choice([0.2, 0.4, 0.8, 1.6], int(n / fs / 0.2) + 1)
    notes = 84 + np.cumsum(rng.integers(-3, 4, lengths.size))
    t = np.arange(n) / fs
    index = np.minimum(np.searchsorted(np.cumsum(lengths), t, side="right"), lengths.size - 1)
    steps = np.clip(notes, 76, 96)[index].astype(float)  # 660 Hz to 2.1 kHz
    glide = 1 - np.exp(-1 / (0.03 * fs))
    steps = lfilter([glide], [1, glide - 1], steps, zi=[(1 - glide) * steps[0]])[0] if n else steps
    hz = 440.0 * 2 ** ((steps - 69) / 12) * (1 + 0.006 * np.sin(2 * np.pi * 5.5 * t))
    turns = np.cumsum(hz) / fs
    tone = np.cos(2 * np.pi * turns) + 0.05 * np.cos(4 * np.pi * turns)
    tongue = np.minimum(1.0, (t - np.concatenate([[0.0], np.cumsum(lengths)])[index]) / 0.04)
    breathes = (t % 5.0) < 4.4
    return np.asarray((tone + 0.1 * _hiss(rng, n, fs, 1000.0, 6000.0)) * tongue * breathes)


def grinder(rng: np.random.Generator, n: int, fs: int) -> Sound:
    """Return an angle grinder: its motor sags in the work and runs free when lifted, with the hiss of sparks.

    Wheel some 11 000 rpm, motor three to four times as fast through a bevel gear (from memory).
    """
    knots = np.concatenate([[0.0], np.cumsum(rng.uniform(0.4, 2.5, int(n / fs) + 4))])
    presses = np.where(np.arange(knots.size) % 2, rng.uniform(0.5, 1.0, knots.size), 0.0)
    t = np.arange(n) / fs
    load = np.interp(t, knots, presses)
    wheel = float(rng.uniform(150.0, 195.0)) * (1 - np.exp(-t / 0.25)) * (1 - 0.2 * load)
    ratio, teeth = float(rng.uniform(3.0, 4.0)), int(rng.integers(9, 14))  # motor's turns; its pinion's teeth
    turns = np.cumsum(wheel) / fs
    x = np.zeros(n)
    for order, level in ((1.0, 0.5), (2.0, 0.3), (ratio, 0.6), (2 * ratio, 0.4), (ratio * teeth, 1.0)):
        if order * 195.0 < 0.45 * fs:
            x += level * np.cos(2 * np.pi * order * turns)
    return np.asarray(x + (0.4 + 2.0 * load) * _hiss(rng, n, fs, 800.0, 7000.0))


def hammer(rng: np.random.Generator, n: int, fs: int) -> Sound:
    """Return hammer blows on metal, two or three a second."""
    modes = [
        Mode(float(hz), float(q), 1.0)
        for hz, q in zip(rng.uniform(500, 7000, 6), rng.uniform(20, 90, 6), strict=True)
    ]
    ring = ringing(modes, fs, 0.02)
    x, t = np.zeros(n + ring.size), 0.0
    while t < n / fs:
        at = int(t * fs)
        x[at : at + ring.size] += ring[: x.size - at] * float(rng.uniform(0.5, 1.0))
        t += float(rng.uniform(0.28, 0.6))
    return x[:n]


def door(rng: np.random.Generator, n: int, fs: int) -> Sound:
    """Return a door falling shut: a thump, its panel, the latch."""
    x = np.zeros(n + fs)
    _add(x, 0.05, fs, _thump(0.35, 55.0, fs))
    _add(x, 0.05, fs, 0.5 * _decay(rng, 0.3, fs, 80.0, 900.0))
    _add(x, 0.12, fs, 0.4 * _decay(rng, 0.03, fs, 1500.0, 6000.0))
    return x[:n]


def rag(rng: np.random.Generator, n: int, fs: int) -> Sound:
    """Return a wet rag dropped on a bench: a dull slap."""
    x = np.zeros(n + fs)
    _add(x, 0.02, fs, _decay(rng, 0.12, fs, 120.0, 1800.0))
    return x[:n]


def air_gun(rng: np.random.Generator, n: int, fs: int) -> Sound:
    """Return bursts of an air gun: broadband, bright, with a faint whistle."""
    t = np.arange(n) / fs
    x = _hiss(rng, n, fs, 900.0, 0.48 * fs)
    whistle = min(float(rng.uniform(2500.0, 6500.0)), 0.4 * fs)
    x += 0.1 * np.sin(2 * np.pi * np.cumsum(whistle * (1 + 0.01 * np.sin(2 * np.pi * 1.3 * t))) / fs)
    gate, at = np.zeros(n), 0.0
    while at < n / fs:
        length = float(rng.uniform(0.4, 1.8))
        gate[int(at * fs) : int((at + length) * fs)] = float(rng.uniform(0.6, 1.0))
        at += length + float(rng.uniform(0.1, 0.4))
    return x * lfilter([1 / (0.02 * fs)], [1, -(1 - 1 / (0.02 * fs))], gate)


def compressor(rng: np.random.Generator, n: int, fs: int) -> Sound:
    """Return a piston compressor that starts: it runs up within a second and thumps at its own rate."""
    t = np.arange(n) / fs
    rate = float(rng.uniform(14.0, 26.0))
    turns = np.cumsum(rate * (1 - np.exp(-t / 0.35)) * (1 + 0.003 * np.sin(2 * np.pi * 0.4 * t))) / fs
    strokes = np.concatenate([[0.0], np.diff(np.floor(turns))])
    valve = ringing([Mode(float(hz), 6.0, 1.0) for hz in rng.uniform(120, 1500, 4)], fs, 0.1)
    x = 3.0 * oaconvolve(strokes * rng.uniform(0.8, 1.2, n), valve)[:n]
    hum = sum(a * np.sin(2 * np.pi * hz * t) for hz, a in ((100.0, 0.1), (200.0, 0.05), (300.0, 0.02)))
    return x * 6 + hum + 0.03 * _hiss(rng, n, fs, 200.0, 4000.0)


def neighbour(rng: np.random.Generator, n: int, fs: int) -> Sound:
    """Return another lathe, running up to one speed and then another."""
    machine = draw_machine(int(rng.integers(1, 1 << 30)))
    knots = np.concatenate([[0.0], np.sort(rng.uniform(0, n / fs, 4)), [n / fs]])
    speeds = np.concatenate([[0.0], rng.uniform(400, 2400, 5)])
    rpm = np.interp(np.arange(n) / fs, knots, speeds)
    turns = np.cumsum(rpm / 60.0) / fs
    x = 0.05 * _hiss(rng, n, fs, 150.0, 4000.0)
    for shaft in machine.shafts:
        if shaft.follows == "rotor":
            table = wave_table(shaft, 0.45 * fs / (2500 / 60 * shaft.ratio))
            x += read_table(table, turns * shaft.ratio) * (rpm / 1000.0) ** shaft.growth
    return x


def vacuum(rng: np.random.Generator, n: int, fs: int) -> Sound:
    """Return a shop vacuum: a whine that runs up, and the rush of air."""
    t = np.arange(n) / fs
    hz = float(rng.uniform(280, 420)) * (1 - np.exp(-t / 0.4))
    turns = np.cumsum(hz) / fs
    whine = sum(np.cos(2 * np.pi * k * turns) / k for k in (1, 2, 7) if k * 420 < 0.45 * fs)
    return 0.5 * whine + _hiss(rng, n, fs, 200.0, 3500.0)


def rain(rng: np.random.Generator, n: int, fs: int) -> Sound:
    """Return rain on a sheet roof: drops without number, swelling and easing."""
    drops = np.zeros(n)
    count = int(rng.poisson(400 * n / fs))
    np.add.at(drops, rng.integers(0, n, count), rng.exponential(1.0, count) ** 1.5)
    body = ringing([Mode(float(hz), 4.0, 1.0) for hz in rng.uniform(600, 3500, 4)], fs, 0.2)
    x = oaconvolve(drops, body[: int(0.05 * fs)])[:n] + 0.4 * _hiss(rng, n, fs, 500.0, 6000.0)
    knots = rng.uniform(0.6, 1.2, n // fs + 2)
    swell = np.interp(np.arange(n) / fs, np.arange(knots.size), knots)
    return np.asarray(x * swell)


def phone(rng: np.random.Generator, n: int, fs: int) -> Sound:
    """Return a telephone: two notes in turn, a second on and a second off."""
    t = np.arange(n) / fs
    low, high = float(rng.uniform(600, 1000)), float(rng.uniform(1100, 1600))
    hz = np.where((t * 16).astype(int) % 2, low, high)
    turns = np.cumsum(hz) / fs
    tone = np.cos(2 * np.pi * turns) + 0.4 * np.cos(4 * np.pi * turns) + 0.2 * np.cos(6 * np.pi * turns)
    return tone * (t % 2.0 < 1.0)


KINDS: dict[str, Callable[[np.random.Generator, int, int], Sound]] = {
    "speech": speech,
    "music": music,
    "radio": radio,
    "singing": singing,
    "whistle": whistle,
    "grinder": grinder,
    "hammer": hammer,
    "door": door,
    "rag": rag,
    "air_gun": air_gun,
    "compressor": compressor,
    "neighbour": neighbour,
    "vacuum": vacuum,
    "rain": rain,
    "phone": phone,
}

USUAL_SECONDS = {"hammer": 4.0, "door": 1.0, "rag": 0.5, "air_gun": 5.0, "phone": 8.0}
"""How long a sound usually lasts, s; the others go on for 10 to 30 s."""

IMPULSIVE = ("hammer", "door", "rag")


def draw_backgrounds(seed: int, begin_s: float, end_s: float, share: float = 0.2) -> tuple[Background, ...]:
    """Draw sounds that fill about ``share`` of the time, -10 to +10 dB re the machine, none over another."""
    rng = stream(seed, "backgrounds")
    kinds = sorted(KINDS)
    drawn: list[Background] = []
    at = begin_s + float(rng.exponential(10.0 / share)) * 0.5
    while True:
        kind = kinds[int(rng.integers(len(kinds)))]
        seconds = USUAL_SECONDS.get(kind) or float(rng.uniform(10.0, 30.0))
        if at + seconds > end_s:
            return tuple(drawn)
        quieter = 12.0 if kind in IMPULSIVE else 0.0  # their peaks stand 20 to 30 dB over their rms
        level_db = float(rng.uniform(-10.0, 10.0)) - quieter
        drawn.append(Background(kind, at, seconds, level_db, int(rng.integers(1 << 30))))
        at += seconds + float(rng.exponential(seconds * (1.0 - share) / share))


def _add(x: Sound, at_s: float, fs: int, sound: Sound) -> None:
    start = int(at_s * fs)
    end = min(start + sound.size, x.size)
    if end > start:
        x[start:end] += sound[: end - start]


def _hz(note: int) -> float:
    return float(440.0 * 2 ** ((note - 69) / 12))


def _note(rng: np.random.Generator, hz: float, seconds: float, fs: int) -> Sound:
    t = np.arange(int(seconds * fs)) / fs
    y = np.zeros(t.size)
    for k in range(1, 8):
        if k * hz < 0.45 * fs:
            y += np.cos(2 * np.pi * k * hz * t + rng.uniform(0, 6)) / k**1.4
    return np.asarray(y * np.exp(-1.2 * t) * np.minimum(t / 0.01, 1.0))


def _thump(seconds: float, hz: float, fs: int) -> Sound:
    t = np.arange(int(seconds * fs)) / fs
    return np.asarray(np.sin(2 * np.pi * hz * t * (1 + np.exp(-t / 0.03))) * np.exp(-t / (0.25 * seconds)))


def _decay(rng: np.random.Generator, seconds: float, fs: int, low: float, high: float) -> Sound:
    n = int(seconds * fs)
    return np.asarray(3.0 * _hiss(rng, n, fs, low, high) * np.exp(-5.0 * np.arange(n) / n))


def _hiss(rng: np.random.Generator, n: int, fs: int, low: float, high: float) -> Sound:
    return _band(rng.standard_normal(n), fs, low, high)


def _band(x: Sound, fs: int, low: float, high: float) -> Sound:
    high = min(high, 0.47 * fs)
    return np.asarray(sosfilt(butter(1, [min(low, 0.5 * high), high], "bandpass", fs=fs, output="sos"), x))


def _resonate(x: Sound, hz: float, width: float, fs: int) -> Sound:
    if hz > 0.45 * fs:
        return np.zeros(x.size)
    radius = np.exp(-np.pi * width / fs)
    return np.asarray(lfilter([1 - radius], [1.0, -2 * radius * np.cos(2 * np.pi * hz / fs), radius**2], x))
