"""How a line came and how it grows, from single spectra: `chatter` feeds itself and grows exponentially, what
is switched on has its level at once."""

from __future__ import annotations

import math
import operator
import statistics
from collections.abc import Iterable, Sequence

from monitor.signal.tones import Tones

Level = tuple[float, float]
"""Of a line in a single spectrum: its power, in dB, and that over the noise."""

PAST_HOPS = 16
"""Kept to see how a line came: 0.8 s."""

STEP_DB, STEP_HOPS, STEP_ON_DB, STEP_ON_SHARE, STEP_NOISE_DB, STEP_NEAR_DB = 10.0, 2, 6.0, 1 / 3, 8.0, 3.0
"""A line whose level in single spectra rises by so much within so many hops (0.1 s, a frame), out of no more
than noise, and by less than this afterwards, or this share of it, was switched on or struck (what rings in
the room adds to it yet): chatter that grows by 80 dB a second, which is fast, rises by 8 and goes on. It is
doubtful, also where it begins with a contact: grown chatter may, for the wave that it left is there, but not
the first time. Noise shows the fifth in the strongest of the bins in which the line may be, give or take the
last: a line that was there before comes out of a null."""

FAST_DB = 14.0
"""A line that rises by so much within that time and does not fall back was switched on, blown or sung,
however far it rises yet: noise adds 5 dB at most to the 8 of fast chatter, and no chatter is so fast; the
tongue of one who whistles, and the room, take two or three tenths of a second."""

STRAIGHT_HOPS, STRAIGHT_DB, STRAIGHT, STRAIGHT_LEAST_DB = 8, 5.0, 10.0, 0.3
"""What feeds itself grows exponentially: its level in dB is straight in time. A line that has risen over so
many hops (0.4 s) by so much at least, and by ten times its deviation from a straight line, has grown like
that (noise alone leaves a deviation of 1 dB at 15 dB over it, and the least keeps a quiet room from proving
much). A note that begins, and the room that answers it, rise by four to seven times that: half a step, half
none. So a straight rise needs no other proof, though a voice or tune was heard before, or it is of mains. But
it was weaker before that rise: the scatter of a steady hum in noise falls by chance on a straight rise out of
a dip, once in so many looks, and the hops before the dip show it."""

YOUNG_HOPS, YOUNG_APART, YOUNG_DB = 4, 8, 4.0
"""Growth that noise makes uneven: the median of so many single spectra rises by so much within 0.4 s, all of
it since the line is followed and stands over the noise: by 10 dB a second; noise leaves 2 unsure. A note of a
tune, a telephone have their level within a frame or two, and stay there; averages hide that for as long as
they are, and the median leaves out the frame in which it began."""

GROWS, GROWS_BEND = ((15, 6.0), (28, 4.0)), 0.2
"""Slow growth shows over more time: a line grows that has risen by so many dB from the first to the last
third of so many hops (0.75 and 1.4 s: by 12 and by 4 dB a second), and is in the middle third no higher over
the middle of both than this share of the rise. What comes at once stands half of its rise higher there, a
level in proportion to the time, of another machine that comes to speed within that time, a quarter. (Of a
line 13 dB over the noise thirds of five spectra leave a deviation of 1 dB there: a sixth of the smallest
rise.) Louder machines that fade in, and slower ones, grow as chatter does."""


def in_db(power: float) -> float:
    """In dB, -30 at least. What runs at every hop asks `if`: `max` takes ten times as long."""
    return 10 * math.log10(power if power > 1e-3 else 1e-3)


def is_straight(levels: Sequence[Level], past: Sequence[Tones], bins: slice) -> bool:
    """Whether the newest levels of a line rise like those of what grows exponentially.

    ``past`` and ``bins``: the spectra up to that before the newest, and where the line stands in them.
    """
    if len(levels) < STRAIGHT_HOPS:
        return False
    begins = _begins(levels[-STRAIGHT_HOPS:])
    if begins is None:
        return False
    before = list(past)[: len(past) + 1 - STRAIGHT_HOPS]
    return _out_of_less(begins, _levels(before[-STRAIGHT_HOPS:], bins))


def grew_straight(past: Iterable[Tones], bins: slice) -> bool:
    """Whether the line in these bins grew exponentially before it was followed."""
    past = list(past)
    shown = _levels(past, bins)
    levels = list(zip(_powers(past, bins), shown, strict=True))
    for k in range(len(past) - STRAIGHT_HOPS + 1):
        begins = _begins(levels[k : k + STRAIGHT_HOPS])
        if begins is not None and _out_of_less(begins, shown[max(k - STRAIGHT_HOPS, 0) : k]):
            return True
    return False


def _begins(levels: Sequence[Level]) -> float | None:
    """Where a straight rise begins, in dB over the noise; None where it is none."""
    n = len(levels)
    powers, shown = [db for db, _ in levels], [db for _, db in levels]
    if sorted(shown)[n // 4] < STEP_NOISE_DB:
        return None
    middle = (n - 1) / 2
    spread = n * (n * n - 1) / 12
    times = [(n - 1) * (k - middle) / spread for k in range(n)]
    rise: float = sum(map(operator.mul, times, powers))
    over: float = sum(map(operator.mul, times, shown))
    mean = math.fsum(powers) / n
    off = [db - mean - rise * (k - middle) / (n - 1) for k, db in enumerate(powers)]
    deviation = math.sqrt(sum(x * x for x in off) / (n - 2))
    straight = min(rise, over) >= max(STRAIGHT_DB, STRAIGHT * max(deviation, STRAIGHT_LEAST_DB))
    return math.fsum(shown) / n - over / 2 if straight else None


def _out_of_less(begins: float, before: Sequence[float]) -> bool:
    """Whether a line was no stronger before its rise begins, as far as it is known, or noise shows it."""
    return len(before) < STRAIGHT_HOPS // 2 or statistics.median(before) <= max(begins, STEP_NOISE_DB)


def rises_lately(levels: Sequence[Level]) -> bool:
    """Whether the medians of a line's levels rise within `YOUNG_HOPS` and `YOUNG_APART`, out of what stood
    over the noise."""
    first, newest = levels[:YOUNG_HOPS], levels[-YOUNG_HOPS:]
    power, shown = (statistics.median(levels) for levels in zip(*first, strict=True))
    return shown >= STEP_NOISE_DB and all(
        statistics.median(levels) - was >= YOUNG_DB
        for levels, was in zip(zip(*newest, strict=True), (power, shown), strict=True)
    )


def rises_steadily(powers: Sequence[float], at_least_db: float) -> bool:
    """Whether a level in dB rises by so much from its first third to its last, and not in the first half."""
    third = len(powers) // 3
    first, middle, last = (statistics.fmean(powers[k * third : (k + 1) * third]) for k in range(3))
    rise = last - first
    return rise >= at_least_db and middle - (first + last) / 2 <= GROWS_BEND * rise


def came_in_a_step(spectra: Iterable[Tones], bins: slice) -> bool:
    """Whether the line in these bins had its level within a frame, and then stayed there."""
    levels = _levels(spectra, bins)
    stood = levels[STEP_HOPS:-STEP_HOPS]
    rise, at = max(
        (b - max(a, STEP_NOISE_DB), k) for k, (a, b) in enumerate(zip(levels, stood, strict=False))
    )
    nothing = statistics.median(levels[: at + 1]) < STEP_NOISE_DB + STEP_NEAR_DB
    since = sorted(levels[at + STEP_HOPS + 1 :])
    stays = statistics.fmean(since[-3:]) - stood[at] < max(STEP_ON_DB, STEP_ON_SHARE * rise)
    fast = rise >= FAST_DB and since[len(since) // 4] > stood[at] - STEP_ON_DB
    return nothing and (fast or (stays and rise >= STEP_DB))


def _powers(spectra: Iterable[Tones], bins: slice) -> list[float]:
    """Of the strongest of these bins in each newest spectrum, in dB."""
    return [10 * math.log10(max(float(one.newest[bins].max()), 1e-20)) for one in spectra]


def _levels(spectra: Iterable[Tones], bins: slice) -> list[float]:
    """Of the strongest of these bins in each newest spectrum, in dB over the floor."""
    return [in_db(float((one.newest[bins] * one.per_floor[bins]).max())) for one in spectra]
