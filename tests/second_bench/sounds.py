"""Sound primitives and workshop backgrounds of the second bench.

Levels are powers in 100 Hz to 6 kHz unless said otherwise; a power of one is 0 dB. All
functions are vectorised over the whole sound and draw from the generator they are given.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, firwin2, freqz, lfilter, oaconvolve, sosfilt

Array = NDArray[np.float32]
Rng = np.random.Generator
BAND = (100.0, 6000.0)


def amplitude(db: float | NDArray[np.floating]) -> float | NDArray[np.floating]:
    """Decibels to an amplitude ratio."""
    return 10.0 ** (np.asarray(db) / 20.0)


def shaped_fir(
    fs: float,
    tilt: float,
    peaks: Sequence[tuple[float, float, float]] = (),
    low: float = 30.0,
    high: float = 2e4,
    taps: int = 513,
) -> NDArray[np.float64]:
    """FIR whose white-noise output has unit power in the band: ``tilt`` dB/octave, ``peaks`` (Hz, Q, dB)."""
    f = np.linspace(0.0, fs / 2, 400)
    safe = np.maximum(f, 20.0)
    db = tilt * np.log2(safe / 1000.0)
    for centre, q, gain in peaks:
        db += gain / (1.0 + (q * (safe / centre - centre / safe)) ** 2)
    mag = 10 ** (db / 20) / np.sqrt(1 + (low / safe) ** 4) / np.sqrt(1 + (safe / high) ** 8)
    mag[0] = 0.0
    mag[-1] = 0.0
    fir = firwin2(taps, f, mag / mag.max(), fs=fs)
    w, h = freqz(fir, worN=4096, fs=fs)
    inside = (w >= BAND[0]) & (w <= BAND[1])
    return fir / np.sqrt(np.sum(np.abs(h[inside]) ** 2) / w.size)


def noise(rng: Rng, n: int, fir: NDArray[np.float64]) -> Array:
    """Gaussian noise through a FIR."""
    white = rng.standard_normal(n + fir.size - 1, dtype=np.float32)
    return oaconvolve(white, fir.astype(np.float32), mode="valid")


def random_fir(
    rng: Rng,
    fs: float,
    tilt: tuple[float, float],
    peaks: int,
    gain: float = 14.0,
    span: tuple[float, float] = (200.0, 7000.0),
    low: float = 40.0,
) -> NDArray[np.float64]:
    """A drawn noise colour with some resonances."""
    drawn = [
        (float(np.exp(rng.uniform(*np.log(span)))), rng.uniform(1.5, 10.0), rng.uniform(3.0, gain))
        for _ in range(peaks)
    ]
    return shaped_fir(fs, rng.uniform(*tilt), drawn, low=low)


def ring(rng: Rng, fs: float, modes: int, span: tuple[float, float], decay: tuple[float, float]) -> Array:
    """Impulse response of a struck body: ``modes`` decaying tones, unit energy."""
    t = np.arange(int(fs * min(0.25, 5 * decay[1]))) / fs
    out = np.zeros(t.size)
    for _ in range(modes):
        f = np.exp(rng.uniform(*np.log(np.array([span[0], min(span[1], 0.45 * fs)]))))
        tau = rng.uniform(*decay) * min(1.0, 1000.0 / f) ** 0.5
        out += (
            rng.uniform(0.3, 1.0) * np.exp(-t / tau) * np.sin(2 * np.pi * f * t + rng.uniform(0, 2 * np.pi))
        )
    return (out / np.sqrt(np.sum(out**2))).astype(np.float32)


def strikes(n: int, at: NDArray[np.floating], size: NDArray[np.floating], kernel: Array) -> Array:
    """Kernels of amplitude ``size`` at the sample numbers ``at``."""
    train = np.zeros(n, dtype=np.float32)
    k = np.round(at).astype(np.int64)
    good = (k >= 0) & (k < n)
    np.add.at(train, k[good], np.asarray(size)[good].astype(np.float32))
    return oaconvolve(train, kernel, mode="full")[:n]


def room_response(rng: Rng, fs: float, rt60: float, direct_db: float) -> Array:
    """Direct sound, six early echoes and an exponential noise tail, duller as it dies."""
    n = int(fs * min(rt60 * 0.8, 0.9))
    t = np.arange(n) / fs
    tail = rng.standard_normal(n) * 10 ** (-3 * t / rt60)
    dull = sosfilt(butter(1, min(2500.0, 0.4 * fs), fs=fs, output="sos"), tail)
    tail = tail * np.exp(-t / (0.4 * rt60)) + dull
    tail[: int(0.004 * fs)] = 0.0
    tail *= 1.0 / np.sqrt(np.sum(tail**2))
    tail[0] = float(amplitude(direct_db))
    early = (rng.uniform(0.002, 0.03, 6) * fs).astype(int)
    tail[early[early < n]] += (
        rng.choice([-1, 1], 6)[early < n] * tail[0] * rng.uniform(0.15, 0.5, 6)[early < n]
    )
    return (tail / np.sqrt(np.sum(tail**2))).astype(np.float32)


def unit(x: NDArray[np.floating]) -> Array:
    """Scale to a power of one over the louder part."""
    power = np.sort(np.add.reduceat(x.astype(np.float64) ** 2, np.arange(0, x.size, 1024))) / 1024
    return (x / np.sqrt(np.mean(power[power.size // 2 :]) + 1e-20)).astype(np.float32)


# --- backgrounds: each returns a sound of n samples of about unit power -----------------------------


def speech(rng: Rng, n: int, fs: float) -> Array:
    """Voiced and unvoiced syllables through drawn formants."""
    out = np.zeros(n)
    f0, k = rng.uniform(95, 230), 0
    while k < n:
        m = min(int(fs * rng.uniform(0.12, 0.32)), n - k)
        if m < 64:
            break
        t = np.arange(m) / fs
        pitch = f0 * (1 + rng.uniform(-0.15, 0.15) + rng.uniform(-0.2, 0.2) * t / t[-1])
        source = (
            np.diff(np.floor(np.cumsum(pitch) / fs), prepend=0.0)
            if rng.random() < 0.8
            else 0.2 * rng.standard_normal(m)
        )
        syllable = source
        for f, bw in (
            (rng.uniform(280, 850), 80),
            (rng.uniform(850, 2300), 110),
            (rng.uniform(2300, 3200), 160),
        ):
            r = np.exp(-np.pi * bw / fs)
            syllable = lfilter([1 - r], [1, -2 * r * np.cos(2 * np.pi * f / fs), r * r], syllable)
        out[k : k + m] = syllable * np.sin(np.pi * np.arange(m) / m) ** 0.5
        k += m + int(fs * (rng.uniform(0.3, 0.9) if rng.random() < 0.15 else rng.uniform(0.0, 0.06)))
    return unit(out)


def music(rng: Rng, n: int, fs: float) -> Array:
    """Chords of decaying harmonic notes over a drum."""
    out, beat = np.zeros(n), rng.uniform(0.25, 0.6)
    t = np.arange(int(fs * beat * 3)) / fs
    for b in range(int(n / fs / beat)):
        k = int(b * beat * fs)
        m = min(t.size, n - k)
        for semitone in rng.choice(24, 3, replace=False):
            f = 130.8 * 2 ** (semitone / 12)
            partials = sum(np.sin(2 * np.pi * f * h * t[:m]) / h for h in (1, 2, 3, 4, 5))
            out[k : k + m] += partials * np.exp(-t[:m] / rng.uniform(0.2, 0.8))
        out[k : k + m] += (2 if b % 2 else 1) * rng.standard_normal(m) * np.exp(-t[:m] / 0.03)
    return unit(out)


def compressor(rng: Rng, n: int, fs: float) -> Array:
    """A piston compressor that starts: strokes of noise and a motor hum."""
    t = np.arange(n) / fs
    stroke = np.cumsum(rng.uniform(14, 26) * (1 - np.exp(-t / 0.4))) / fs
    body = noise(rng, n, random_fir(rng, fs, (-5, -2), 3)) * (
        0.25 + np.maximum(0, np.sin(2 * np.pi * stroke)) ** 3
    )
    return unit(body + 0.5 * np.sin(2 * np.pi * 100 * t) + 0.3 * np.sin(2 * np.pi * 8 * stroke))


def air_gun(rng: Rng, n: int, fs: float) -> Array:
    """Bursts of hiss."""
    gate = np.repeat(rng.random(int(n / fs / 0.4) + 2) < 0.6, int(0.4 * fs))[:n].astype(float)
    gate = np.pad(gate, (0, n - gate.size))
    return unit(
        noise(rng, n, shaped_fir(fs, 2.0, [(rng.uniform(2500, 6000), 2, 8)]))
        * lfilter([0.004], [1, -0.996], gate)
    )


def vacuum(rng: Rng, n: int, fs: float) -> Array:
    """A vacuum cleaner: rush of air and the whine of its motor running up."""
    t = np.arange(n) / fs
    ramp = 1 - np.exp(-t / 0.6)
    phase = 2 * np.pi * np.cumsum(rng.uniform(250, 600) * ramp * (1 + 0.01 * np.sin(0.7 * t))) / fs
    return unit(
        (noise(rng, n, random_fir(rng, fs, (-3, 0), 3)) + 0.8 * np.sin(phase) + 0.4 * np.sin(2 * phase))
        * ramp
    )


def rain(rng: Rng, n: int, fs: float) -> Array:
    """Drops on a roof."""
    count = int(n / fs * rng.uniform(100, 900))
    drops = strikes(
        n,
        rng.uniform(0, n, count),
        rng.lognormal(0, 0.8, count),
        ring(rng, fs, 5, (500, 6000), (0.001, 0.006)),
    )
    return unit(drops + 0.02 * noise(rng, n, shaped_fir(fs, -1.0)))


def dropped(rng: Rng, n: int, fs: float) -> Array:
    """Things dropped: ringing bounces that come closer and closer."""
    at, size = [], []
    for start in rng.uniform(0, n, max(1, int(n / fs / 3))):
        gap, level = rng.uniform(0.15, 0.4), 1.0
        for _ in range(rng.integers(3, 9)):
            at.append(start)
            size.append(level)
            start += gap * fs
            gap, level = gap * 0.7, level * 0.6
    x = strikes(n, np.array(at), np.array(size), ring(rng, fs, 6, (400, 7000), (0.01, 0.05)))
    return (x / (np.max(np.abs(x)) + 1e-9) * 6).astype(np.float32)


def other_machine(rng: Rng, n: int, fs: float) -> Array:
    """Another machine that runs up and down: a ramping comb."""
    t = np.arange(n) / fs
    f = rng.uniform(15, 60) * np.interp(t, np.linspace(0, t[-1], 5), rng.uniform(0.2, 1.5, 5))
    phase = 2 * np.pi * np.cumsum(f) / fs
    orders = rng.choice(np.arange(1, 60), 7, replace=False)
    comb = sum(rng.uniform(0.2, 1) * np.cos(o * phase) * (o * f < 0.45 * fs) for o in orders)
    return unit(comb + 0.5 * noise(rng, n, shaped_fir(fs, -4)))


def whistling(rng: Rng, n: int, fs: float) -> Array:
    """Somebody whistles a tune."""
    t = np.arange(n) / fs
    steps = int(t[-1] / 0.35) + 2
    notes = np.repeat(rng.uniform(800, 2400, steps), int(0.35 * fs) + 1)[:n]
    notes = lfilter([0.002], [1, -0.998], notes - notes[0]) + notes[0]
    gate = np.repeat(rng.random(steps) < 0.8, int(0.35 * fs) + 1)[:n].astype(float)
    return unit(
        np.sin(2 * np.pi * np.cumsum(notes * (1 + 0.01 * np.sin(36 * t))) / fs)
        * lfilter([0.003], [1, -0.997], gate)
    )


def phone(rng: Rng, n: int, fs: float) -> Array:
    """A telephone rings: two tones, two seconds on, three off."""
    t = np.arange(n) / fs
    f = rng.uniform(700, 1500)
    warble = np.sin(2 * np.pi * f * t) * (np.sin(2 * np.pi * 12 * t) > 0) + np.sin(2.5 * np.pi * f * t) * (
        np.sin(2 * np.pi * 12 * t) <= 0
    )
    return unit(warble * ((t % 5) < 2))


def door(rng: Rng, n: int, fs: float) -> Array:
    """Doors that slam: a thud and a rattle."""
    count = max(1, int(n / fs / 4))
    x = strikes(
        n, rng.uniform(0, n, count), rng.uniform(0.5, 1, count), ring(rng, fs, 8, (60, 900), (0.03, 0.09))
    )
    return (x / (np.max(np.abs(x)) + 1e-9) * 7).astype(np.float32)


def hammer(rng: Rng, n: int, fs: float) -> Array:
    """Hammering at one to three blows a second."""
    at = np.cumsum(rng.uniform(0.9, 1.1, int(n / fs * 2) + 1)) * fs / rng.uniform(1.0, 3.0)
    x = strikes(n, at, rng.uniform(0.6, 1.0, at.size), ring(rng, fs, 7, (300, 6000), (0.008, 0.04)))
    return (x / (np.max(np.abs(x)) + 1e-9) * 7).astype(np.float32)


BACKGROUNDS: dict[str, Callable[[Rng, int, float], Array]] = {
    f.__name__: f
    for f in (
        speech,
        music,
        compressor,
        air_gun,
        vacuum,
        rain,
        dropped,
        other_machine,
        whistling,
        phone,
        door,
        hammer,
    )
}
