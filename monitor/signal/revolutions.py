"""Sound against the angle of rotation: how far a knock of every turn stands out of what surrounds it.

Time synchronous averaging (McFadden 1987, from memory) of the whitened level: what comes at the same angle
turn after turn stays, what is not locked to this spindle averages out. Speech, music and hammering are
not locked, nor for long is a second machine at another speed.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from monitor.signal.frames import every

MOST_SECTORS = 24
"""Of 15 degrees: at 300 rpm 8 ms, a struck body's ring."""

_FILL = 0.8  # sectors per level: so every sector is heard in every turn
_TURNS, _LEAST_S = 2.0, 0.15  # in each half of the window: fewer say nothing of "every", fewer hops are noisy
_NEAR, _FAR = 0.125, 0.21  # turns to either side of a knock, to which it is compared
_MOST_DB = np.float32(15.0)  # that one turn counts over the mean of its hop
_OFF = 0.3  # a speed this far from the job's is not this job's rotation: coast on the last


class Revolutions:
    """Streaming synchronous average of levels, such as those of `monitor.signal.whitened`.

    Two halves of at least two turns and 0.15 s each. A knock counts as far as both halves have it, at the
    same angle within one sector: the dial may be off by 2 %, which turns the angle by a twenty-fifth in
    two turns. Constant memory; causal; lags by half its window.
    """

    def __init__(self, n_pieces: int, spindle_hz: float, hop_s: float) -> None:
        """``n_pieces``: levels a hop; ``spindle_hz``: the job's speed."""
        self._expected_hz = self._hz = spindle_hz
        per_turn = n_pieces / (spindle_hz * hop_s)
        self.sectors = max(6, min(MOST_SECTORS, int(_FILL * per_turn)))
        self.half = max(2, math.ceil(max(_TURNS / spindle_hz, _LEAST_S) / hop_s))
        n = self.sectors
        self._turn = 0.0
        self._per_hop, self._at = hop_s, (np.arange(n_pieces) + 0.5) / n_pieces
        self._rolled = np.stack([np.roll(np.arange(n), shift) for shift in (-1, 0, 1)])
        self._one = np.vstack([np.eye(n), np.eye(n)[:1]]).astype(np.float32)  # a whole turn may round up
        self._halves = np.repeat(np.eye(2, dtype=np.float32), self.half, axis=1)
        self._history = np.zeros((2 * self.half - 1, 2 * n), np.float32)
        near, far = max(2, round(_NEAR * n)), max(2, round(_FAR * n))
        beside = [side * k for k in range(near, far + 1) for side in (-1, 1)]
        eye = np.eye(n, dtype=np.float32)
        self._stand_out = eye - np.mean([np.roll(eye, k, axis=0) for k in beside], axis=0, dtype=np.float32)

    def feed(
        self, level_db: NDArray[np.float32], spindle_hz: list[float]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Take hops.

        Parameters
        ----------
        level_db : float32, shape (n_hops, n_pieces)
        spindle_hz : of each hop; NaN where not known, which coasts on the last

        Returns
        -------
        knock_db : shape (n_hops,)
            How far the sector that stands out most, of both halves, stands over those an eighth to a fifth
            of a turn beside it; 0 where not every sector was heard yet. Some 1 to 2 dB in noise.
        peak_db : shape (n_hops,)
            Level of the loudest sector of the newer half, dB as the levels.
        """
        n = self.sectors
        turns = self._turns(spindle_hz)
        inside = self._one.take(((turns % 1.0) * n).astype(np.intp), axis=0)
        # a single loud click is no knock of every turn: bounded over the mean of its hop
        pairs = np.ones((level_db.shape[0], 2, level_db.shape[1]), np.float32)
        most_db = np.add.reduce(level_db, axis=1, keepdims=True)
        most_db *= np.float32(1 / level_db.shape[1])
        most_db += _MOST_DB
        np.minimum(level_db, most_db, out=pairs[:, 0])
        cells = np.matmul(pairs, inside)
        seen = np.concatenate([self._history, cells.reshape(-1, 2 * n)])
        self._history = seen[cells.shape[0] :].copy()
        windows = every(seen.ravel(), 4 * self.half * n, 2 * n).reshape(-1, 2 * self.half, 2 * n)
        sums = np.matmul(self._halves, windows).reshape(-1, 2, 2, n)
        heard = sums[:, :, 1]
        level = sums[:, :, 0] / np.maximum(heard, 1)
        over = np.matmul(level, self._stand_out)
        older, newer = over[:, 0], np.maximum.reduce(over[:, 1].take(self._rolled, axis=1), axis=1)
        both = np.minimum((older + newer) / 2, 2 * np.minimum(older, newer))
        whole = np.minimum.reduce(heard, axis=(1, 2)) > 0
        knock = np.where(whole, np.maximum.reduce(both, axis=1), 0)
        return knock.astype(np.float64), np.maximum.reduce(level[:, 1], axis=1).astype(np.float64)

    def _turns(self, spindle_hz: list[float]) -> NDArray[np.float64]:
        """Angle of every piece in turns, shape (n_hops, n_pieces), continuous over hops."""
        begin, per_hop = [], []
        for hz in spindle_hz:
            if abs(hz / self._expected_hz - 1) < _OFF:  # not so for NaN
                self._hz = hz
            begin.append(self._turn)
            per_hop.append(self._hz * self._per_hop)
            self._turn = (self._turn + per_hop[-1]) % 1.0
        turns: NDArray[np.float64] = np.array(begin)[:, None] + np.array(per_hop)[:, None] * self._at
        return turns
