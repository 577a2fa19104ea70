"""How a line came and how it grows, from single spectra: `chatter` feeds itself and grows exponentially, what
is switched on has its level at once."""

from __future__ import annotations

import math
import operator
import statistics
from collections.abc import Iterable, Sequence

from monitor.signal.tones import Tones

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
none. So a straight rise needs no other proof, though a voice or tune was heard before, or it is of mains."""

STRAIGHT_LONGER = {12: 9.0, 16: 8.0}
"""Or over so many hops, where slow growth is lost in noise in 0.4 s; and by so many times the deviation. A
step is sharper against a longer time: in rooms of 0.2 to 1.4 s at 14 to 34 dB over the noise it rises by more
than that in one case of 500, and over 0.4 s by ten deviations in one of 40 (simulated). Its level at least
rises by the root of the time more, as what only wanders does."""

GROWS_HOPS, GROWS_DB = 30, 3.0
"""A line that was there a second before, as strong but for this, does not grow."""

GROWS_EVERY = 4
"""Hops between two looks whether a line that is followed rose lately: what has grown has, though other signs
come to agree only later."""

YOUNG_HOPS, YOUNG_APART, YOUNG_DB, BOUNDED_DB = 4, 8, 2.5, 4.0
"""Nor does a younger one, unless the median of so many single spectra has risen by the third within the
second (0.4 s, in which chatter that grows by 8 dB a second, which is slow, rises by 3; noise leaves 2
unsure), or had lately, by the fourth, out of a line that already stood over the noise: it may be bounded by
now. A note of a tune, a telephone, a motor that is switched on have their level within a frame or two, and
stay there; averages hide that for as long as they are, and the median leaves out the frame in which it began.
One that ended with a cut and is back has grown before. The price: chatter that grows by 60 dB a second and
more to a bound that is hardly over what tells is told in the next peck."""


_STRAIGHT_OVER = {STRAIGHT_HOPS: STRAIGHT, **STRAIGHT_LONGER}


def in_db(power: float) -> float:
    """In dB, -30 at least. What runs at every hop asks `if`: `max` takes ten times as long."""
    return 10 * math.log10(power if power > 1e-3 else 1e-3)


def straight_hops(levels: Sequence[tuple[float, float]], least: int = STRAIGHT_HOPS) -> int:
    """Hops, ``least`` or more, over which the newest levels, in dB and in dB over the noise, rise like those
    of what grows exponentially; 0 if they do not."""
    return max((n for n in _STRAIGHT_OVER if n >= least and is_straight(levels[-n:], n)), default=0)


def is_straight(levels: Sequence[tuple[float, float]], n: int = STRAIGHT_HOPS) -> bool:
    """Whether so many levels rise straight; see `straight_hops`."""
    powers, shown = [db for db, _ in levels], [db for _, db in levels]
    if len(levels) < n or sorted(shown)[n // 4] < STEP_NOISE_DB:
        return False
    middle = (n - 1) / 2
    spread = n * (n * n - 1) / 12
    times = [(n - 1) * (k - middle) / spread for k in range(n)]
    rise: float = sum(map(operator.mul, times, powers))
    over: float = sum(map(operator.mul, times, shown))
    least = STRAIGHT_DB * math.sqrt((n - 1) / (STRAIGHT_HOPS - 1))
    if min(rise, over) < least:
        return False
    mean = math.fsum(powers) / n
    off = [db - mean - rise * (k - middle) / (n - 1) for k, db in enumerate(powers)]
    deviation = math.sqrt(sum(x * x for x in off) / (n - 2))
    return min(rise, over) >= _STRAIGHT_OVER[n] * max(deviation, STRAIGHT_LEAST_DB)


def grew_straight(past: Iterable[Tones], bins: slice, newest: bool = False) -> int:
    """Hops over which the line in these bins grew exponentially before it was followed; 0 if it did not.
    ``newest``: up to now, and for longer than the level that is followed tells by itself."""
    past = list(past)
    levels = list(zip(_powers(past, bins), _levels(past, bins), strict=True))
    if newest:
        return straight_hops(levels, min(STRAIGHT_LONGER))
    return max(map(straight_hops, (levels[:end] for end in range(STRAIGHT_HOPS, len(levels) + 1))), default=0)


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


def young_growth(past: Iterable[Tones], bins: slice) -> tuple[bool, bool]:
    """Whether the line in these bins rises now, and whether it rose lately, by more, out of one that already
    stood."""
    past = list(past)
    levels = _levels(past, bins)
    pieces = [levels[k : k + YOUNG_HOPS] for k in range(len(levels) - YOUNG_HOPS + 1)]
    *rises, newest = map(min, _young_rises(levels), _young_rises(_powers(past, bins)))
    return newest >= YOUNG_DB, any(
        rise >= BOUNDED_DB and min(piece) >= STEP_NOISE_DB + STEP_NEAR_DB
        for rise, piece in zip(rises, pieces, strict=False)
    )


def _powers(spectra: Iterable[Tones], bins: slice) -> list[float]:
    """Of the strongest of these bins in each newest spectrum, in dB."""
    return [10 * math.log10(max(float(one.newest[bins].max()), 1e-20)) for one in spectra]


def _levels(spectra: Iterable[Tones], bins: slice) -> list[float]:
    """Of the strongest of these bins in each newest spectrum, in dB over the floor."""
    return [in_db(float((one.newest[bins] * one.per_floor[bins]).max())) for one in spectra]


def _young_rises(levels: list[float]) -> list[float]:
    """By how much the median of `YOUNG_HOPS` levels rises within `YOUNG_APART` hops, oldest first."""
    medians = [statistics.median(levels[k : k + YOUNG_HOPS]) for k in range(len(levels) - YOUNG_HOPS + 1)]
    return list(map(operator.sub, medians[YOUNG_APART:], medians))
