"""How deep to peck: the deepest safe pecks, and the fastest schedule that keeps the flutes under a limit.

A schedule is the depths at which the drill is drawn out, d_0 = 0 < d_1 < ... < d_n = the hole's depth. From
depth a, one peck may go down to ``reach(a)``, the least of two limits:

- chips: what is drilled below the flutes' length is trapped until the drill comes out, and at most
  ``capacity_mm`` of hole may be, so b <= max(a, flute length) + capacity;
- ``longest_mm``, the longest peck allowed whatever the flutes say, so b <= a + longest.

``reach`` never falls with depth, and ``reach(a) - a`` never grows. Both facts carry the proofs below.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from math import ceil, floor

from monitor.errors import InputError
from monitor.job import MAX_PECKS

LONGEST_PECK_DIAMETERS = 3.0
"""Longest peck, in drill diameters: makers' fabrication guides of acrylic call a hole deep from there on, and
first pecks of three diameters are common practice elsewhere (no published source)."""

USUAL_FILL_LIMIT = 2.0 / 3.0
"""Flute fill not to be passed: that of the pecks in common practice in acrylic (no published source)."""

MOST_PECKS = MAX_PECKS
"""What a job file may hold."""


@dataclass(frozen=True)
class Limits:
    """What a schedule has to keep to. Lengths in mm.

    ``capacity_mm`` is the length of hole whose chips the flutes may hold; ``increment_mm`` the step to which
    every depth but the last is rounded; ``least_mm`` the shortest peck (rounded up to the increment) and
    ``most_pecks`` their largest number, None for any.
    """

    capacity_mm: float
    flute_length_mm: float
    longest_mm: float
    increment_mm: float
    least_mm: float = 0.0
    most_pecks: int | None = None

    def reach(self, depth_mm: float) -> float:
        """Return the deepest end of a peck that starts at ``depth_mm``."""
        return min(max(depth_mm, self.flute_length_mm) + self.capacity_mm, depth_mm + self.longest_mm)

    def least_start(self, end_mm: float) -> float:
        """Return the shallowest depth from which one peck reaches ``end_mm``: the inverse of `reach`."""
        trapping = 0.0 if end_mm <= self.flute_length_mm + self.capacity_mm else end_mm - self.capacity_mm
        return max(0.0, trapping, end_mm - self.longest_mm)

    @property
    def shortest_mm(self) -> float:
        """The least peck, rounded up to the increment."""
        return max(1, ceil(self.least_mm / self.increment_mm - _ROUNDING)) * self.increment_mm


class NoSchedule(InputError):
    """No schedule keeps to the limits; the message says which of them to loosen."""


def deepest_pecks(depth_mm: float, limits: Limits) -> tuple[float, ...]:
    """Return the pecks in mm that each go as deep as the limits allow, from the face down.

    Their number is the smallest possible: by induction over the pecks, since ``reach`` never falls with
    depth, no schedule is deeper than this one after as many pecks. What is left for the last peck may be
    shorter than the least one, and the number of pecks is not limited.

    Raises
    ------
    NoSchedule
        Not even the smallest step is allowed, or the least peck is not.

    Examples
    --------
    >>> deepest_pecks(70.0, Limits(6.0, 50.0, 18.0, 0.5))
    (18.0, 18.0, 18.0, 6.0, 6.0, 4.0)
    """
    depths = [0.0]
    while (here := depths[-1]) < depth_mm - _ROUNDING * limits.increment_mm:
        end = _down(limits.reach(here), limits.increment_mm)
        if limits.reach(here) >= depth_mm - _ROUNDING * limits.increment_mm:
            end = depth_mm
        elif end - here < limits.shortest_mm - _ROUNDING * limits.increment_mm:
            raise NoSchedule(_too_tight(limits))
        depths.append(end)
        if len(depths) > MOST_PECKS:
            raise NoSchedule(f"more than {MOST_PECKS} pecks; {_LOOSEN}")
    return _lengths(depths)


def constant_pecks(depth_mm: float, limits: Limits) -> tuple[float, ...]:
    """Return equal pecks in mm, the last one what is left: what a canned cycle can do, and the limits allow.

    ``reach(a) - a`` never grows with depth, so the peck allowed at the bottom is allowed everywhere.

    Raises
    ------
    NoSchedule
        The smallest step is not allowed, or the least peck is not.

    Examples
    --------
    >>> constant_pecks(70.0, Limits(6.2, 50.0, 18.0, 0.5))[-3:]
    (6.0, 6.0, 4.0)
    """
    trapping = depth_mm > limits.flute_length_mm + limits.capacity_mm
    peck = min(limits.longest_mm, limits.capacity_mm) if trapping else limits.longest_mm
    if peck < depth_mm:
        peck = _down(peck, limits.increment_mm)
    if peck < limits.shortest_mm - _ROUNDING * limits.increment_mm and peck < depth_mm:
        raise NoSchedule(_too_tight(limits))
    whole = floor(depth_mm / peck + _ROUNDING)
    if whole >= MOST_PECKS:
        raise NoSchedule(f"more than {MOST_PECKS} pecks; {_LOOSEN}")
    depths = [round(i * peck, 9) for i in range(whole + 1)]
    if depth_mm - depths[-1] > _ROUNDING * limits.increment_mm:
        depths.append(depth_mm)
    else:
        depths[-1] = depth_mm
    return _lengths(depths)


def fastest_pecks(depth_mm: float, limits: Limits) -> tuple[float, ...]:
    """Return the pecks in mm of the fastest schedule within the limits.

    Time is that of feeding, the same for every schedule, and of drawing out at d_1 ... d_(n-1), w(d_j) each,
    w >= 0 and not falling with depth (rapids out and back, dwell, and the approach fed again). So the best is
    the schedule with the fewest and the shallowest of those depths.

    Proof that both come together. Go from the bottom up, e_0 = the hole's depth, e_(k+1) the shallowest
    depth on the grid from which one peck reaches e_k, until 0. In any schedule the k-th depth from the bottom
    is >= e_k: true of k = 0; a peck reaches that depth >= e_k from the next, and as ``reach`` never falls,
    from no depth shallower than e_(k+1). Hence no schedule has fewer pecks, and the deepest n-1 withdrawals
    of any cost at least those of this one, one by one.

    With a least peck m the depths also obey d_j >= d_(j-1) + m. Taking d_j as the larger of that and of e
    gives the shallowest depths that obey both, one by one, so it is the best where it is a schedule at all.
    Where it is none, there is none: the depths of any other are no shallower, ``reach(a) - a`` is no larger
    there, and with more pecks every depth counted from the bottom is deeper still.

    Raises
    ------
    NoSchedule
        No schedule keeps to the limits; the message says what to loosen.

    Examples
    --------
    >>> fastest_pecks(67.0, Limits(6.0, 50.0, 18.0, 0.5))
    (1.0, 18.0, 18.0, 18.0, 6.0, 6.0)
    >>> fastest_pecks(67.0, Limits(6.0, 50.0, 18.0, 0.5, least_mm=4.0))
    (4.0, 15.0, 18.0, 18.0, 6.0, 6.0)
    """
    step, tiny = limits.increment_mm, _ROUNDING * limits.increment_mm
    upward = [depth_mm]
    while upward[-1] > tiny:
        start = _up(limits.least_start(upward[-1]), step)
        if start >= upward[-1] - tiny:
            raise NoSchedule(_too_tight(limits))
        upward.append(start)
        if len(upward) > MOST_PECKS + 1:
            raise NoSchedule(f"more than {MOST_PECKS} pecks; {_LOOSEN}")
    shallowest = upward[::-1]
    depths = [0.0]
    for bound in shallowest[1:-1]:
        depths.append(max(bound, depths[-1] + limits.shortest_mm))
    depths.append(depth_mm)
    least = limits.shortest_mm if limits.least_mm else 0.0
    for begin, end in pairwise(depths):
        if end - begin < least - tiny or end > limits.reach(begin) + tiny:
            if len(depths) == 2:
                raise NoSchedule("the least peck is longer than the hole is deep; allow shorter pecks")
            raise NoSchedule(_too_tight(limits))
    if limits.most_pecks is not None and len(depths) - 1 > limits.most_pecks:
        needed = len(depths) - 1
        raise NoSchedule(
            f"at least {needed} pecks are needed, and at most {limits.most_pecks} are wanted; {_LOOSEN}"
        )
    return _lengths(depths)


def least_fill_for(depth_mm: float, limits: Limits, fill_for: Callable[[float], float]) -> float | None:
    """Return the lowest fill limit with which the other limits leave a schedule, None where none does.

    ``fill_for`` gives the fill of a capacity in mm, rising with it.
    """

    def possible(capacity_mm: float) -> bool:
        try:
            fastest_pecks(depth_mm, replace(limits, capacity_mm=capacity_mm))
        except NoSchedule:
            return False
        return True

    low, high = 0.0, depth_mm
    if not possible(high):
        return None
    while high - low > 0.01 * limits.increment_mm:
        middle = (low + high) / 2.0
        low, high = (low, middle) if possible(middle) else (middle, high)
    return fill_for(high)


_ROUNDING = 1e-6  # of an increment: what floating point may cost
_LOOSEN = "allow fuller flutes, longer pecks or more of them"


def _too_tight(limits: Limits) -> str:
    left = min(limits.capacity_mm, limits.longest_mm)
    return (
        f"the limits leave {left:.3g} mm a peck beyond the flutes, less than the shortest one wanted "
        f"({limits.shortest_mm:.3g} mm); allow fuller flutes or shorter pecks"
    )


def _down(mm: float, step: float) -> float:
    return floor(mm / step + _ROUNDING) * step


def _up(mm: float, step: float) -> float:
    return ceil(mm / step - _ROUNDING) * step


def _lengths(depths: list[float]) -> tuple[float, ...]:
    return tuple(round(end - begin, 9) for begin, end in pairwise(depths))
