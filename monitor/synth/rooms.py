"""The room and the microphone: what becomes of a sound on its way into the recording."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import butter, sosfilt

from monitor.synth.machines import Mode
from monitor.synth.seeds import stream

LINE_BAND_HZ = (100.0, 6000.0)
"""The band in which line SNR is stated; its upper end is lower where the sample rate asks for it."""

RADIATION_HZ = 120.0
"""A machine smaller than the wavelength radiates badly: first-order high-pass near here."""


@dataclass(frozen=True)
class Room:
    """A room with a microphone in it.

    ``rt60_s`` is the reverberation time; ``direct_db`` direct over reverberant energy for the machine near
    the microphone and ``far_direct_db`` for everything else. ``high_pass_hz`` is the microphone's lower
    limit (second order), ``level_dbfs`` the rms level of the machine running free. ``snr_db`` is the power
    of all rotor lines over the noise power within LINE_BAND_HZ, free-running at ``snr_at_rpm``.
    ``ambient_db`` is the room's own noise and ``electronic_db`` the microphone's, over the machine's floor
    in that band.
    ``limiter`` says what happens at full scale.
    """

    seed: int
    rt60_s: float
    direct_db: float
    far_direct_db: float
    high_pass_hz: float
    level_dbfs: float
    snr_db: float
    snr_at_rpm: float
    ambient_db: float
    electronic_db: float
    limiter: Literal["soft", "hard"] = "hard"


def draw_room(seed: int, snr_db: float = 10.0, snr_at_rpm: float = 1000.0) -> Room:
    """Draw a room and microphone; one in four has a phone's 300 Hz high-pass."""
    rng = stream(seed, "room")
    return Room(
        seed=seed,
        rt60_s=float(rng.uniform(0.2, 1.0)),
        direct_db=float(rng.uniform(2.0, 10.0)),
        far_direct_db=float(rng.uniform(-6.0, 0.0)),
        high_pass_hz=300.0 if rng.random() < 0.25 else float(rng.uniform(30.0, 120.0)),
        level_dbfs=float(rng.uniform(-46.0, -34.0)),  # crackle peaks 30 dB over it, and must not clip
        snr_db=snr_db,
        snr_at_rpm=snr_at_rpm,
        ambient_db=float(rng.uniform(-14.0, -3.0)),
        electronic_db=float(rng.uniform(-30.0, -15.0)),
        limiter="soft" if rng.random() < 0.3 else "hard",
    )


def reverberation(room: Room, fs: int, far: bool) -> NDArray[np.float64]:
    """Return the room's impulse response: direct sound, early reflections, decaying diffuse tail."""
    rng = stream(room.seed, "reverberation", int(far))
    n = int(room.rt60_s * fs)
    t = np.arange(n) / fs
    late = rng.standard_normal(n) * np.exp(-6.908 * t / room.rt60_s) * (t > 0.012)
    absorbed = butter(1, min(5000.0, 0.4 * fs), fs=fs, output="sos")  # air and walls take the highs
    late = sosfilt(absorbed, late)
    early = np.zeros(n)
    delays = rng.uniform(0.0015, 0.03, 8)
    np.add.at(early, (delays * fs).astype(int), rng.choice([-1.0, 1.0], 8) * np.exp(-60.0 * delays) * 0.4)
    reverberant = early + late * np.sqrt(2.0 * np.sum(early**2) / np.sum(late**2))
    ratio_db = room.far_direct_db if far else room.direct_db
    reverberant *= 10 ** (-ratio_db / 20) / np.sqrt(np.sum(reverberant**2))
    reverberant[0] += 1.0
    return np.asarray(reverberant)


def ringing(modes: Sequence[Mode], fs: int, direct: float = 1.0) -> NDArray[np.float64]:
    """Return the impulse response of a body: the direct path and its modes, each with its peak gain.

    Sound pressure goes with the surface's acceleration, whose response to a blow is a decaying cosine: in
    phase with the direct sound at resonance, a quarter turn off to either side.
    """
    usable = [mode for mode in modes if mode.hz < 0.45 * fs]
    longest = max((2.2 * mode.q / mode.hz for mode in usable), default=0.0)  # to -60 dB
    t = np.arange(max(2, int(longest * fs))) / fs
    h = np.zeros(t.size)
    for mode in usable:
        w = 2 * np.pi * mode.hz
        h += mode.gain * w / (mode.q * fs) * np.exp(-w * t / (2 * mode.q)) * np.cos(w * t)
    h[0] += direct
    return h


def microphone(room: Room, fs: int) -> NDArray[np.float64]:
    """Return the impulse response of the microphone's high-pass."""
    impulse = np.zeros(int(0.06 * fs))
    impulse[0] = 1.0
    sos = butter(2, max(room.high_pass_hz, 20.0), "highpass", fs=fs, output="sos")
    return np.asarray(sosfilt(sos, impulse))


def shaped(magnitude_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the minimum-phase impulse response with the magnitude given at ``colour_axis(fs)``.

    The real cepstrum of a minimum-phase response is causal; folding it makes any magnitude so.
    """
    n = 2 * (magnitude_db.size - 1)
    cepstrum = irfft(magnitude_db * (np.log(10.0) / 20.0), n)
    fold = np.zeros(n)
    fold[0], fold[1 : n // 2], fold[n // 2] = 1.0, 2.0, 1.0
    h = irfft(np.exp(rfft(cepstrum * fold)), n)
    return np.asarray(h[: n // 2] * np.hanning(n)[n // 2 :])


def colour_axis(fs: int) -> NDArray[np.float64]:
    """Return the frequencies, Hz, at which ``shaped`` takes its magnitudes."""
    return np.asarray(np.fft.rfftfreq(2 * next_fast_len(fs // 20), 1.0 / fs), np.float64)


def sloping(fs: int, slope_db: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return a magnitude in dB that falls by ``slope_db`` an octave above 100 Hz, with broad bumps."""
    octave = np.log2(np.maximum(colour_axis(fs), 100.0) / 500.0)
    shape = -slope_db * octave
    for centre, width, height in zip(
        rng.uniform(-2.0, 4.0, 5), rng.uniform(0.2, 0.8, 5), rng.normal(0.0, 4.0, 5), strict=True
    ):
        shape += height * np.exp(-0.5 * ((octave - centre) / width) ** 2)
    return np.asarray(shape)


def highpass(fs: int, hz: float) -> NDArray[np.float64]:
    """Return the impulse response of a first-order high-pass."""
    impulse = np.zeros(int(0.02 * fs))
    impulse[0] = 1.0
    return np.asarray(sosfilt(butter(1, hz, "highpass", fs=fs, output="sos"), impulse))


def limit(x: NDArray[np.float32], room: Room) -> NDArray[np.float32]:
    """Return what the converter makes of ``x``: unchanged below full scale, clipped above."""
    if room.limiter == "hard":
        return np.clip(x, -1.0, 1.0)
    loud = np.abs(x) > 0.7
    if loud.any():
        x = x.copy()
        over = np.abs(x[loud]) - 0.7
        x[loud] = np.sign(x[loud]) * (0.7 + 0.3 * np.tanh(over / 0.3))
    return x
