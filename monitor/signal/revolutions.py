"""Sound against the angle of rotation: how far a knock of every turn stands out of what surrounds it.

Time synchronous averaging (McFadden 1987, from memory) of the envelope's level: what comes at the same angle
turn after turn stays, what is not locked to this spindle averages out. Speech, music and hammering are
not locked, nor for long is a second machine at another speed.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from monitor.signal.envelope import FineEnvelope
from monitor.signal.frames import every

MOST_SECTORS = 24
"""Of 15 degrees: at 300 rpm 8 ms, a struck body's ring."""

_FILL = 0.8  # sectors per piece of the envelope: so every sector is heard in every turn
_TURNS, _LEAST_S = 3.0, 0.2  # in each half of the window: fewer say nothing of "every", fewer hops are noisy
_NEAR, _FAR = 0.125, 0.21  # turns to either side of a knock, to which it is compared
_SILENCE = np.float32(1e-12)
_MOST_DB = np.float32(10.0)  # that one turn counts over the mean of its hop
_OFF = 0.3  # a speed this far from the job's is not this job's rotation: coast on the last


class Revolutions:
    """Streaming synchronous average in the lower band of the fine envelope.

    Two halves of at least three turns and 0.2 s each. A knock counts as far as both halves have it, at the
    same angle within one sector: the dial may be off by 2 %, which turns the angle by a twentieth in three
    turns. Constant memory; causal; lags by half its window.
    """

    def __init__(self, fine: FineEnvelope, spindle_hz: float, hop_s: float) -> None:
        """``spindle_hz``: the job's speed."""
        self._expected_hz = self._hz = spindle_hz
        per_turn = 1 / (spindle_hz * fine.step_s)
        self.sectors = max(6, min(MOST_SECTORS, int(_FILL * per_turn)))
        self.half = max(2, math.ceil(max(_TURNS / spindle_hz, _LEAST_S) / hop_s))
        n = self.sectors
        self._turn = 0.0
        self._per_hop, self._at = hop_s, (np.arange(fine.n_fine) + 0.5) / fine.n_fine
        self._number = np.arange(n)
        self._rolled = np.stack([np.roll(self._number, shift) for shift in (-1, 0, 1)])
        self._halves = np.repeat(np.eye(2, dtype=np.float32), self.half, axis=1)
        self._history = np.zeros((2 * self.half - 1, 2 * n), np.float32)
        near, far = max(2, round(_NEAR * n)), max(2, round(_FAR * n))
        beside = [side * k for k in range(near, far + 1) for side in (-1, 1)]
        eye = np.eye(n, dtype=np.float32)
        self._stand_out = eye - np.mean([np.roll(eye, k, axis=0) for k in beside], axis=0, dtype=np.float32)

    def feed(
        self, envelope: NDArray[np.float32], spindle_hz: list[float]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Take hops.

        Parameters
        ----------
        envelope : float32, shape (n_hops, 2, n_fine)
            See `FineEnvelope.power`.
        spindle_hz : of each hop; NaN where not known, which coasts on the last

        Returns
        -------
        knock_db : shape (n_hops,)
            How far the sector that stands out most, of both halves, stands over those an eighth to a fifth
            of a turn beside it; 0 where not every sector was heard yet. Some 1 to 2 dB in noise.
        peak_db : shape (n_hops,)
            Level of the loudest sector of the newer half, dB re full scale.
        """
        n = self.sectors
        turns = self._turns(spindle_hz)
        inside = ((turns % 1.0) * n).astype(np.intp)[:, :, None] == self._number
        low = np.stack([envelope[:, 0], np.ones_like(envelope[:, 0])], axis=1)
        cells = np.matmul(low, inside.astype(np.float32))
        power, count = cells[:, 0], cells[:, 1]
        # the logarithm of every turn by itself, and bounded: a single loud click is no knock of every turn
        decibels = 10 * np.log10(power / np.maximum(count, 1) + _SILENCE)
        usual = (decibels * count).sum(axis=1, keepdims=True) * np.float32(1 / envelope.shape[2])
        cells[:, 0] = count * np.minimum(decibels, usual + _MOST_DB)
        seen = np.concatenate([self._history, cells.reshape(-1, 2 * n)])
        self._history = seen[cells.shape[0] :].copy()
        windows = every(seen.ravel(), 4 * self.half * n, 2 * n).reshape(-1, 2 * self.half, 2 * n)
        sums = np.matmul(self._halves, windows).reshape(-1, 2, 2, n)
        heard = sums[:, :, 1]
        level = sums[:, :, 0] / np.maximum(heard, 1)
        over = np.matmul(level, self._stand_out)
        older, newer = over[:, 0], over[:, 1].take(self._rolled, axis=1).max(axis=1)
        both = np.minimum((older + newer) / 2, 2 * np.minimum(older, newer)).max(axis=1)
        knock = np.where(heard.min(axis=(1, 2)) > 0, both, 0)
        return knock.astype(np.float64), level[:, 1].max(axis=1).astype(np.float64)

    def _turns(self, spindle_hz: list[float]) -> NDArray[np.float64]:
        """Angle of every piece in turns, shape (n_hops, n_fine), continuous over hops."""
        begin, per_hop = [], []
        for hz in spindle_hz:
            if abs(hz / self._expected_hz - 1) < _OFF:  # not so for NaN
                self._hz = hz
            begin.append(self._turn)
            per_hop.append(self._hz * self._per_hop)
            self._turn = (self._turn + per_hop[-1]) % 1.0
        turns: NDArray[np.float64] = np.array(begin)[:, None] + np.array(per_hop)[:, None] * self._at
        return turns
