"""Whether a spindle in a cut falls along a straight course, by all that lines and beat say along it.

Where a loud cut all but drowns the lines, no hop places the speed, and what follows it from hop to hop
(`monitor.signal.speed_track`) pays for every step that it takes: it stays behind in the noise. A bit that
binds slows the spindle for some tenths of a second, as steadily as its inertia lets it. So the evidence of
these hops is summed along each fall from the speed of the cut, straight or with the square of the time, and
held against the best of steady speeds, and of the same rises: a generalised likelihood ratio, what radar
calls track before detect.
"""

from __future__ import annotations

import functools
import math
import statistics
from collections import deque
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from monitor.hop import Hop
from monitor.signal.course_beat import EXPECTED, CourseBeat
from monitor.signal.frames import HOP_S
from monitor.spindle import BEAT_TELLS, STOPPED, Rotation
from monitor.work import Work

FALLING_NATS = 8.0
"""Of the best fall against the best steady speed, or rise: four hundred to one, log 400, of a single course.
Some eight have little evidence in common, and the best of so many is higher by chance, by log 8."""

TONE_NATS = 6.0
"""The same of one place, where a tone may have been before."""

RATES = np.geomspace(0.09, 1.0, 7)
"""Per second, of the free speed. Neighbours are half again as fast: by the time that either leads to the hold
limit they have parted by less than the lines' width at the speeds before. What is slower can be followed."""

HOPS, LEAST_HOPS = 20, 3
"""A second: as long as the slowest of these falls takes to the hold limit. And the hops along a course, at
least: two of one frame can be wrong together."""

BENDS = np.repeat([1, 2], RATES.size)
"""How each fall goes with the time since it began: straight, or with its square. Under a load that grows
steadily a spindle falls so for its first time constant, some tenths of a second, which is as long as a fast
bind takes to the limit. Both have fallen by the rate, on average, since they began: no straight line stays
within a high line's width of the other."""

BENT_HOPS = 10
"""Half a second of such a bend, at most: most motors with a chuck on them have shorter time constants, after
which they fall straight. At the end of a longer one a slower fall would pass for it, and be held too soon."""

_FALLS = BENDS.size  # so many of the ways, the first, are falls

WAYS = np.tile(RATES, 4) * np.repeat([1, -1], _FALLS)
"""Falls, and the same upwards, which no spindle in a cut does: they say what chance gives here."""

WITHIN = 0.01
"""So little over the free speed a spindle may be in a cut."""

STEP = 0.005
"""Of steady speeds: two turns of a beat of 60 Hz in a second are 3 % of it, a line's width is 1 %."""

STEADY = np.arange(-0.03, 0.12, STEP)
"""Steady speeds that it may have instead, so much under the one from which the courses begin."""

ELSEWHERE = np.concatenate([np.arange(-0.1, -0.03, 0.01), np.arange(0.12, 0.4, 0.01)])
"""Steady speeds of another sound's beat, beside those: nothing fell to there."""

DEEPEST = 0.4
"""No course is followed further down: half the speed has lines where those of the whole one are."""

SHARE = 0.7
"""Of the evidence of frames that share no sound: rooms and machines are not quite the model."""

CUT_S = 0.25
"""After so much of a cut its lines are those of the cut, and the drill has entered."""

TONE_STEPS = 2
"""Of the grid: lines of the highest order are so wide."""

BEAT_MOST = 10.0
"""Nats that the beat of the cut can say for or against a fall or rise: another sound may beat too, one window
in some thousand (`monitor.signal.rhythm.MOST_NATS`, 8), and of the best of so many courses log 8 more."""

FAINTER = 0.7
"""In nepers of power, 3 dB: a drill that binds is heard. What gets fainter so much, within two hops, is drawn
out, and a level that falls like that goes along with any course."""

STOPS, ORDINARY = (0.25, 0.45, 0.65, 0.85), 2
"""A cut may load the spindle more than before, at once, and no further: falls that end at such shares of the
hold limit, of which the first are those of good work. The beat hardly parts speeds so near in the time there
is, so that against the others a fall need only be the likelier."""

LEAST_BEATS = 5
"""Passages of a lip since a course began: fewer, of chips that break irregularly, line up by chance."""

STOPPING = np.geomspace(0.13, 1.0, 4)
"""Rates of these: how they begin matters less."""

BEAT_HOPS, KNOWN_HOPS = 10, 3
"""Of a cut, in which its beat can be told; and of them so many older than the newest `FRESH_S`, whose speeds
say where the courses begin."""

FRESH_S, CUT_WITHIN = 0.2, 0.03
"""A fall has hardly begun so long ago; and a speed so far from the load of cuts is none of before it."""

_STOPPING_BEGUN = np.arange(LEAST_HOPS, HOPS, 2)
# falls and rises, steady speeds, those elsewhere, ordinary loads; what is left are larger ones
_SIZES = (HOPS - LEAST_HOPS) * WAYS.size, STEADY.size, ELSEWHERE.size
_PARTS = np.cumsum([*_SIZES, ORDINARY * _STOPPING_BEGUN.size * STOPPING.size])

_NOW_S = 1e-9  # what has not fallen yet, but for rounding

_Beats = tuple[NDArray[np.float64], NDArray[np.float64], float]


class FallingCourse:
    """One `add` a hop; ``lag_s``: from the middle of the frames to the newest sample.

    Notes
    -----
    A log likelihood ratio is negative on average where its hypothesis is wrong (Gibbs's inequality), and of
    all speeds at most one is right. Where their mean is not, the sound is no lines in noise, but peaks
    everywhere, which favour any course: then nothing is told.
    """

    def __init__(self, lag_s: float, flutes: int = 2) -> None:
        self._lag_s, self._flutes = lag_s, flutes
        self._share = SHARE * HOP_S / lag_s if lag_s > HOP_S else SHARE  # frames overlap
        self._hops: deque[Hop] = deque(maxlen=HOPS)
        self._beat: CourseBeat | None = None
        self._beat_hold = math.nan

    def add(self, hop: Hop) -> None:
        """Take one hop."""
        self._hops.append(hop)

    def sag(self, hop: Hop, rotation: Rotation, work: Work, hold: float) -> tuple[float, float]:
        """Where the likeliest fall leads by the next hop, when the feed can stop, and its rate per second.

        Zeros where none leads beyond ``hold`` or is so much likelier than any steady speed under it
        (a fraction).
        """
        hops = [one for one in self._hops if one.t - work.cut_s > CUT_S]
        if rotation.state is STOPPED or len(hops) < LEAST_HOPS:
            return 0.0, 0.0
        free_hz = rotation.reference_hz
        start_sag = self._start_sag(hops, free_hz, work)
        # the dearest part: once, and only where a fall is possible at all
        beats = functools.cache(lambda: self._beats(hops, (1 - start_sag) * free_hz, hold))
        scores = np.stack([one.between.scores(one.n) for one in hops])
        found = self._along(hops, scores, beats, free_hz, start_sag, hold, 1)
        if not found[0] and hop.between.short:
            scores = np.stack([one.between.short_scores(one.n) for one in hops])
            found = self._along(hops, scores, beats, free_hz, start_sag, hold, 2)
        return found

    def _along(
        self,
        hops: list[Hop],
        scores: NDArray[np.float32],
        beats: Callable[[], _Beats],
        free_hz: float,
        start_sag: float,
        hold: float,
        shorter: int,
    ) -> tuple[float, float]:
        """The same by the evidence of each speed at each hop, (hop, speed), of frames so much shorter."""
        hop, n = hops[-1], len(hops)
        step_s, lag_s, of_hop = hop.step_s, self._lag_s / shorter, self._share * shorter
        begun_s = step_s * np.arange(LEAST_HOPS, n)  # how long ago each course began
        fallen_s = np.maximum(begun_s[:, None] - lag_s - step_s * np.arange(n)[::-1], 0.0)
        counts = fallen_s > _NOW_S
        now = start_sag + _fallen(begun_s[:, None] + step_s, begun_s[:, None])[:, :_FALLS, 0]
        enough = (np.add.reduce(counts, axis=1) >= LEAST_HOPS)[:, None]
        bends = (begun_s[:, None] < (BENT_HOPS + 0.5) * step_s) | (BENDS == 1)
        possible = (now > hold) & (now < DEEPEST) & enough & bends
        if not possible.any():
            return 0.0, 0.0
        low, high = hop.between.states((1 - np.array([DEEPEST, -WITHIN])) * free_hz)
        if not scores[:, low : high + 1].mean() < 0:
            return 0.0, 0.0  # see `FallingCourse`
        courses = np.minimum(start_sag + _fallen(fallen_s, begun_s[:, None]), DEEPEST)  # begun, way, hop
        at = hop.between.states((1 - courses) * free_hz)
        along = of_hop * (scores[np.arange(n), at] * counts[:, None, :]).sum(axis=2)
        # up to the hold limit, or where they begin
        sags = _steady(hold)
        slower = max(1 - (1 - hold + STEP) / (1 - start_sag), STEP / 2) > sags
        stays = hop.between.states((1 - sags[slower]) * (1 - start_sag) * free_hz)
        # no better than noise is what drowned lines give at any speed
        steady = of_hop * np.maximum(counts @ scores[:, stays], 0.0)  # begun, speed
        turning, standing, stopping = beats()
        along += np.clip(turning[: n - LEAST_HOPS], -BEAT_MOST, BEAT_MOST)
        steady += standing[slower]
        nats = along - steady.max(axis=1)[:, None]
        falls, rises = np.where(possible, nats[:, :_FALLS], -np.inf), nats[:, _FALLS:]
        best = int(falls.argmax())
        if falls.flat[best] - max(float(rises[possible].max()), 0.0) < FALLING_NATS:
            return 0.0, 0.0
        if np.where((now <= hold) & enough, nats[:, :_FALLS], 0.0).max() > falls.flat[best]:
            return 0.0, 0.0  # it falls, but not so far yet
        begun, way = divmod(best, _FALLS)
        # or it has ended there, unless the lines are surer of it than the beat of that
        by_lines = falls.flat[best] - min(max(turning[begun, way], -BEAT_MOST), BEAT_MOST)
        by_beat = np.where(possible, turning[: n - LEAST_HOPS, :_FALLS], 0.0).max()
        if 0 < by_beat < stopping - max(by_lines, 0.0):
            return 0.0, 0.0
        before, state = scores[: n - LEAST_HOPS - begun], int(at[begun, way, -1])
        there = before[:, max(state - TONE_STEPS, low) : state + TONE_STEPS + 1]
        if of_hop * float(np.add.reduce(there, axis=0).max()) >= TONE_NATS:
            return 0.0, 0.0  # a tone of another sound was there before
        return float(now.flat[best]), float(WAYS[way] * BENDS[way])

    def _start_sag(self, hops: list[Hop], free_hz: float, work: Work) -> float:
        """Sag from which courses begin: that of this cut, as it was last heard, else of the cuts before."""
        # before the load of a cut is known, from the free speed
        cut_sag = work.cut_sag if work.cut_sag == work.cut_sag else 0.0
        newest_s = hops[-1].t - FRESH_S
        known = [1 - one.spindle_hz / free_hz for one in hops if one.heard and one.t < newest_s]
        known = [one for one in known if abs(one - cut_sag) < CUT_WITHIN]
        return statistics.median(known) if len(known) >= KNOWN_HOPS else cut_sag

    def _beats(self, hops: list[Hop], start_hz: float, hold: float) -> _Beats:
        """What the beat of the cut says of falls and rises, (begun, way), of steady speeds, (speed,), and of
        the likeliest fall that has ended short of the limit, nats against the best of steady speeds.

        Nothing, zeros, where the beat is not heard, or the limit lies deeper than its steady speeds do.
        """
        nothing = np.zeros((HOPS - LEAST_HOPS, WAYS.size)), np.zeros(_steady(hold).size), -math.inf
        if hold > STEADY[-1]:
            return nothing
        levels = np.concatenate([one.levels for one in hops]).astype(np.float64)
        n, step_s = hops[-1].levels.size, hops[-1].step_s
        usual = float(np.median(levels)) - FAINTER
        if len(hops) < BEAT_HOPS or min(levels[-n:].mean(), levels[-2 * n : -n].mean()) < usual:
            return nothing
        if self._beat is None or hold != self._beat_hold:
            self._beat = CourseBeat(self._flutes, _sags(n, step_s, hold), step_s / n, DEEPEST)
            self._beat_hold = hold
        nats = self._beat.nats(levels, start_hz)
        if nats.max() < BEAT_TELLS * EXPECTED / (1 + EXPECTED):
            return nothing
        turning, standing, elsewhere, ordinary, stopping = np.split(nats, _PARTS)
        most = max(float(standing.max()), float(elsewhere.max()), float(ordinary.max()))
        turning = turning.reshape(-1, WAYS.size) - most
        passed = self._flutes * start_hz * step_s * np.arange(LEAST_HOPS, HOPS)
        turning[passed < LEAST_BEATS] = np.minimum(turning[passed < LEAST_BEATS], 0.0)
        return turning, standing - float(standing.max()), float(stopping.max()) - most


def _fallen(since_s: NDArray[np.floating], begun_s: NDArray[np.floating]) -> NDArray[np.float64]:
    """How far each way has led, (begun, way, time), so long after it began, (begun, time), if that is so long
    ago, (begun, 1)."""
    straight = since_s[:, None, :]
    bent = straight * straight / begun_s[:, None, :]
    led: NDArray[np.float64] = WAYS[:, None] * np.where(np.tile(BENDS, 2)[:, None] == 1, straight, bent)
    return led


def _steady(hold: float) -> NDArray[np.float64]:
    """Steady speeds up to a hold limit: sags under the speed from which the courses begin."""
    return STEADY if hold <= STEADY[-1] else np.arange(STEADY[0], hold, STEP)


def _sags(n_fine: int, step_s: float, hold: float) -> NDArray[np.float64]:
    """Courses by the pieces of `HOPS` hops, one after the other as `_PARTS` divides them."""
    n = HOPS * n_fine
    before_s = step_s / n_fine * (np.arange(n)[::-1] + 0.5)
    begun_s = step_s * np.arange(LEAST_HOPS, HOPS)[:, None]

    def falls(begun: NDArray[np.intp], ways: NDArray[np.float64], deepest: float) -> NDArray[np.float64]:
        fallen_s = np.maximum(step_s * begun[:, None] - before_s, 0.0)
        return np.minimum(ways[:, None] * fallen_s[:, None, :], deepest).reshape(-1, n)

    steady = np.concatenate([STEADY, ELSEWHERE])
    return np.concatenate(
        [
            np.minimum(_fallen(np.maximum(begun_s - before_s, 0.0), begun_s), DEEPEST).reshape(-1, n),
            np.repeat(steady[:, None], n, axis=1),
            *(falls(_STOPPING_BEGUN, STOPPING, share * hold) for share in STOPS),
        ]
    )
