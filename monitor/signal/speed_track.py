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
_SURE_WITHIN = 0.0075  # confidence counts the posterior within this much of the best speed
_TEMPER = 0.7  # neighbouring frames of two hops share half their samples, and rooms are not the model

# Called at every hop on a few hundred numbers: looking these up would take a tenth as long as they do.
_add, _subtract, _multiply, _absolute = np.add, np.subtract, np.multiply, np.absolute
_sum, _running_sum = np.add.reduce, np.add.accumulate


@dataclass(frozen=True, slots=True)
class Track:
    """The filter after each hop, shape (n_hops,) each.

    ``state``: most likely index in the grid; ``confidence``: probability of a speed within 0.75 % of it;
    ``running``: probability that the lines are heard; ``posterior``, shape (n_hops, n_states).
    """

    state: NDArray[np.intp]
    confidence: NDArray[np.float64]
    running: NDArray[np.float64]
    posterior: NDArray[np.float64]


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
        halves = [max(1, round(width / step)) for width in (_NARROW, _BOUND, _BURST)]
        self._bound, widest = halves[1], halves[2]
        # The posterior stands between two margins of zeros, as wide as it can be moved in a hop.
        self._margin = margin = widest + self._bound + 1
        within = max(1, round(_SURE_WITHIN / step))
        self._around = np.arange(margin - within, margin + within + 1)  # a state, in a row with its margins
        self._padded = np.zeros(n + 2 * margin)
        self._sums = np.zeros(n + 2 * margin)
        bound, end = self._bound, self._sums.size - self._bound
        self._stayed = self._sums[bound:end]
        self._drifted = [self._sums[bound - drift : end - drift] for drift in range(-bound, bound + 1)]
        self._mixed = np.zeros(n + 2 * widest + 2)
        # The prior of the next hop is a weighted sum of these rows: three moving averages, entry from rest.
        self._rows = np.zeros((len(halves) + 1, n))
        self._rows[-1] = _entry(grid_hz, speeds_rpm)
        at = widest + 1
        # of the running sum as it is and moved on; and where it is not moved, of the sum itself
        self._moved, self._still = (
            [
                (sums[at + half : at + half + n], sums[at - half - 1 : at - half - 1 + n], row)
                for half, row in zip(halves, self._rows, strict=False)
            ]
            for sums in (self._mixed, self._stayed)
        )
        alive = 1 - _STOP_CHANCE
        self._weights = {
            (still, drowned): np.array(
                [alive / (2 - still) * s / (2 * h + 1) for s, h in zip(shares, halves, strict=True)] + [0]
            )
            for still in (False, True)
            for drowned, shares in ((False, _SHARES), (True, _DROWNED_SHARES))
        }
        self._prior, self._each = np.zeros(n), np.empty(())
        self._silent = 1.0
        self._best = (0, 0, 0)  # most likely state, the last three hops

    def feed(self, scores: NDArray[np.float32], beats: Beats | None = None) -> Track:
        """Go on by some hops.

        Parameters
        ----------
        scores : shape (n_states, n_hops)
            Log likelihood ratios of the lines, present at each speed against absent.
        beats : Beats
            Of the same hops: what the cut's beat says of each speed is asked where the lines tell little.
        """
        n, n_hops = scores.shape
        likelihood = scores * self._temper
        tops = np.maximum.reduce(likelihood, axis=0, initial=np.float32(0))
        none = np.exp(-tops)
        likelihood -= tops
        np.exp(likelihood, out=likelihood)
        likelihood *= np.float32(1 - _DEAF)
        likelihood += np.float32(_DEAF) * none
        likelihoods = np.ascontiguousarray(likelihood.T, np.float64)
        states: list[int] = []
        running: list[float] = []
        padded = np.zeros((n_hops, self._padded.size))
        posteriors = padded[:, self._margin : self._margin + n]
        drowned, said = np.zeros(n_hops, np.bool_), iter(np.empty((0, n), np.float32))
        if beats is not None:
            np.less(tops, _DROWNED * self._temper, out=drowned)
            asked = drowned.nonzero()[0]
            if asked.size:
                said = iter(np.exp(beats.said(asked)))
        share = np.empty(())  # an array, since numpy takes longer to make one of a number than to use it
        silent = self._silent
        for nothing, unheard, likelihood, posterior, row in zip(
            none.tolist(), drowned.tolist(), likelihoods, posteriors, padded, strict=True
        ):
            prior = self._predict(unheard)
            if unheard:
                turning = float(_sum(prior))
                prior *= next(said)
                # it says which speed, never whether it turns
                prior *= turning / float(_sum(prior))
            silent = (silent * (1 - _START_CHANCE) + (1 - silent) * _STOP_CHANCE) * nothing
            total = float(prior.dot(likelihood)) + silent
            share[()] = 1 / total
            _multiply(prior, likelihood, posterior)
            _multiply(posterior, share, posterior)
            self._padded = row
            self._silent = silent = silent / total
            best = int(posterior.argmax())
            _, before, last = self._best
            self._best = (before, last, best)
            states.append(best)
            running.append(1 - silent)
        self._padded = self._padded.copy()  # rather than keep all rows alive
        found = np.array(states, np.intp)
        first = np.arange(n_hops) * padded.shape[1] + found
        confidence = np.add.reduce(padded.ravel().take(first[:, None] + self._around), axis=1)
        return Track(found, confidence, np.array(running), posteriors)

    def _predict(self, drowned: bool) -> NDArray[np.float64]:
        """One hop on: speed may wander, change within the bound, rarely jump, or start from rest.

        A spindle has inertia: as likely as staying is going on as it went over the last two hops.
        Moving averages of three widths, all differences of one running sum.
        """
        earlier, _, best = self._best
        sums = self._sums
        _running_sum(self._padded, 0, None, sums)
        drift = round((best - earlier) / 2) if best != earlier else 0
        if drift:
            bound = self._bound
            drift = bound if drift > bound else -bound if drift < -bound else drift
            _add(self._stayed, self._drifted[bound + drift], self._mixed)
        for high, low, row in self._moved if drift else self._still:
            _subtract(high, low, row)
        starts = self._silent * _START_CHANCE * 0.5
        weights = self._weights[not drift, drowned]
        weights[-1] = starts
        prior: NDArray[np.float64] = weights.dot(self._rows, self._prior)
        _absolute(prior, prior)  # rounding may leave it a little under zero
        if starts > 1e-18:  # less is lost in that rounding
            # Lines that were drowned come back where they were, or below: a spindle lost while it was
            # loaded has fallen.
            lowest = best - self._fallen
            near = prior[lowest if lowest > 0 else 0 : best + self._bound + 1]
            self._each[()] = starts / near.size
            _add(near, self._each, near)
        return prior


def _entry(grid_hz: NDArray[np.float64], speeds_rpm: tuple[float, ...]) -> NDArray[np.float64]:
    """Where a spindle starts: mostly at a commanded speed."""
    entry = np.full(grid_hz.size, _ANYWHERE / grid_hz.size)
    for rpm in speeds_rpm:
        near = np.abs(np.log(grid_hz * 60 / rpm)) < 0.06  # label errors and droop
        entry[near] += (1 - _ANYWHERE) / len(speeds_rpm) / max(1, int(near.sum()))
    whole: NDArray[np.float64] = entry / entry.sum()
    return whole
