"""Tones that are not of the cut: what was heard between cuts, came and went in one, ran up or stepped to
another pitch. A line beside or after such tones may be of the same source, and no `chatter`."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from monitor.faults.chatter_growth import PAST_HOPS
from monitor.faults.chatter_line import DRIFT, Line, is_multiple, near
from monitor.faults.chatter_pitch import Bins
from monitor.faults.chatter_usual import Usual
from monitor.hop import Hop
from monitor.signal.tones import NOISE_SHOWS

BACKGROUND_S, LATELY_S = 10.0, 4.0
"""For so long after two unrelated tones were heard that are not of the cut, a line is doubtful: it is told
only once it has ended with a cut and is back in the next. One alone, and its multiples, may be the axis
drive's, until good pecks have shown that; then it is enough for a shorter while, unless it came and went in
the cut and is a multiple of the line, or no farther from it than the lips pass, which may have chattered
before."""

PASSING_DB, PASSING_S = 7.0, 0.25
"""A line that came and went within a cut, this strong and for so long, is a tone of something else."""

GLIDE_S, GLIDE_SHARE, GLIDE_DB, GLIDE_LEAST_DB = 0.3, 0.2, 3.0, 5.0
"""Nor does a line that comes from elsewhere: so long before another, that strong, stood within this share
of its frequency: a siren, another machine running up, the next note of a melody."""

GLIDE_LATELY_S = 0.6
"""Or a line was followed so lately up to there, or a sudden one of which this is a multiple."""


class Elsewhere:
    """What was heard of other sources, ``usual`` being what the machine does; and the line followed last."""

    def __init__(self, bins: Bins, usual: Usual, hop_s: float) -> None:
        self._bins, self._usual = bins, usual
        self._glide_hops = round(GLIDE_S / hop_s)
        self.background_s = -math.inf
        self._tones: list[tuple[float, float, bool]] = []
        self._left_hz, self._left_s, self._left_sudden, self._left_own = math.nan, -math.inf, False, False
        self._departures = list(np.zeros((PAST_HOPS, bins.n_bins), np.float32))

    def keep(self, hops: int, over: NDArray[np.float32]) -> NDArray[np.float32]:
        """Keep a hop's departure, for the oldest one, which may be written over."""
        oldest = hops % PAST_HOPS
        spare, self._departures[oldest] = self._departures[oldest], over
        return spare

    def lately(self, hops: int, count: int) -> list[NDArray[np.float32]]:
        """The departures of the newest ``count`` hops kept, the oldest first; ``hops`` is the present one."""
        return [self._departures[(hops - ago) % PAST_HOPS] for ago in range(count, 0, -1)]

    def note_tone(self, hop: Hop, line: Line) -> None:
        """Keep a tone that was not of the cut; two that are unrelated are music, voices, another machine."""
        self._tones = [(t, hz, cut) for t, hz, cut in self._tones if hop.t - t < BACKGROUND_S]
        own = self._usual.cutting and not line.came_otherwise  # it may have chattered
        for _, hz, cut in self._tones:
            if not (is_multiple(line.hz, hz) or (own and cut and self._usual.same(line.hz, hz))):
                self.background_s = hop.t
        self._tones.append((hop.t, line.hz, own))

    def leave(self, hop: Hop, line: Line) -> None:
        """Follow a line no more. One that came and went within a cut was a tone of something else."""
        if self._usual.cutting and hop.t - line.followed_s >= PASSING_S and line.best_db >= PASSING_DB:
            self.note_tone(hop, line)
        forgotten = hop.t - self._left_s >= GLIDE_LATELY_S
        elsewhere = line.came_otherwise
        if line.best_db >= GLIDE_LEAST_DB and (elsewhere or forgotten or not self._left_sudden):
            self._left_hz, self._left_s, self._left_sudden = line.hz, hop.t, elsewhere
            self._left_own = line.inside and not elsewhere

    def begin(self, hop: Hop, line: Line) -> None:
        """Note on a line that begins which one was left just before."""
        lately = hop.t - self._left_s < GLIDE_LATELY_S
        if lately and not (self._left_own and self._usual.same(line.hz, self._left_hz)):
            line.follows_hz, line.follows_sudden = self._left_hz, self._left_sudden

    def is_from(self, line: Line, bins: slice, hops: int) -> bool:
        """Whether a line in these bins came from another frequency."""
        if line.follows_hz == line.follows_hz:
            moved = abs(line.follows_hz - line.hz) / line.hz
            related = line.follows_sudden and is_multiple(line.hz, line.follows_hz)
            if related or DRIFT < moved < GLIDE_SHARE:
                return True
        ago = min(line.n + self._glide_hops, PAST_HOPS)  # the oldest kept, of a line heard for longer
        before = self._departures[(hops - ago) % PAST_HOPS]
        lobe, bin_hz = self._bins.lobe, self._bins.bin_hz
        gap = max(lobe, math.ceil(self._usual.passing_hz / bin_hz)) if line.inside else lobe
        here = float(before[max(0, bins.start - gap) : bins.stop + gap].max())
        first, last = (round(line.hz * (1 + sign * GLIDE_SHARE) / bin_hz) for sign in (-1, 1))
        below, above = before[first : max(first, bins.start - gap)], before[bins.stop + gap : last]
        beside = max(float(below.max(initial=0.0)), float(above.max(initial=0.0)))
        beside_db = 10 * math.log10(max(beside / NOISE_SHOWS, 1.0))
        return beside > here and beside_db > max(line.db - GLIDE_DB, GLIDE_LEAST_DB)

    def company(self, hop: Hop, line: Line) -> bool:
        """Whether music, voices or another machine were heard lately, or a tone that is new here, and not of
        the cut, shortly before the line or since."""
        for_s = LATELY_S if line.is_own else BACKGROUND_S
        return hop.t - self.background_s < for_s or (
            self._usual.knows_good
            and any(
                line.start_s - t < LATELY_S
                and not (cut and (is_multiple(line.hz, hz) or self._usual.same(line.hz, hz)))
                for t, hz, cut in self._tones
            )
        )

    def heard(self, hop: Hop, line: Line) -> bool:
        """Whether the line was heard between cuts lately."""
        return any(hop.t - t < BACKGROUND_S and near(line.hz, hz) and not cut for t, hz, cut in self._tones)
