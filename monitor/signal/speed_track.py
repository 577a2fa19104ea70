"""A forward (Bayesian) filter over a grid of log speeds: where the spindle's speed most likely is.

One more state, "the lines are not heard", makes the posterior probability of the others a confidence.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.signal.rhythm import Beats

_NARROW = 0.003  # wander and ordinary sag, per hop
_BOUND = 0.02  # per hop: 40 % a second, a bit binding hard
_BURST = 0.10  # per hop: spin-up, a jammed drill
_SHARES = (0.89, 0.10, 0.01)  # of all hops, a priori
_DROWNED_SHARES = (0.67, 0.30, 0.03)  # in a loud cut, which is where spindles are slowed
_STOP_CHANCE, _START_CHANCE = 0.002, 0.02  # per hop: a stop in 25 s, a start within 2.5 s of standing
_ANYWHERE = 0.05  # share of starts at a speed nobody commanded
_DEAF = 0.03  # a frame may say nothing (a tap, a burst of crackle): bounds what it can hold against a speed
_DROWNED = 12.0  # nats that the best speed gets from the lines of a hop: with less, the beat is asked too
_FALLEN = 0.5  # in log speed: to 60 %
SURE_WITHIN = 0.0075  # confidence counts the posterior within this much of the best speed
_TEMPER = 0.7  # neighbouring frames of two hops share half their samples, and rooms are not the model

_TILE = 16  # speeds made by one row of a product: more of them would be moved by longer rows

# Called at every hop on a few hundred numbers: looking these up would take a tenth as long as they do.
_add, _multiply, _copy, _sum = np.add, np.multiply, np.copyto, np.add.reduce


@dataclass(frozen=True, slots=True)
class Track:
    """The filter after each hop, shape (n_hops,) each.

    ``state``: most likely index in the grid; ``confidence``: probability of a speed within 0.75 % of it;
    ``running``: probability that the lines are heard; ``posterior``, shape (n_hops, n_states).
    """

    state: NDArray[np.intp]
    confidence: NDArray[np.float64]
    running: NDArray[np.float64]
    posterior: NDArray[np.float32]


class SpeedFilter:
    """Streaming; memory: one posterior and the last three most likely states.

    Parameters
    ----------
    grid_hz : shape (n_states,)
        Speeds, in equal steps of the logarithm.
    speeds_rpm : commanded speeds
    short_hops : hops in the frames from which the scores come
    """

    def __init__(self, grid_hz: NDArray[np.float64], speeds_rpm: tuple[float, ...], short_hops: int) -> None:
        n = grid_hz.size
        step = float(np.log(grid_hz[1] / grid_hz[0]))
        self._temper = np.float32(_TEMPER * 2 / short_hops)
        self._fallen = round(_FALLEN / step)
        self._halves = [max(1, round(width / step)) for width in (_NARROW, _BOUND, _BURST)]
        self._bound = self._halves[1]
        # The posterior stands between two margins of zeros, as wide as it can be moved in a hop.
        self._margin = margin = self._halves[2] + self._bound
        within = max(1, round(SURE_WITHIN / step))
        self._around = np.arange(margin - within, margin + within + 1)  # a state, in a row with its margins
        tiles = -(-n // _TILE)
        self._padded = np.zeros(tiles * _TILE + 2 * margin, np.float32)
        # each tile with what may come into it, from which the prior is made by one product
        self._tiles = np.empty((tiles, _TILE + 2 * margin), np.float32)
        self._moved = np.empty((tiles, _TILE), np.float32)
        self._prior = self._moved.reshape(-1)[:n]
        # by whether the lines are drowned, and by how far the speed goes on in a hop
        self._moves: tuple[dict[int, NDArray[np.float32]], dict[int, NDArray[np.float32]]] = {}, {}
        self._entry = _entry(grid_hz, speeds_rpm)
        self._arrivals: dict[int, NDArray[np.float32]] = {}
        self._arrived, self._share = np.empty(n, np.float32), np.empty((), np.float32)
        self._silent = 1.0
        self._best = (0, 0, 0)  # most likely state, the last three hops

    def feed(self, scores: NDArray[np.float32], beats: Beats | None = None) -> Track:
        """Go on by some hops.

        Parameters
        ----------
        scores : shape (n_hops, n_states)
            Log likelihood ratios of the lines, present at each speed against absent.
        beats : Beats
            Of the same hops: what the cut's beat says of each speed is asked where the lines tell little.
        """
        n_hops, n = scores.shape
        likelihood = scores * self._temper
        tops = np.maximum.reduce(likelihood, axis=1, initial=np.float32(0))
        none = np.exp(-tops)
        likelihood -= tops[:, None]
        np.exp(likelihood, out=likelihood)
        likelihood *= np.float32(1 - _DEAF)
        likelihood += (np.float32(_DEAF) * none)[:, None]
        states: list[int] = []
        running: list[float] = []
        padded = np.zeros((n_hops + 1, self._padded.size), np.float32)  # first, the one before
        padded[0] = self._padded
        posteriors = padded[1:, self._margin : self._margin + n]
        row, item = padded.strides
        tiles = np.ndarray((n_hops, *self._tiles.shape), np.float32, padded, 0, (row, _TILE * item, item))
        drowned, said = np.zeros(n_hops, np.bool_), iter(np.empty((0, n), np.float32))
        if beats is not None:
            np.less(tops, _DROWNED * self._temper, out=drowned)
            asked = drowned.nonzero()[0]
            if asked.size:
                said = iter(np.exp(beats.said(asked)))
        # names of what is asked at every hop: to look them up would take as long as some of the operations
        share, window, moved, prior = self._share, self._tiles, self._moved, self._prior
        bound, moves_of, silent = self._bound, self._moves, self._silent
        earlier, last, best = self._best
        for nothing, unheard, likely, before, posterior in zip(
            none.tolist(),
            drowned.tolist(),
            likelihood,
            tiles,
            posteriors,
            strict=True,
        ):
            # A spindle has inertia: as likely as staying is going on as it went over the last two hops.
            drift = 0
            if best != earlier:
                drift = round((best - earlier) / 2)
                drift = bound if drift > bound else -bound if drift < -bound else drift
            moves = moves_of[unheard].get(drift)
            if moves is None:
                moves = moves_of[unheard][drift] = self._made_moves(drift, unheard)
            _copy(window, before)
            window.dot(moves, moved)
            starts = silent * _START_CHANCE * 0.5
            if starts > 1e-18:  # less is lost in rounding
                self._arrive(prior, best, starts)
            if unheard:
                turning = float(_sum(prior))
                prior *= next(said)
                # it says which speed, never whether it turns
                prior *= turning / float(_sum(prior))
            silent = (silent * (1 - _START_CHANCE) + (1 - silent) * _STOP_CHANCE) * nothing
            total = float(prior.dot(likely)) + silent
            share[()] = 1 / total  # an array, since numpy takes longer to make one of a number than to use it
            _multiply(prior, likely, posterior)
            _multiply(posterior, share, posterior)
            silent /= total
            earlier, last, best = last, best, int(posterior.argmax())
            states.append(best)
            running.append(1 - silent)
        self._silent, self._best = silent, (earlier, last, best)
        self._padded = padded[-1].copy()
        found = np.array(states, np.intp)
        first = np.arange(1, n_hops + 1) * padded.shape[1] + found
        near = padded.ravel().take(first[:, None] + self._around)
        confidence = np.minimum(np.add.reduce(near, axis=1, dtype=np.float64), 1.0)
        return Track(found, confidence, np.array(running), posteriors)

    def _arrive(self, prior: NDArray[np.float32], best: int, starts: float) -> None:
        """Add speeds at which lines come back that were not heard, after the most likely speed ``best``."""
        arrivals = self._arrivals.get(best)
        if arrivals is None:
            arrivals = self._arrivals[best] = self._made_arrivals(best)
        self._share[()] = starts
        _multiply(arrivals, self._share, self._arrived)
        _add(prior, self._arrived, prior)

    def _made_moves(self, drift: int, drowned: bool) -> NDArray[np.float32]:
        """Chance of each speed of a tile after one of those that may come into it, or are in it, (K, _TILE).

        Moving averages of three widths about where the speed is, or as well about where it goes.
        """
        margin, size = self._margin, self._tiles.shape[1]
        chance = np.zeros(size + _TILE)
        for share, half in zip(_DROWNED_SHARES if drowned else _SHARES, self._halves, strict=True):
            for towards in (0, drift):
                middle = margin + towards + _TILE
                chance[middle - half : middle + half + 1] += (1 - _STOP_CHANCE) / 2 * share / (2 * half + 1)
        rise = margin + np.arange(_TILE) - np.arange(size)[:, None]  # of the speed, in steps of the grid
        moves: NDArray[np.float32] = chance[rise + margin + _TILE].astype(np.float32)
        return moves

    def _made_arrivals(self, best: int) -> NDArray[np.float32]:
        """Where lines that were not heard come back, after the most likely speed: where a spindle starts; or
        where they were when they were drowned, or below, as a spindle lost while it was loaded has fallen."""
        arrivals = self._entry.copy()
        near = arrivals[max(best - self._fallen, 0) : best + self._bound + 1]
        near += 1 / near.size
        return arrivals.astype(np.float32)


def _entry(grid_hz: NDArray[np.float64], speeds_rpm: tuple[float, ...]) -> NDArray[np.float64]:
    """Where a spindle starts: mostly at a commanded speed."""
    entry = np.full(grid_hz.size, _ANYWHERE / grid_hz.size)
    for rpm in speeds_rpm:
        near = np.abs(np.log(grid_hz * 60 / rpm)) < 0.06  # label errors and droop
        entry[near] += (1 - _ANYWHERE) / len(speeds_rpm) / max(1, int(near.sum()))
    whole: NDArray[np.float64] = entry / entry.sum()
    return whole
