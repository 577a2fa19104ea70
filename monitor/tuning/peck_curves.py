"""Load against time in each peck, cut out of the measured curves and laid side by side."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from monitor.measurements import Event, Kind, PeckRow

Curve = NDArray[np.float64]

SURE = 0.5
"""Confidence of the speed below which a row of the trace is left out."""

LONGEST = 160
"""Samples of the longest peck; longer ones are averaged to a coarser step."""

SHORTEST_S = 0.6
"""A shorter peck has no load to speak of once the motor has answered."""

UNHEARD = frozenset({Kind.MIC_FAULT, Kind.MASKED, Kind.LOST_CUT})
"""Holds before which the load was not that of drilling, or not heard."""

BEFORE_HOLD_S = 0.3
"""A bind or a melt is under way so long before it is told."""

OUTLIER_SDS = 3.5
"""Robust deviations from the median of five neighbours, beyond which a sample is pulled back."""


class Cut(NamedTuple):
    """One peck as the evidence tells it; ``until_s`` is where its load ceases to be that of good work."""

    blank: int
    peck: int
    start_s: float
    end_s: float
    from_mm: float
    to_mm: float
    until_s: float


def good_cuts(pecks: Iterable[PeckRow], holds: Iterable[Event]) -> list[Cut]:
    """The pecks whose load is that of drilling: none after a hold in its blank, and until it where it came.

    A hold ends a blank for this purpose: nothing tells what was done at the machine before the feed went on.
    A monitor that was deaf, or a cut that was lost, says nothing of the load before either.
    """
    first: dict[int, tuple[float, bool]] = {}
    for hold in holds:
        if hold.blank not in first:
            first[hold.blank] = (hold.t, hold.kind in UNHEARD)
    cuts = []
    for row in pecks:
        stop, unheard = first.get(row.blank, (math.inf, False))
        within = row.start_s < stop <= row.end_s + 1.0
        if (
            row.start_s >= stop
            or (unheard and within)
            or not all(map(math.isfinite, (row.start_s, row.end_s)))
        ):
            continue
        until = min(row.end_s, stop - BEFORE_HOLD_S)
        cuts.append(
            Cut(row.blank, row.peck, row.start_s, row.end_s, row.depth_from_mm, row.depth_to_mm, until)
        )
    return cuts


@dataclass(frozen=True)
class PeckCurves:
    """Pecks of one batch side by side.

    Attributes
    ----------
    blank, peck : shape (n,)
        Numbers from 1.
    from_mm, mm_s : shape (n,)
        Depth of the hole at contact, and the rate at which the drill went deeper.
    length : shape (n,)
        Samples that belong to each peck.
    load : shape (n, m)
        Load (sag in percent, or sound in dB) at ``(k + 1/2) step_s`` after contact; zero beyond ``length``.
    step_s : float
    """

    blank: NDArray[np.int64]
    peck: NDArray[np.int64]
    from_mm: Curve
    mm_s: Curve
    length: NDArray[np.int64]
    load: Curve
    step_s: float

    @property
    def n(self) -> int:
        """Number of pecks."""
        return int(self.blank.size)

    @property
    def times(self) -> Curve:
        """Seconds after contact of each sample, shape (m,)."""
        return np.asarray((np.arange(self.load.shape[1]) + 0.5) * self.step_s, dtype=np.float64)

    @property
    def inside(self) -> NDArray[np.bool_]:
        """Which samples belong to their peck, shape (n, m)."""
        inside: NDArray[np.bool_] = np.arange(self.load.shape[1]) < self.length[:, None]
        return inside

    def chosen(self, which: NDArray[np.bool_] | NDArray[np.int64]) -> PeckCurves:
        """Some of the pecks."""
        picked = {name: getattr(self, name)[which] for name in ("blank", "peck", "from_mm", "mm_s", "length")}
        return replace(self, load=self.load[which], **picked)


def step_for(cuts: Sequence[Cut], rows_s: float) -> float:
    """Step of the curves: that of the trace, or as many of it as bring the longest peck to LONGEST
    samples."""
    longest = max((cut.until_s - cut.start_s for cut in cuts), default=0.0)
    return rows_s * max(1.0, math.ceil(longest / rows_s / LONGEST))


def peck_curves(
    pieces: Iterable[tuple[Sequence[Cut], Curve, Curve, Curve]], step_s: float, samples: int = LONGEST
) -> PeckCurves:
    """Cut the load of each peck out of the trace.

    Parameters
    ----------
    pieces : iterable of (cuts, t, load, confidence)
        A stretch of trace at a time, such as a blank: its pecks and the rows that hold them, each shape (k,);
        load NaN where not known. Only one piece is in memory at a time.
    step_s : float
        Step of the curves, at least that of the rows.
    samples : int
        Length of the longest curve.

    Returns
    -------
    PeckCurves
        Without the pecks of which less than SHORTEST_S, or less than 70 % of it, was heard.

    Notes
    -----
    Within a step the mean of its rows is taken: once-per-revolution modulation averages out. A sample far
    from the median of its neighbours is pulled back to OUTLIER_SDS (Hampel's filter).
    """
    kept: list[Cut] = []
    rows: list[Curve] = []
    lengths: list[int] = []
    for cuts, t, load, confidence in pieces:
        good = np.isfinite(load) & (confidence >= SURE)
        t, load = t[good], load[good]
        for cut in cuts:
            n = min(int((min(cut.until_s, cut.end_s) - cut.start_s) / step_s), samples)
            if n * step_s < SHORTEST_S or not cut.to_mm > cut.from_mm:
                continue
            a, b = np.searchsorted(t, (cut.start_s, cut.start_s + n * step_s), side="right")
            # Contact and rows come in the same hops, so that rows lie on the edges of the steps: without the
            # thousandth, floating point would put two of them into one step and leave the next one empty.
            bins = np.minimum(((t[a:b] - cut.start_s) / step_s + 1e-3).astype(int), n - 1)
            count = np.bincount(bins, minlength=n)
            if np.count_nonzero(count) < 0.7 * n:
                continue
            known = np.flatnonzero(count)
            mean = np.bincount(bins, load[a:b], minlength=n)[known] / count[known]
            row = np.zeros(samples)
            row[:n] = without_outliers(np.interp(np.arange(n), known, mean))
            kept.append(cut)
            rows.append(row)
            lengths.append(n)
    longest = max(lengths, default=0)
    return PeckCurves(
        blank=np.array([cut.blank for cut in kept], dtype=np.int64),
        peck=np.array([cut.peck for cut in kept], dtype=np.int64),
        from_mm=np.array([cut.from_mm for cut in kept], dtype=float),
        mm_s=np.array([(cut.to_mm - cut.from_mm) / (cut.end_s - cut.start_s) for cut in kept], dtype=float),
        length=np.array(lengths, dtype=np.int64),
        load=np.array(rows, dtype=float).reshape(len(rows), samples)[:, :longest],
        step_s=step_s,
    )


def without_outliers(x: Curve) -> Curve:
    """Pull samples far from the running median of five back to it.

    Hampel's filter (from memory), clipping instead of replacing; five samples leave a rise of two in a row as
    it is.
    """
    middle = median_filter(x, size=5, mode="mirror")
    off = x - middle
    spread = OUTLIER_SDS * 1.4826 * max(float(np.median(np.abs(off))), 1e-9)
    middle[:2], middle[-2:] = x[:2], x[-2:]  # the start of a cut is a step, and no outlier
    return np.asarray(middle + np.clip(x - middle, -spread, spread))
