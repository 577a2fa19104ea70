"""What the sound of a bind or stall holds, by its deadline, against a spindle that turns on as in good work.

An observer that knows the true course, every line's order and level, the noise, and how the loudness of a
cut goes with the turn, expects so many nats (Kullback and Leibler 1951) for that course against the likeliest
of good ones: the same fall, ended at a load of good work. With fewer than log(1 / chance of a false alarm)
nobody decides in time on average: one in 20 h of decisions every 50 ms takes 14.

- **Lines**: by frames of 0.1 s, in each of which a line's phase is unknown, for in a room every pitch has
  another one: the means of log I0(2 sqrt(E / N0) |z|) - E / N0 at both places (from memory: Whalen 1971).
- **Phases**: the same with phases known.
- **Beat**: by how much the log power of each octave differs in pieces of 2 ms, over what it scatters; chips
  that break one by one scatter all octaves together. The tail of the room blurs it, and a slow rise or fall
  of the cut says nothing.

Nothing is counted for how loud the cut is, and for knocks, so there may be more in it. But room and machine
are taken for known, lines never hide each other, and the speed before is known: no ear gets as much.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import i0e

from monitor.synth.cutting import LARGEST, lip_modulation
from monitor.synth.cycle import DT, BlankCurves
from monitor.synth.machines import REFERENCE_RPM
from monitor.synth.render import SceneStream, _highest, true_sag
from tests.listening.draws import SNRS_DB, Case, draw_case
from tests.listening.scoring import Deadline, deadline

Array = NDArray[np.float64]

ENOUGH_NATS = math.log(20 * 3600 / 0.05)
"""One false alarm in 20 h of decisions every 50 ms: 14.2."""

ORDINARY_SAG = 0.04
"""To which good work may load a spindle: the warning's default."""

FRAME_S, PIECE_S = 0.1, 0.002
SLOW_CHANGES = 5  # a second, of the cut by itself: degree of the polynomial that is taken out
MOST = 200.0
"""Of E / N0 of one line in a frame: more of it is never asked for."""

_R = np.linspace(0.0, 20.0, 2001)[1:]  # of a line's amplitude over the noise


@dataclass(frozen=True)
class Held:
    """Nats by the deadline: of the lines, of lines whose phases are known, of the beat of the cut."""

    lines: float
    phases: float
    beat: float

    @property
    def attainable(self) -> float:
        """What a receiver that does not know phases may have."""
        return self.lines + self.beat


class _Told(Exception):
    """The blank with the fault is laid out: no sound of it is needed."""


class _Silent(SceneStream):
    """A scene of which only the curves are made."""

    def _tell(self, curves, onsets, sound, whole):  # type: ignore[no-untyped-def]
        super()._tell(curves, onsets, sound, whole)
        silence = np.zeros(self.fs, np.float32)
        sound.second = lambda curves, k: silence
        if onsets:
            self.curves, self.sound = curves, sound
            raise _Told


def held(case: Case) -> Held | str:
    """What the sound of a case holds by its deadline, or why it has none."""
    stream = _Silent(case.scene, case.fs)
    try:
        for _ in stream.seconds():
            pass
    except _Told:
        pass
    due = deadline(case.kind, stream.truth, case.scene)
    if not isinstance(due, Deadline):
        return due
    return min(
        (_against(case, stream, due, most) for most in _ordinary(stream, due)), key=lambda h: h.attainable
    )


def _span(curves: BlankCurves, due: Deadline) -> slice:
    return slice(*(round((t - curves.start_s) / DT) for t in (due.onset_s, due.by_s)))


def _ordinary(stream: _Silent, due: Deadline) -> Array:
    """Sags at which a fall may end in good work: that of the cut, up to what is warned of."""
    before = float(true_sag(stream.curves, stream.scene.machine)[_span(stream.curves, due)][0]) / 100
    return np.unique(np.append(np.linspace(before, max(before, ORDINARY_SAG), 5), before))


def _against(case: Case, stream: _Silent, due: Deadline, most: float) -> Held:
    here = _span(stream.curves, due)
    rpm, free = stream.curves.rpm[here], stream.curves.free_rpm[here]
    good = np.maximum(rpm, (1 - most) * free)
    lines, phases = _lines(case, stream, here, rpm, good)
    return Held(lines, phases, _beat(case, stream, here, rpm, good))


def _noise(stream: _Silent, here: slice) -> dict[str, Array]:
    """Power of each source that hisses, over its path, at each moment; lips at their mean."""
    curves, gains = stream.curves, stream.sound.gains
    n = here.stop - here.start
    speed = curves.rpm[here] / REFERENCE_RPM
    clicks = curves.crackle[here]
    return {
        "floor": (gains["floor"] * speed**stream.scene.machine.floor_growth) ** 2,
        "ambient": np.full(n, gains["ambient"] ** 2),
        "hiss": (gains["hiss"] * curves.cut[here]) ** 2,
        "rub": (gains["rub"] * curves.rub[here]) ** 2,
        "crackle": (gains["crackle"] * clicks) ** 2 * np.minimum(clicks, 1.0),
    }


def _lines(case: Case, stream: _Silent, here: slice, rpm: Array, good: Array) -> tuple[float, float]:
    sound, machine, fs = stream.sound, case.scene.machine, case.fs
    noise = _noise(stream, here)
    powers = {name: sound._paths[name].power for name in ("lines", *noise)}  # at every bin
    smooth = np.ones(9) / 9  # reverberation is ragged, and a line that moves rings on
    powers = {name: np.convolve(power, smooth, "same") for name, power in powers.items()}
    n = max(round(FRAME_S / DT), 1)
    starts = np.arange(0, rpm.size, n)
    sag = np.clip(1 - rpm / np.maximum(stream.curves.free_rpm[here], 1.0), 0, 1)
    lines = phases = 0.0
    for shaft in machine.shafts:
        if shaft.follows != "rotor":
            continue
        for harmonic, amplitude in zip(shaft.harmonics, shaft.amplitudes, strict=True):
            if harmonic > _highest(shaft, float(good.max()), fs):
                continue
            order = shaft.ratio * harmonic
            level = amplitude * sound.gains["lines"] * (1 + shaft.load_gain * 10 * sag)

            def nats(turns: Array, level: Array = level, shaft=shaft, order: float = order) -> Array:
                """E / N0 of the line in each frame, at this speed."""
                at = np.minimum(np.rint(order * turns / 60 * sound._nfft / fs), sound._nfft // 2).astype(int)
                density = (
                    2 / fs * (sound.gains["electronic"] ** 2 + sum(noise[s] * powers[s][at] for s in noise))
                )
                power = (level * (turns / REFERENCE_RPM) ** shaft.growth) ** 2 * powers["lines"][at]
                return np.add.reduceat(power / (2 * density), starts) * DT

            turned = np.exp(2j * np.pi * order * np.cumsum(rpm - good) / 60 * DT)
            sizes = np.diff(np.append(starts, rpm.size))
            common = np.add.reduceat(turned, starts) / sizes
            here_nats, there_nats = np.minimum(nats(rpm), MOST), np.minimum(nats(good), MOST)
            both = np.sqrt(here_nats * there_nats)
            phases += float((here_nats + there_nats - 2 * both * common.real).sum())
            a, b = np.sqrt(here_nats), np.sqrt(there_nats)
            alike = np.abs(common)
            told = _mean_log_i0(a, a) - here_nats - (_mean_log_i0(b, alike * a) - there_nats)
            lines += float(told.sum())
    return lines, phases


def _mean_log_i0(known: Array, true: Array) -> Array:
    """Mean of log I0(2 known |z|), z complex normal of variance 1 around ``true``."""
    known, true = known[:, None], true[:, None]
    density = 2 * _R * np.exp(-((_R - true) ** 2)) * i0e(2 * _R * true)
    return np.asarray(
        (density * (np.log(i0e(2 * known * _R)) + 2 * known * _R)).sum(axis=1) * (_R[1] - _R[0])
    )


def _beat(case: Case, stream: _Silent, here: slice, rpm: Array, good: Array) -> float:
    sound, cycle, fs = stream.sound, case.scene.cycle, case.fs
    noise = _noise(stream, here)
    per = max(round(PIECE_S / DT), 1)
    n = rpm.size // per
    if n < 3:
        return 0.0
    lead = round(0.3 / PIECE_S)  # before the onset both turn alike: tails of it are heard on

    def pieces(x: Array) -> Array:
        return x[: n * per].reshape(n, per).mean(axis=1)

    def loudness(turns_rpm: Array, power: int) -> Array:
        """Of the lips, before and after the onset, mean 1 before the room."""
        before = np.full(lead * per, turns_rpm[0])
        turns = np.cumsum(np.concatenate([before, turns_rpm[: n * per]])) * DT / 60
        lips = lip_modulation(turns, cycle.flutes, 0.35, 0.12, cycle.eccentric).astype(float) ** power
        return lips.reshape(-1, per).mean(axis=1)

    edges = [lo for lo in 125.0 * 2.0 ** np.arange(8) if lo < 0.4 * fs]
    expected = []
    for turns_rpm in (rpm, good):
        bands = []
        for lo in edges:
            a, b = (int(hz * sound._nfft / fs) for hz in (lo, min(2 * lo, 0.45 * fs)))
            total = np.full(n, sound.gains["electronic"] ** 2 * (b - a) * 2 / sound._nfft)
            for name, strength in noise.items():
                power = 2 * sound._paths[name].power[a:b].sum() / sound._nfft * pieces(strength)
                if name in ("hiss", "rub", "crackle"):
                    lips = loudness(turns_rpm, 3 if name == "crackle" else 2)
                    power = power * np.convolve(lips, _tail(sound, name, fs))[lead : lead + n]
                total = total + power
            bands.append(total)
        expected.append(np.log(bands))
    off = expected[0] - expected[1]  # octave, piece
    t = np.linspace(-1, 1, n)
    slow = np.linalg.qr(np.vander(t, 1 + max(1, round(SLOW_CHANGES * n * PIECE_S))))[0]
    off = off - (off @ slow) @ slow.T
    widths = np.minimum(2 * np.array(edges), 0.45 * fs) - np.array(edges)
    own = (1 / (widths * PIECE_S))[
        :, None
    ]  # variance of log power: 2 over twice the bandwidth times the length
    # chips that break one by one, by their share of each octave
    share = []
    for band, lo in enumerate(edges):
        a, b = (int(hz * sound._nfft / fs) for hz in (lo, min(2 * lo, 0.45 * fs)))
        clicks = 2 * sound._paths["crackle"].power[a:b].sum() / sound._nfft * pieces(noise["crackle"])
        share.append(clicks / np.exp(expected[0][band]))
    heights = np.minimum(np.random.default_rng(0).exponential(1.0, 200_000), LARGEST) ** sound.cut.spread
    rate = sound.cut.rate * pieces(rpm) / 60 * PIECE_S
    burst = (heights**4).mean() / (heights**2).mean() ** 2 / np.maximum(rate, 1e-9)
    s = np.array(share) * np.sqrt(burst)
    # off' (own + s s')^-1 off, by Sherman and Morrison
    plain = (off**2 / own).sum(axis=0)
    along = (off * s / own).sum(axis=0)
    return float(0.5 * (plain - along**2 / (1 + (s**2 / own).sum(axis=0))).sum())


def _tail(sound, name: str, fs: int) -> Array:  # type: ignore[no-untyped-def]
    """How the power of a source rings on, by pieces."""
    h = np.fft.irfft(sound._paths[name].h, sound._nfft).astype(float) ** 2
    per = round(PIECE_S * fs)
    h = h[: h.size // per * per].reshape(-1, per).sum(axis=1)[: round(0.3 / PIECE_S)]
    return h / h.sum()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kinds", nargs="+", default=["bind", "stall"])
    parser.add_argument("--seed", type=int, default=5780)
    parser.add_argument("--cases", type=int, default=8, help="of each line SNR")
    args = parser.parse_args()
    for kind in args.kinds:
        for seed in range(args.seed, args.seed + len(SNRS_DB) * args.cases):
            snr_db = SNRS_DB[(seed - args.seed) % 3]
            found = held(draw_case(kind, seed, snr_db))
            if isinstance(found, str):
                print(f"{kind} {seed} {snr_db:g} dB: {found}")
                continue
            short = "" if found.attainable >= ENOUGH_NATS else "  too little"
            print(
                f"{kind} {seed} {snr_db:g} dB: lines {found.lines:.1f}, phases known {found.phases:.1f}, "
                f"beat {found.beat:.1f}{short}", flush=True,
            )  # fmt: skip


if __name__ == "__main__":
    main()
