"""Deepest and fastest schedules: against every schedule there is, and against what they promise."""

from collections.abc import Iterator
from itertools import accumulate, pairwise
from math import floor

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor.planning.drilling_cycle import AxisRates, Planes, hole_moves, move_s
from monitor.planning.flutes import flute_fill, peck_for_fill
from monitor.planning.pecking import (
    Limits,
    NoSchedule,
    constant_pecks,
    deepest_pecks,
    fastest_pecks,
    least_fill_for,
)

TINY = 1e-6  # mm: what the schedules may lose to floating point


def every_schedule(depth: int, limits: Limits) -> Iterator[tuple[int, ...]]:
    """All schedules in whole steps of 1 mm, by trying every peck there is."""

    def onward(here: int) -> Iterator[tuple[int, ...]]:
        if here == depth:
            yield ()
        for end in range(here + 1, depth + 1):
            peck = end - here
            trapped = min(peck, max(0.0, end - limits.flute_length_mm))
            short_enough = peck <= limits.longest_mm + TINY and trapped <= limits.capacity_mm + TINY
            if short_enough and peck >= limits.least_mm - TINY:
                for rest in onward(end):
                    yield (peck, *rest)

    for schedule in onward(0):
        if limits.most_pecks is None or len(schedule) <= limits.most_pecks:
            yield schedule


def drawn_out(pecks: tuple[float, ...], fixed: float, per_mm: float, bend: float) -> float:
    """Time of all withdrawals but the last, for a cost that rises with depth in one way or another."""
    depths = [sum(pecks[: i + 1]) for i in range(len(pecks) - 1)]
    return sum(fixed + per_mm * d + bend * d**0.5 for d in depths)


limits_of_whole_mm = st.builds(
    Limits,
    capacity_mm=st.floats(0.5, 12.0),
    flute_length_mm=st.floats(0.5, 16.0),
    longest_mm=st.floats(0.5, 12.0),
    increment_mm=st.just(1.0),
    least_mm=st.sampled_from([0.0, 0.0, 1.5, 2.0, 3.0, 5.0]),
    most_pecks=st.sampled_from([None, None, 1, 2, 3, 5]),
)


@given(st.integers(1, 13), limits_of_whole_mm, st.floats(0, 5), st.floats(0, 2), st.floats(0, 2))
def test_no_schedule_is_faster(depth, limits, fixed, per_mm, bend):
    whole = Limits(
        limits.capacity_mm,
        limits.flute_length_mm,
        limits.longest_mm,
        1.0,
        limits.shortest_mm,
        limits.most_pecks,
    )
    costs = [drawn_out(pecks, fixed, per_mm, bend) for pecks in every_schedule(depth, whole)]
    try:
        best = fastest_pecks(float(depth), limits)
    except NoSchedule:
        assert not costs
        return
    assert drawn_out(best, fixed, per_mm, bend) == pytest.approx(min(costs))
    assert tuple(best) in set(every_schedule(depth, whole))


@given(
    st.integers(1, 10),
    limits_of_whole_mm,
    st.builds(Planes, st.floats(5, 20), st.floats(0.1, 5), st.floats(0.1, 5)),
    st.builds(
        AxisRates, st.floats(20, 200), st.floats(100, 5000), st.none() | st.floats(5, 500), st.floats(0, 2)
    ),
)
def test_no_schedule_takes_less_time_by_the_moves_themselves(depth, limits, planes, rates):
    def seconds(pecks):
        return sum(move_s(move, rates) for move in hole_moves(pecks, planes, dwell=True))

    free = Limits(limits.capacity_mm, limits.flute_length_mm, limits.longest_mm, 1.0)
    try:
        best = fastest_pecks(float(depth), free)
    except NoSchedule:
        return
    assert seconds(best) <= min(map(seconds, every_schedule(depth, free))) + 1e-9


@given(st.integers(1, 13), limits_of_whole_mm)
def test_no_schedule_is_deeper_after_as_many_pecks(depth, limits):
    free = Limits(limits.capacity_mm, limits.flute_length_mm, limits.longest_mm, 1.0)
    try:
        deepest = deepest_pecks(float(depth), free)
    except NoSchedule:
        assert not list(every_schedule(depth, free))
        return
    for pecks in every_schedule(depth, free):
        assert len(pecks) >= len(deepest)
        assert all(sum(pecks[:k]) <= sum(deepest[:k]) + 1e-9 for k in range(len(deepest)))


@given(st.integers(1, 13), limits_of_whole_mm)
def test_no_longer_equal_peck_is_allowed(depth, limits):
    free = Limits(limits.capacity_mm, limits.flute_length_mm, limits.longest_mm, 1.0)

    def allowed(peck: int) -> bool:
        ends = [*range(peck, depth, peck), depth]
        return all(end <= free.reach(begin) + TINY for begin, end in zip([0, *ends], ends, strict=False))

    try:
        pecks = constant_pecks(float(depth), free)
    except NoSchedule:
        assert not allowed(1)
        return
    assert sum(pecks) == pytest.approx(depth)
    assert len({round(peck, 6) for peck in pecks[:-1]}) <= 1
    assert all(
        end <= free.reach(end - peck) + 1e-6 for peck, end in zip(pecks, accumulate(pecks), strict=True)
    )
    longest = floor(max(pecks) + 1e-9)
    if len(pecks) > 1 and depth > 2 * (longest + 1):  # so deep that both of two whole pecks are seen
        deep = depth - free.flute_length_mm > 2 * (longest + 1)
        assert not (deep and allowed(longest + 1))


@given(
    st.floats(5.0, 200.0),
    st.floats(10.0, 100.0),
    st.floats(0.1, 1.0),
    st.floats(3.0, 30.0),
    st.sampled_from([0.1, 0.5, 0.127, 1.0]),
)
def test_fill_and_steps_are_kept_in_holes_of_any_depth(depth, flutes, fill, longest, step):
    limits = Limits(peck_for_fill(fill, flutes, 2.4), flutes, longest, step)
    assume(limits.capacity_mm >= max(step, 0.5))  # else more than a thousand pecks, which are refused
    for pecks in (fastest_pecks(depth, limits), deepest_pecks(depth, limits)):
        depths = [sum(pecks[:k]) for k in range(len(pecks) + 1)]
        assert depths[-1] == pytest.approx(depth)
        for begin, end in pairwise(depths):
            assert 0.0 < end - begin <= longest + 1e-6
            assert flute_fill(end - begin, end, flutes, 2.4) <= fill + 1e-6
        for d in depths[:-1]:
            assert abs(d / step - round(d / step)) < 1e-5
    assert len(fastest_pecks(depth, limits)) == len(deepest_pecks(depth, limits))


def test_pecks_of_common_practice_in_acrylic():
    # Common practice, no published source: with 2 in of flute filled about two thirds, pecks near 0.25 in
    # where the flutes end inside the hole; nobody pecks deeper there and fills less.
    limits = Limits(peck_for_fill(2 / 3, 50.8, 2.4), 50.8, 20.32, 0.127)
    pecks = deepest_pecks(109.2, limits)
    assert pecks[0] == pytest.approx(20.32)
    assert all(peck == pytest.approx(6.35, abs=0.13) for peck in pecks[4:-1])


def test_what_cannot_be_is_said_with_what_to_loosen():
    with pytest.raises(NoSchedule, match=r"leave 0\.3 mm a peck beyond the flutes, less than the shortest"):
        fastest_pecks(60.0, Limits(0.3, 20.0, 18.0, 0.5))
    with pytest.raises(NoSchedule, match="at least 6 pecks are needed, and at most 4 are wanted"):
        fastest_pecks(70.0, Limits(6.0, 50.0, 18.0, 0.5, most_pecks=4))
    with pytest.raises(NoSchedule, match="longer than the hole is deep"):
        fastest_pecks(3.0, Limits(6.0, 50.0, 18.0, 0.5, least_mm=4.0))
    with pytest.raises(NoSchedule, match="more than 1000 pecks"):
        fastest_pecks(500.0, Limits(0.1, 20.0, 18.0, 0.1))
    with pytest.raises(NoSchedule, match="more than 1000 pecks"):
        deepest_pecks(500.0, Limits(0.1, 20.0, 18.0, 0.1))


def test_the_fill_that_fewer_pecks_would_cost():
    limits = Limits(6.0, 50.0, 18.0, 0.5, most_pecks=5)
    # Three pecks of 18 mm end at 54 mm, so two pecks of 8 mm have to do the rest of 70 mm.
    fill = least_fill_for(70.0, limits, lambda capacity: capacity / 10.0)
    assert fill == pytest.approx(0.8, abs=0.01)
    fastest_pecks(70.0, Limits(10.0 * fill, 50.0, 18.0, 0.5, most_pecks=5))
    assert least_fill_for(70.0, Limits(6.0, 50.0, 18.0, 0.5, most_pecks=3), lambda capacity: capacity) is None
