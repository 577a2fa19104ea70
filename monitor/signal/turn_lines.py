"""What of the sound comes alike in every turn: lines at all multiples of the turns a second.

A blow at each turn that rings out before the next is best seen in its turn (`monitor.signal.revolutions`).
Where the spindle is fast, or the room rings, blows run into one another to a buzz, and hardly a sector stands
out. But what comes alike in every turn has all its power in lines, a turn's rate apart, and none between
them, however long it rings (Fourier); noise has as much between. So at many multiples of the rate, the
amplitude is compared to that halfway to the next ones. It is what a synchronous average of the sound over
turns asks (McFadden 1987, from memory), and needs the speed no nearer than a line is wide.

What does not come once a turn, as speech, chips and hammering, has no such lines. A steady tone, or a line of
the machine that rises with the load, spoils one multiple only: what each may say is bounded. Even and odd
multiples are kept apart, and every third one, since what comes twice or three times a turn, as the beat of
the lips, a voice whose pitch is near a multiple, or a grinder, has these alone.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from monitor.signal.frames import Decimator, FrameGeometry
from monitor.signal.spectrum import transformed

LOW_HZ, HIGH_HZ = 150.0, 2000.0
"""Multiples from over hum and rumble to where hiss drowns what rings: somewhat higher than of short pieces of
sound (`monitor.signal.pieces`), as lines are narrower than their bands."""

LEAST, MOST = 8, 50
"""Multiples. The more, the less do some lines of the machine say; but a higher one lies where the speed says
only if that is known to less than a line's width."""

FRAME_HOPS, EVERY_HOPS = 8, 4
"""Hops in a frame, of which half are new. Lines of 0.4 s are 4 Hz wide; longer would tell later."""

LEAST_TURNS = 5
"""Turns in a frame: with fewer, lines are no longer apart. A slower spindle's blows are."""

OFF, STEP = 0.022, 0.002
"""Shares by which the true speed may be off from the one heard, and between those that are tried: a dial
error of 2 %, and wander. One more is tried on either side, so that one at the end stands between two."""

BOUND = 2.5
"""By how many times what lies between it an amplitude may exceed that, at most, to count so."""

CLASSES = (2, 3)
"""Multiples are told by what they leave divided by each of these: a knock raises all, but another machine
that turns two or three times as fast every second or third one."""

SPREAD = 0.52
"""Of an amplitude in noise, over its mean (Rayleigh)."""

BESIDE = 3
"""Gaps on either side over which the noise between lines is averaged."""

_OFF_JOB = 0.3  # a speed this far from the job's is not this job's rotation: coast on the last
_SILENCE = np.float32(1e-9)


class TurnLines:
    """Streaming: hops of sound into how far the multiples of the speed stand out. Constant memory; causal.

    ``hears``: whether the spindle is neither so slow nor so fast that they cannot be told.
    """

    def __init__(self, geometry: FrameGeometry, spindle_hz: float) -> None:
        g = geometry
        orders = np.arange(max(2, math.ceil(LOW_HZ / spindle_hz)), int(HIGH_HZ / spindle_hz) + 1)[:MOST]
        self.hears = spindle_hz * FRAME_HOPS * g.hop_s >= LEAST_TURNS and orders.size >= LEAST
        if not self.hears:
            return
        # as slow as the band allows: whole rows of the decimator's product
        q = max(
            q
            for q in range(1, g.hop // 8 + 1)
            if g.hop % (8 * q) == 0 and (q == 1 or g.fs / q > 2.38 * HIGH_HZ)
        )
        fs, self._hop = g.fs / q, g.hop // q
        self._decimator = Decimator(FrameGeometry(g.fs, q, fs, g.hop, self._hop, 2))
        n = FRAME_HOPS * self._hop
        self._n_padded = 1 << math.ceil(math.log2(1.2 * n))
        self._window = np.hanning(n).astype(np.float32)
        self._history = np.zeros((FRAME_HOPS - 1, self._hop), np.float32)
        self._before = [spindle_hz] * (FRAME_HOPS - 1)
        self._expected_hz = self._hz = spindle_hz
        self._n_hops = 0
        between = np.append(orders - 0.5, orders[-1] + 0.5)
        most = round(OFF / STEP) + 1
        self.speeds = STEP * np.arange(-most, most + 1)
        per_bin = self._n_padded / fs
        at = np.multiply.outer((1 + self.speeds) * per_bin, np.concatenate([orders, between]))
        self._at = at.astype(np.float32)
        self._orders = orders.size
        n_beside = np.arange(between.size)[:, None] - np.arange(orders.size)  # gap before is 0, after 1
        near = (n_beside > -BESIDE) & (n_beside <= BESIDE)
        self._noise = (near / near.sum(axis=0)).astype(np.float32)
        classes = [orders % of == k for of in CLASSES for k in range(of)]
        parts = np.stack(classes, axis=1).astype(np.float64)
        self.roots = np.sqrt(parts.sum(axis=0))
        # a third of the multiples varies more than a half of them where they are raised alike
        alike = np.sqrt(np.repeat(CLASSES, CLASSES) / CLASSES[0])
        self._parts = (parts / self.roots * alike / SPREAD).astype(np.float32)
        self._usual = self._parts.sum(axis=0)

    def feed(self, y: NDArray[np.float32], spindle_hz: list[float]) -> list[NDArray[np.float32] | None]:
        """Take hops; of each with which a frame ends, how far lines stand out there.

        Parameters
        ----------
        y : float32, shape (n_hops, hop)
        spindle_hz : of each hop; NaN where not known, which coasts on the last

        Returns
        -------
        float32, shape (n_speeds, 5), for even and odd multiples, and for every third: sum over them, in
        deviations of one frame of noise
        """
        if not self.hears:
            return [None] * len(y)
        sound = np.concatenate([self._history, self._decimator.feed(y)])
        self._history = sound[len(y) :].copy()
        known = list(self._before)
        for hz in spindle_hz:
            if abs(hz / self._expected_hz - 1) < _OFF_JOB:  # not so for NaN
                self._hz = hz
            known.append(self._hz)
        self._before = known[len(y) :]
        told: list[NDArray[np.float32] | None] = [None] * len(y)
        ends = [k for k in range(len(y)) if (self._n_hops + k + 1) % EVERY_HOPS == 0]
        self._n_hops += len(y)
        if not ends:
            return told
        frames = np.zeros((len(ends), self._n_padded), np.float32)
        for row, k in zip(frames, ends, strict=True):
            np.multiply(sound[k : k + FRAME_HOPS].reshape(-1), self._window, out=row[: self._window.size])
        size = np.abs(transformed(frames))
        size += _SILENCE
        for row, k in zip(size, ends, strict=True):
            at = self._at * np.float32(math.fsum(known[k : k + FRAME_HOPS]) / FRAME_HOPS)
            at += np.float32(0.5)
            read = row.take(at.astype(np.intp), mode="clip")
            noise = np.matmul(read[:, self._orders :], self._noise)
            over = read[:, : self._orders] / noise
            np.minimum(over, np.float32(1 + BOUND), out=over)
            told[k] = np.matmul(over, self._parts) - self._usual
        return told
