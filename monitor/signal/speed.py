"""Spindle speed from what the microphone hears: search, track, refine.

Search: each candidate speed is scored by how likely the spectrum at its learned lines is, line by
line, as a likelihood ratio against noise alone (`monitor.signal.line_evidence`). Track: a forward
(Bayesian) filter over a grid of log speeds (`monitor.signal.speed_track`). Refine:
`monitor.signal.refine` around the tracked speed.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.baseline import Baseline
from monitor.errors import BaselineError
from monitor.signal.line_choice import LOWEST_HZ, choose_lines, is_told
from monitor.signal.line_evidence import STRONG_DB, LineEvidence, Steps, spectrum_steps
from monitor.signal.refine import Refined, Refinement
from monitor.signal.rhythm import Beats
from monitor.signal.short_frames import ShortFrames
from monitor.signal.spectrum import SpectrumGeometry, spectrum_geometry
from monitor.signal.speed_track import SURE_WITHIN, SpeedFilter, Track

SEARCH_BELOW, SEARCH_ABOVE = 0.35, 1.25
"""Speeds searched, over the lowest and highest commanded: below a third the spindle counts as stalled;
dial errors and the rise when a load is taken off stay far under a quarter."""

_PLATEAU_NATS = 6.0  # under the best of the plateau: 1 in 400, so another speed and not its edge
_RULED_OUT = 1e9  # nats, and finite: no power comes near it
_WIDEST = 0.06  # a plateau wider than this would let a strong tone pull the speed away
_NO_VOTE = 1e6  # noise density, in full scale squared per Hz: beyond any microphone
_AHEAD = 32  # hops: of many the answers cost little more than of one
_NEVER_ASKED: tuple[int, list[float]] = (0, [])
_MOST_SURE = np.array([0.0, 0.4, 0.8, 1.0])
# Most confidence by number of lines: one line is any tone, two may be another pair, three agree by chance
# rarely.


@dataclass(frozen=True, slots=True)
class Speeds:
    """What was heard at each hop, shape (n_hops,) each.

    ``spindle_hz``: rotation frequency at the newest sample, NaN where not known; ``sd_hz`` its
    standard deviation; ``rate_hz_s`` its rate. ``confidence``: posterior probability (0..1) that the
    speed is within 0.75 % of the best candidate, or of what the refinement makes of it, less where few
    lines are heard. ``running``: posterior
    probability that the lines are heard at all. ``audible``: the evidence (nats a hop) that their absence
    would give now, were they as strong as learned under the present floor; small means that the ear is
    masked. ``support``: the evidence found at the tracked speed over that expected there, near 1 on the
    right speed.
    ``line_db``: median over the lines of their level over the learned one. ``state``: index of the tracked
    speed in the grid. ``posterior``, shape (n_hops, n_states): probability of each grid speed. ``scores``,
    shape (n_hops, n_states): evidence of each grid speed against absence, nats.
    """

    spindle_hz: NDArray[np.float64]
    sd_hz: NDArray[np.float64]
    rate_hz_s: NDArray[np.float64]
    confidence: NDArray[np.float64]
    running: NDArray[np.float64]
    audible: NDArray[np.float64]
    support: NDArray[np.float64]
    line_db: NDArray[np.float64]
    state: NDArray[np.intp]
    posterior: NDArray[np.float32]
    scores: NDArray[np.float32]


class Between:
    """What the hops of a call say of speeds between two bounds, asked hop by hop.

    A spindle in a cut is asked about the same bounds at each hop: from the second time on the answer is made
    for some hops ahead, which takes a tenth as long for each.

    Parameters
    ----------
    grid_hz : list of float
        The candidate speeds.
    speeds : Speeds
        The hops.
    beats : Beats
        The beat of the cut at the same hops.
    short : ShortFrames
        Of a slow spindle, its frames half as long.
    """

    def __init__(
        self,
        grid_hz: list[float],
        speeds: Speeds,
        beats: Beats | None = None,
        short: ShortFrames | None = None,
    ) -> None:
        self._grid_hz, self._beats, self._short = grid_hz, beats, short
        self._posterior, self._scores = speeds.posterior, speeds.scores
        self._ones = np.ones(len(grid_hz), np.float32)
        # by their bounds: the hop of the first of some answers, and these
        self._probabilities: dict[tuple[float, float], tuple[int, list[float]]] = {}
        self._evidence: dict[tuple[float, float], tuple[int, list[float]]] = {}

    def probability(self, n: int, low_hz: float, high_hz: float) -> float:
        """Probability of a speed between two at hop ``n`` of the call."""
        first, answers = self._probabilities.get((low_hz, high_hz), _NEVER_ASKED)
        if first <= n < first + len(answers):
            return answers[n - first]
        low, high = bisect_left(self._grid_hz, low_hz), bisect_left(self._grid_hz, high_hz)
        some = self._posterior[n : n + (_AHEAD if answers else 1), None, low:high]
        # products with ones: sums in half the time, and of one hop to the same bits as of many
        sums: list[float] = np.matmul(some, self._ones[: some.shape[2]])[:, 0].tolist()
        self._probabilities[low_hz, high_hz] = n, sums
        return sums[0]

    def evidence(self, n: int, low_hz: float, high_hz: float) -> float:
        """Most evidence of a speed between two at hop ``n`` of the call; none of none, 0."""
        first, answers = self._evidence.get((low_hz, high_hz), _NEVER_ASKED)
        if first <= n < first + len(answers):
            return answers[n - first]
        low, high = bisect_left(self._grid_hz, low_hz), bisect_left(self._grid_hz, high_hz)
        if low >= high:
            return 0.0
        some = self._scores[n : n + (_AHEAD if answers else 1), low:high]
        most: list[float] = np.maximum.reduce(some, axis=1).tolist()
        self._evidence[low_hz, high_hz] = n, most
        return most[0]

    def beat(self, n: int, hz: float) -> float:
        """Power of the beat of the cut over that of noise at a speed, at hop ``n`` of the call."""
        if self._beats is None:
            return 0.0
        return self._beats.power_at(n, min(bisect_left(self._grid_hz, hz), len(self._grid_hz) - 1))

    def scores(self, n: int) -> NDArray[np.float32]:
        """Evidence of each candidate speed at hop ``n`` of the call, nats, shape (n_states,)."""
        row: NDArray[np.float32] = self._scores[n]
        return row

    @property
    def short(self) -> bool:
        """Whether frames half as long are heard besides."""
        return self._short is not None

    def short_scores(self, n: int) -> NDArray[np.float32]:
        """The same of frames half as long, where they are heard."""
        return self._scores[n] if self._short is None else self._short.scores(n)

    def states(self, hz: NDArray[np.float64]) -> NDArray[np.intp]:
        """Nearest candidate to each speed, of the same shape."""
        first, last = self._grid_hz[0], self._grid_hz[-1]
        steps = np.log(hz / first) * ((len(self._grid_hz) - 1) / np.log(last / first))
        nearest: NDArray[np.intp] = np.clip(np.rint(steps), 0, len(self._grid_hz) - 1).astype(np.intp)
        return nearest


class SpeedTracker:
    """Streaming spindle speed; the same hops give the same result however they are grouped.

    Memory: the posterior (a few hundred numbers) and the last three hops. Latency: none beyond the
    frames themselves (0.1 s search, 0.2 s refinement).
    """

    def __init__(
        self,
        baseline: Baseline,
        speeds_rpm: tuple[float, ...],
        geometry: SpectrumGeometry,
        usable_hz: float,
        hop_s: float,
        delay_s: float = 0.0,
    ) -> None:
        self.lines = choose_lines(baseline, speeds_rpm, geometry, usable_hz)
        if not self.lines.lines:
            raise BaselineError(
                f"no learned line of the baseline can be heard at {speeds_rpm[0]:g} rpm between "
                f"{LOWEST_HZ:g} and {usable_hz:.0f} Hz; learn the baseline again at this speed, with the "
                "microphone nearer"
            )
        self._hop_s = hop_s
        self._ahead_s = 2 * hop_s + delay_s  # from the middle of the long frame to the newest sample
        self._short_hops = round(geometry.n / geometry.fs / hop_s)
        low, high = min(speeds_rpm) / 60 * SEARCH_BELOW, max(speeds_rpm) / 60 * SEARCH_ABOVE
        top_line = max([f for rpm in speeds_rpm for f in self.lines.orders * rpm / 60] + [LOWEST_HZ])
        top_line = min(top_line, geometry.n_bins * geometry.bin_hz)
        # Half a step off the highest line costs 1.8 dB of it (Hann: 6 dB at one bin, two thirds of an ENBW).
        self._step = float(np.clip(0.75 * geometry.enbw_hz / top_line, 0.001, 0.005))
        n_states = int(np.ceil(np.log(high / low) / self._step)) + 1
        self.grid_hz = low * np.exp(self._step * np.arange(n_states))
        self._grid: list[float] = self.grid_hz.tolist()
        self._evidence = LineEvidence(baseline, self.lines, speeds_rpm, self.grid_hz, geometry)
        self._short_geometry = spectrum_geometry(geometry.fs, geometry.n // 2, usable_hz)
        self._short: LineEvidence | None = None
        if self._short_hops == 4:
            self._short = LineEvidence(baseline, self.lines, speeds_rpm, self.grid_hz, self._short_geometry)
        self._filter = SpeedFilter(self.grid_hz, speeds_rpm, self._short_hops)
        # Only as short as the highest line asks for: shorter segments part neighbouring lines less well.
        drilling = float((self.lines.orders * speeds_rpm[0] / 60).max())
        pull_in = (16, 8) if drilling > 1600 else (8,) if drilling > 800 else (4,)
        # Within a main lobe of the highest line heard at a speed all candidates score alike.
        bins = self._evidence.bins
        told = np.array([is_told(baseline, line, speeds_rpm[0], geometry) for line in self.lines.lines])
        there = (bins < geometry.n_bins) & (told[:, None] | ~told.any())
        highest = np.where(there, self.lines.orders[:, None] * self.grid_hz, LOWEST_HZ)
        reach = np.ceil(4 / 3 * geometry.enbw_hz / highest.max(axis=0) / self._step) + 1
        self._plateau = np.minimum(reach, np.ceil(_WIDEST / self._step)).astype(np.intp)
        states = np.arange(n_states)[:, None]
        around = states + np.arange(-self._plateau.max(), self._plateau.max() + 1)
        self._around = np.minimum(np.maximum(around, 1), n_states - 2)
        # what lies beyond the grid is none of its ends again
        off_grid = self._around != around
        self._beyond = _RULED_OUT * ((np.abs(self._around - states) > self._plateau[:, None]) | off_grid)
        self._measuring_bins = np.ascontiguousarray(bins[self.lines.measuring].T)
        n_long = 4 * geometry.n // self._short_hops
        measuring = self.lines.orders[self.lines.measuring]
        self._refinement = Refinement(n_long, geometry.fs, measuring, pull_in)
        self._recent = np.full(2, np.nan)  # tracked speed one and two hops ago

    def feed(
        self,
        density_db: NDArray[np.float32],
        floor_db: NDArray[np.float32],
        frames: NDArray[np.float32],
        deaf: NDArray[np.bool_],
        beats: Beats | None = None,
    ) -> Speeds:
        """Track and refine.

        Parameters
        ----------
        density_db, floor_db : shape (n_hops, n_bins)
            Spectra of the short frames and the floor under their lines, dB per Hz.
        frames : shape (n_hops, n_long)
            The long frames, ending with the same hops.
        deaf : shape (n_hops,)
            Hops whose samples say nothing, because the microphone gave none.
        beats : Beats
            The beat of the cut at the same hops; see ``monitor.signal.rhythm``.
        """
        steps = spectrum_steps(density_db, floor_db)
        scores = np.ascontiguousarray(self._evidence.scores(steps).T)
        scores[deaf] = 0
        track = self._filter.feed(scores, beats)
        state, tracked_hz, in_lobe = self._localise(track, steps)
        heard = (track.running > 0.5) & ((track.confidence > 0.3) | (in_lobe > 0.5)) & ~deaf
        (spindle_hz, sd_hz, rate_hz_s), voters, trusted = self._refine(
            state, tracked_hz, floor_db, frames, heard
        )
        # Candidates within the lobe score alike, but the refinement parts them, where no noise misleads it.
        trusted &= self._strong_measure(density_db, floor_db, state)
        off = SURE_WITHIN / math.sqrt(2) * tracked_hz / np.where(trusted, sd_hz, 1.0)
        within = np.array([math.erf(one) for one in off.tolist()])
        confidence = np.maximum(track.confidence, np.where(trusted, in_lobe * within, 0.0))
        most_sure = _MOST_SURE.take(np.minimum(voters, _MOST_SURE.size - 1))
        audible, expected = self._evidence.expected(steps, state)
        # the evidence at the place found, which localising may have moved within the plateau
        found = scores.ravel().take(np.arange(state.size) * scores.shape[1] + state)
        return Speeds(
            spindle_hz,
            sd_hz,
            rate_hz_s,
            np.where(deaf, 0.0, confidence * track.running * most_sure),
            track.running,
            audible,
            found / np.maximum(expected, 1.0),
            self._evidence.line_db(density_db, state),
            state,
            track.posterior,
            scores,
        )

    def set_gain(self, gain_db: float) -> None:
        """What is heard from now on is so much louder than the baseline, lines and noise alike."""
        self._evidence.set_gain(gain_db)
        if self._short is not None:
            self._short.set_gain(gain_db)

    def between(
        self,
        speeds: Speeds,
        beats: Beats | None = None,
        frames: NDArray[np.float32] | None = None,
        colour_db: NDArray[np.float32] | None = None,
    ) -> Between:
        """What was heard at the hops of a call, to be asked about speeds between bounds.

        ``frames``: as for `feed`, of which a slow spindle's fall is asked; ``colour_db``, shape (n_hops,
        n_bins): what of the floor given to `feed` is the colour of the cut.
        """
        short = None
        if frames is not None and self._short is not None:
            # a copy: another gain is for the hops to come
            short = ShortFrames(frames, copy(self._short), self._short_geometry, colour_db)
        return Between(self._grid, speeds, beats, short)

    def _localise(
        self, track: Track, steps: Steps
    ) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
        """State and speed of each hop, placed on the plateau, and the probability of the plateau.

        The score saturates, so that no single bin decides whether the spindle is there; where exactly
        it is, the unsaturated power tells (its sum over the lines is the likelihood of a known signal).
        """
        n_hops = track.state.size
        at = self._around.take(track.state, axis=0)
        width = at.shape[1]
        hops = np.arange(n_hops)
        likely = track.posterior[hops[:, None], at].astype(np.float64)
        beyond = self._beyond.take(track.state, axis=0)
        in_lobe = np.minimum(np.add.reduce(likely, axis=1, where=beyond == 0), 1.0)
        near = np.log(np.maximum(likely, 1e-300))
        unlikely = near < np.maximum.reduce(near, axis=1, keepdims=True) - _PLATEAU_NATS
        merit = near + self._evidence.strong_power(steps, at)
        merit -= beyond
        merit -= _RULED_OUT * unlikely
        best = np.minimum(np.maximum(merit.argmax(axis=1), 1), width - 2)
        best += hops * width  # in the flattened array
        a, b, c = merit.take(best - 1), merit.take(best), merit.take(best + 1)
        bend = a - 2 * b + c
        # a neighbour that is ruled out leaves the peak where it is
        peaked = (bend < 0) & (bend > -_RULED_OUT / 2)
        peak = np.where(peaked, 0.5 * (a - c) / np.where(peaked, bend, -1.0), 0.0)
        peak = np.minimum(np.maximum(peak, -0.5), 0.5)
        state = at.take(best)
        spindle_hz: NDArray[np.float64] = self.grid_hz[state] * np.exp(peak * self._step)
        return state, spindle_hz, in_lobe

    def _strong_measure(
        self, density_db: NDArray[np.float32], floor_db: NDArray[np.float32], state: NDArray[np.intp]
    ) -> NDArray[np.bool_]:
        """Whether most of what the lines say of the speed found, their Fisher information, is that of lines
        so strong that they are no peaks of the noise, shape (n_hops,)."""
        n_hops, n_bins = floor_db.shape
        bins = self._measuring_bins.take(state, axis=0)
        at = np.minimum(bins, n_bins - 1) + (np.arange(n_hops) * n_bins)[:, None]
        over_db = density_db.ravel().take(at) - floor_db.ravel().take(at)
        told = 10 ** (over_db * 0.1) * np.square(bins * (bins < n_bins))
        strong: NDArray[np.bool_] = np.add.reduce(
            told, axis=1, where=over_db >= STRONG_DB
        ) >= 0.5 * np.add.reduce(told, axis=1)
        return strong

    def _refine(
        self,
        state: NDArray[np.intp],
        tracked_hz: NDArray[np.float64],
        floor_db: NDArray[np.float32],
        frames: NDArray[np.float32],
        heard: NDArray[np.bool_],
    ) -> tuple[NDArray[np.float64], NDArray[np.intp], NDArray[np.bool_]]:
        """Speed, deviation and rate at the newest sample, the number of lines that can be told apart, and
        whether most of them agreed.

        Shape (3, n_hops), NaN where no spindle is heard, and (n_hops,) each.
        """
        n_hops, n_bins = floor_db.shape
        seen = np.concatenate([self._recent, tracked_hz])
        self._recent = seen[-2:].copy()
        now, before, earlier = seen[2:], seen[1:-1], seen[:-2]
        # The guess is the track of the short frame that is centred where the long frame is.
        guess = now if self._short_hops == 4 else np.where(np.isnan(before), now, before)
        rate = np.where(np.isnan(earlier), 0.0, (now - earlier) / (2 * self._hop_s))
        bins = self._measuring_bins.take(state, axis=0)
        inside = bins < n_bins
        voters = np.add.reduce(inside, axis=1)
        answer = np.full((3, n_hops), np.nan)
        rows = heard.nonzero()[0]
        if not rows.size:
            return answer, voters, np.zeros(n_hops, np.bool_)
        at = np.minimum(bins, n_bins - 1) + (np.arange(n_hops) * n_bins)[:, None]
        # A line outside the spectrum or on a fixed tone gets a huge noise: no vote.
        noise = np.where(inside, 10 ** (floor_db.ravel().take(at) * 0.1), _NO_VOTE)
        plateau = self._plateau.take(state) * self._step
        need = 0.6 * voters
        if rows.size < n_hops:
            frames, guess, rate, noise = frames[rows], guess[rows], rate[rows], noise[rows]
            now, plateau, need = now[rows], plateau[rows], need[rows]
        refined = self._refinement.apply(frames, guess, rate, noise)
        trusted = np.zeros(n_hops, np.bool_)
        answer[:, rows], trusted[rows] = _at_newest(
            refined, guess, now, rate, need, self._step, plateau, self._ahead_s, self._short_hops
        )
        return answer, voters, trusted


def _at_newest(
    refined: Refined,
    guess: NDArray[np.float64],
    now: NDArray[np.float64],
    rate: NDArray[np.float64],
    need: NDArray[np.float64],
    step: float,
    plateau: NDArray[np.float64],
    ahead_s: float,
    short_hops: int,
) -> tuple[
    tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]],
    NDArray[np.bool_],
]:
    """Speed, deviation and rate at the newest sample, ``ahead_s`` after mid-frame; and where the refinement
    is trusted.

    The rate enters as far as it is significant (positive-part James-Stein): a steady spindle is not
    made noisy by it. Where fewer lines than ``need`` agree, where the refinement left the neighbourhood of
    the track, or the speed changed too fast for one linear rate in 0.2 s, the track speaks for itself,
    extrapolated from its mid-frame.
    """
    variance = refined.sd_rate**2
    keep = np.maximum(0.0, 1 - variance / np.maximum(refined.rate_hz_s**2, variance))
    slope = refined.rate_hz_s * keep
    spindle = refined.spindle_hz + slope * ahead_s
    sd = np.sqrt(refined.sd_hz**2 + keep * variance * ahead_s**2)
    # A jump of the track is no rate: what it would extrapolate to is bounded to half and twice.
    coarse = now + rate * (ahead_s * short_hops / 4)
    coarse = np.minimum(np.maximum(coarse, 0.5 * now), 2 * now)
    # The track may lie anywhere on its plateau.
    apart = np.maximum(plateau, max(4 * step, 0.012)) * guess
    trusted = (
        (np.abs(refined.spindle_hz - guess) < apart)
        & (np.abs(spindle - coarse) < 2 * apart)
        & (refined.votes > need)
    )
    answer = (
        np.where(trusted, spindle, coarse),
        np.where(trusted, sd, step * guess),
        np.where(trusted, slope, rate),
    )
    return answer, trusted
