"""Sound against the angle of rotation: how far each sector of a turn stands out of what surrounds it.

Levels are sorted by the angle at which they were heard (time synchronous averaging, McFadden 1987, from
memory): what comes at the same angle turn after turn can then be added up by whoever judges it, and what is
not locked to this spindle averages out. Speech, music and hammering are not locked, nor for long is a second
machine at another speed.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

MOST_SECTORS = 24
"""Of 15 degrees: at 300 rpm 8 ms, a struck body's ring."""

_FILL = 0.8  # sectors per level: so every sector is heard in every turn
_WHOLE = 0.98  # of a turn at the job's speed that counts as whole
_NEAR, _FAR = 0.125, 0.21  # turns to either side of a sector, to which it is compared
_MOST_DB = np.float32(15.0)  # that one level counts over the mean of its hop
_OFF = 0.3  # a speed this far from the job's is not this job's rotation: coast on the last


class Turn(NamedTuple):
    """One turn heard, or a few where several fit into a hop.

    ``stands_out_db``: float32, shape (n_sectors,), level of each sector over those an eighth to a fifth of
    a turn beside it; 0 where nothing was heard. ``mean_db``: mean of their magnitudes. ``turns``: turns
    since the start, at the end of the turn.
    """

    stands_out_db: NDArray[np.float32]
    mean_db: float
    turns: float


class Revolutions:
    """Streaming: levels, such as those of `monitor.signal.whitened`, into turns. Constant memory; causal.

    Turns do not overlap: each is heard in ``every`` hops of its own. The dial may be off by 2 %, so sectors
    of one turn and the next are the same angle only as far.
    """

    def __init__(self, n_pieces: int, spindle_hz: float, hop_s: float) -> None:
        """``n_pieces``: levels a hop; ``spindle_hz``: the job's speed."""
        self._expected_hz = self._hz = spindle_hz
        per_turn = n_pieces / (spindle_hz * hop_s)
        self.sectors = max(6, min(MOST_SECTORS, int(_FILL * per_turn)))
        self.every = max(1, math.ceil(_WHOLE / (spindle_hz * hop_s)))
        n = self.sectors
        self._turns_so_far = 0.0
        self._per_hop, self._at = hop_s, (np.arange(n_pieces) + 0.5) / n_pieces
        self._one = np.vstack([np.eye(n), np.eye(n)[:1]]).astype(np.float32)  # a whole turn may round up
        self._begun = np.zeros((0, 2, n), np.float32)  # hops of a turn that is not whole yet
        near, far = max(2, round(_NEAR * n)), max(2, round(_FAR * n))
        beside = [side * k for k in range(near, far + 1) for side in (-1, 1)]
        eye = np.eye(n, dtype=np.float32)
        self._stand_out = eye - np.mean([np.roll(eye, k, axis=0) for k in beside], axis=0, dtype=np.float32)

    def feed(self, level_db: NDArray[np.float32], spindle_hz: list[float]) -> list[Turn | None]:
        """Take hops; of each, the turn that ends with it, if one does.

        Parameters
        ----------
        level_db : float32, shape (n_hops, n_pieces)
        spindle_hz : of each hop; NaN where not known, which coasts on the last
        """
        n = self.sectors
        turns, ends = self._angles(spindle_hz)
        inside = self._one.take(((turns % 1.0) * n).astype(np.intp), axis=0)
        # a single loud click is no knock of every turn: bounded over the mean of its hop
        pairs = np.ones((level_db.shape[0], 2, level_db.shape[1]), np.float32)
        most_db = np.add.reduce(level_db, axis=1, keepdims=True)
        most_db *= np.float32(1 / level_db.shape[1])
        most_db += _MOST_DB
        np.minimum(level_db, most_db, out=pairs[:, 0])
        cells = np.matmul(pairs, inside)
        waiting = self._begun.shape[0]
        cells = np.concatenate([self._begun, cells]) if waiting else cells
        whole = cells.shape[0] // self.every
        self._begun = cells[whole * self.every :].copy()
        told: list[Turn | None] = [None] * len(spindle_hz)
        if not whole:
            return told
        sums = np.add.reduce(cells[: whole * self.every].reshape(whole, self.every, 2, n), axis=1)
        heard = sums[:, 1] > 0
        level = sums[:, 0] / np.maximum(sums[:, 1], 1)
        stands_out = np.where(heard, np.matmul(level[:, None], self._stand_out)[:, 0], np.float32(0))
        whole_turns = np.logical_and.reduce(heard, axis=1).tolist()
        for k in [
            k for k, all_heard in enumerate(whole_turns) if not all_heard
        ]:  # neighbours of what was not heard would stand out
            stands_out[k] = 0
        mean_db = (np.add.reduce(np.abs(stands_out), axis=1).astype(np.float64) / n).tolist()
        for k in range(whole):
            at = (k + 1) * self.every - waiting - 1
            told[at] = Turn(stands_out[k], mean_db[k], ends[at])
        return told

    def _angles(self, spindle_hz: list[float]) -> tuple[NDArray[np.float64], list[float]]:
        """Angle of every piece in turns, shape (n_hops, n_pieces), and at the end of each hop."""
        begin, per_hop, ends = [], [], []
        for hz in spindle_hz:
            if abs(hz / self._expected_hz - 1) < _OFF:  # not so for NaN
                self._hz = hz
            begin.append(self._turns_so_far)
            per_hop.append(self._hz * self._per_hop)
            self._turns_so_far += per_hop[-1]
            ends.append(self._turns_so_far)
        turns: NDArray[np.float64] = np.array(begin)[:, None] + np.array(per_hop)[:, None] * self._at
        return turns, ends
