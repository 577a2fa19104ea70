"""A row a peck, once its blank is over: dated by all that was heard of it, with where its load climbed."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from itertools import accumulate, chain, pairwise
from typing import NamedTuple

import numpy as np

from monitor.alignment import OFF_S
from monitor.dating import Span
from monitor.faults.episode import RANK
from monitor.job import Job
from monitor.measurements import Event, PeckRow
from monitor.pecks.cut import ANSWER_S, Cut, mean
from monitor.pecks.heard import (
    FITS_NATS,
    HeardBlank,
    HeardHop,
    UntoldPeck,
    is_covered,
    laid_over,
    mean_peck_s,
    program_s,
)
from monitor.planning.flutes import flute_fill
from monitor.schedule import POINT_DIAMETERS, Schedule
from monitor.signal.frames import HOP_S

LAID_BACK_S = 0.25
"""An edge that was heard so near to where the program has it is taken as heard."""


class Dated(NamedTuple):
    """The pecks of each blank in what was taken for one; none where that is best told as it was heard.

    ``sure``: the program surely explains it; ``explains_all``: and each peck that was heard.
    """

    blanks: list[list[Span]]
    sure: bool = False
    explains_all: bool = False


def dated(blank: HeardBlank) -> Dated:
    """When the pecks of each blank in what was taken for one began and ended.

    One that was held is dated only where the program surely explains it: then it was drilled to its end, by a
    person who judged the hold a false one, or where nobody heeds it.
    """
    untold = blank.untold
    if not untold:
        return Dated([])
    sound, program, heard = laid_over(blank)
    program = sound.with_gaps(program)
    as_heard = sound.as_heard(heard, mean_peck_s(program))
    most, best = as_heard, []
    long_s = untold[-1].end_s - untold[0].start_s
    for count in range(1, 1 + max(1, min(3, round(long_s / program_s(program))))):
        nats, laid = sound.lay(program, count)
        if laid and nats > most:
            most, best = nats, laid
    blanks = [[_as_heard(span, heard) for span in spans] for spans in best]
    pecks = sum([len(spans) for spans in blanks])
    gaps = [Span(one.end_s, other.start_s) for spans in best for one, other in pairwise(spans)]
    sure = most - as_heard >= FITS_NATS * max(pecks - 1, 1) and all(map(sound.tells_gap, gaps))
    if blank.faulty and not sure:
        return Dated([])
    return Dated(blanks, sure, sure and all(is_covered(one, list(chain(*blanks))) for one in heard))


def _as_heard(span: Span, heard: Sequence[Span]) -> Span:
    """The edges of a peck as they were heard, where they were heard about there."""
    start_s, end_s = (
        min(
            (edge for edge in edges if abs(edge - at_s) <= LAID_BACK_S),
            key=lambda edge: abs(edge - at_s),
            default=at_s,
        )
        for at_s, edges in (
            (span.start_s, [one.start_s for one in heard]),
            (span.end_s, [one.end_s for one in heard]),
        )
    )
    return Span(start_s, end_s)


def rows_of(
    blank: HeardBlank, by_program: Dated, job: Job, bulking: float, number: int
) -> list[list[PeckRow]]:
    """The rows of each blank, the first of that number: dated by the program, or as the pecks were heard."""
    if not by_program.blanks:
        as_heard = numbered(blank.schedule, blank.untold)
        return [[_row(job, bulking, number, one.number, one.cut, one.end_s, one.to_mm) for one in as_heard]]
    course = list(blank.course)
    times = [one.s for one in course]
    blanks: list[list[PeckRow]] = []
    for of_blank, spans in enumerate(by_program.blanks, number):
        rows: list[PeckRow] = []
        depth_mm = 0.0
        for k, span in enumerate(spans):
            within = course[bisect_right(times, span.start_s) : bisect_right(times, span.end_s)]
            cut = _dated_cut(span, depth_mm, within, blank.noted, job.feed_mm_per_rev)
            depth_mm += blank.schedule.planned_mm(k)
            rows.append(_row(job, bulking, of_blank, k + 1, cut, span.end_s, depth_mm))
        blanks.append(rows)
    return blanks


def numbered(schedule: Schedule, heard: Sequence[UntoldPeck]) -> list[UntoldPeck]:
    """Pecks as they were heard, each under the number, and at the depth, that it has in the program.

    Where one or more were missed, and the others fit the program in one way only: each began and ended when
    one of its pecks does.
    """
    as_told = list(heard)
    told = list(range(1, len(heard) + 1))
    if len(heard) < 2 or len(heard) >= schedule.count or [one.number for one in heard] != told:
        return as_told
    edges = list(zip(schedule.contacts_s, schedule.retracts_s, strict=True))
    fits = {tuple(_numbers(edges, heard, heard[0].cut.start_s - into_s)) for into_s, _ in edges} - {()}
    if len(fits) != 1 or list(*fits) == told:
        return as_told
    for one, number in zip(heard, *fits, strict=True):
        one.cut.from_mm = sum([schedule.planned_mm(k) for k in range(number - 1)])
    return [
        one._replace(number=number, to_mm=one.cut.from_mm + schedule.planned_mm(number - 1))
        for one, number in zip(heard, *fits, strict=True)
    ]


def _numbers(edges: Sequence[tuple[float, float]], heard: Sequence[UntoldPeck], zero_s: float) -> list[int]:
    """Number of each peck heard, if the program made its first contact then; empty where one fits none."""
    numbers: list[int] = []
    for one in heard:
        start_s, end_s = one.cut.start_s - zero_s, one.end_s - zero_s
        off_s = [sorted((abs(start_s - into_s), abs(end_s - out_s))) for into_s, out_s in edges]
        # an axis that is heard may hide one of the two
        fit = [k for k, (one_s, other_s) in enumerate(off_s, 1) if one_s <= OFF_S and other_s <= 2 * OFF_S]
        if not fit:
            return []
        numbers.append(fit[0])
    return numbers if all(a < b for a, b in pairwise(numbers)) else []


def _dated_cut(
    span: Span, from_mm: float, within: Sequence[HeardHop], noted: Sequence[Event], feed_mm: float
) -> Cut:
    cut = Cut(span.start_s, False, from_mm, levels=[one.over_db for one in within])
    turns = accumulate(one.hz * HOP_S for one in within)
    loaded = [
        (one.sag_pct, so_far) for one, so_far in zip(within, turns, strict=True) if one.sag_pct == one.sag_pct
    ]
    cut.sags = [sag_pct for sag_pct, _ in loaded]
    cut.depths = [so_far * feed_mm for _, so_far in loaded]
    for event in noted:
        if span.start_s < event.t <= span.end_s:
            keep_worst(cut, event)
    return cut


def keep_worst(cut: Cut, event: Event) -> None:
    """Remember the worst warning or hold of a cut for its row."""
    rank = RANK[event.severity]
    if rank > cut.worst_rank:
        cut.worst, cut.worst_rank = event.kind.value, rank


def _row(job: Job, bulking: float, blank: int, peck: int, cut: Cut, end_s: float, to_mm: float) -> PeckRow:
    """The row of a peck."""
    removed = to_mm - cut.from_mm
    return PeckRow(
        blank=blank,
        peck=peck,
        start_s=cut.start_s,
        end_s=end_s,
        depth_from_mm=cut.from_mm,
        depth_to_mm=to_mm,
        mean_sag_pct=mean(cut.sags),
        max_sag_pct=max(cut.sags) if cut.sags else math.nan,
        climb_depth_mm=_climb(cut, POINT_DIAMETERS * job.drill_diameter_mm),
        mean_cut_level_db=mean(cut.levels),
        flute_fill=flute_fill(removed, to_mm, job.flute_length_mm, bulking),
        worst_event=cut.worst,
    )


def _climb(cut: Cut, point_mm: float) -> float:
    """Climb depth once the drill point is fully in and the motor has answered to the load."""
    depths, sags = np.array(cut.depths), np.array(cut.sags)
    entered = point_mm if cut.from_mm == 0 else 0.0
    rate = depths[-1] / (depths.size * HOP_S) if depths.size else 0.0
    settled = depths > entered + ANSWER_S * rate
    return climb_depth(depths[settled], sags[settled])


def climb_depth(depth_mm: np.ndarray, load: np.ndarray) -> float:
    """Depth within a peck at which the load began to climb; NaN if it did not.

    Least-squares hinge (level, then a straight rise), its corner tried at every sample but the first
    and last few. It counts as a climb where the hinge explains more than a level line by the
    Bayesian information criterion for its two more parameters (Schwarz 1978, from memory), neighbouring
    samples sharing three quarters of their sound, and rises.

    Parameters
    ----------
    depth_mm, load : shape (n,)
        Depth within the peck, mm, and load (sag or level, any unit) at each hop.

    Returns
    -------
    float, mm
    """
    n = depth_mm.size
    least = 4  # samples on either side of the corner
    if n < 3 * least or not np.all(np.isfinite(load)):
        return math.nan
    height = load - load.mean()
    flat = float(np.square(height).sum())
    corners = depth_mm[least : n - least]
    # of the ramps max(depth - corner, 0), every sum from those over the samples beyond the corner
    beyond = np.arange(n, 0, -1)[least : n - least]
    parts = np.stack([depth_mm, depth_mm**2, height, depth_mm * height])
    depths, squares, heights, moments = parts[:, ::-1].cumsum(axis=1)[:, ::-1][:, least : n - least]
    total = depths - beyond * corners
    energy = squares - 2 * corners * depths + beyond * corners**2 - total**2 / n
    slopes = (moments - corners * heights) / np.maximum(energy, 1e-12)
    left = flat - slopes**2 * energy
    best = int(np.argmin(left))
    independent = n / 4
    gain = independent * math.log(max(flat, 1e-12) / max(float(left[best]), 1e-12))
    if slopes[best] <= 0 or gain <= 2 * math.log(independent):
        return math.nan
    return float(corners[best])
