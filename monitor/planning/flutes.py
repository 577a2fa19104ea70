"""How full of chips the drill's flutes are."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Depths = TypeVar("Depths", float, NDArray[np.float64])

FLUTE_AREA_FRACTION = 0.45
"""Flute cross-section over the hole's: about 0.4 to 0.5 for a two-flute twist drill (from memory, weak)."""

FLUTE_AREA_RANGE = (0.40, 0.50)
"""How well that is known (from memory, weak): it goes with the web's thickness, which differs by maker."""


def flute_fill(
    removed_mm: Depths,
    hole_depth_mm: Depths,
    flute_length_mm: float,
    bulking: float,
    flute_area_fraction: float = FLUTE_AREA_FRACTION,
) -> Depths:
    """Return the share of the flutes' volume taken by trapped chips; above 1 they must be compressed.

    Parameters
    ----------
    removed_mm : float or array
        Depth drilled since the drill was last clear of the hole, mm.
    hole_depth_mm : float or array
        Depth of the hole now, mm (at least ``removed_mm``).
    flute_length_mm : float
        Length of the flutes, mm.
    bulking : float
        Packed chip volume over solid volume, at least 1.
    flute_area_fraction : float
        Flute cross-section over that of the hole.

    Notes
    -----
    While the hole is shallower than the flutes are long, chips leave at their open end. Only what is drilled
    below that depth is trapped until the drill comes out; it then occupies ``bulking`` times its volume in
    flutes that lie wholly inside the hole. The drill's diameter cancels: both volumes go with its square.

    Examples
    --------
    >>> round(flute_fill(6.35, 60.0, 50.8, 2.4), 2)  # a quarter inch with two inches of flute
    0.67
    >>> flute_fill(20.0, 20.0, 50.0, 2.4)
    0.0
    """
    trapped = np.minimum(removed_mm, np.maximum(np.subtract(hole_depth_mm, flute_length_mm), 0.0))
    fill = bulking * trapped / (flute_area_fraction * flute_length_mm)
    return fill if isinstance(fill, np.ndarray) else float(fill)  # type: ignore[return-value]


def fill_range(fill: float, bulking: float, bulking_range: tuple[float, float]) -> tuple[float, float]:
    """Return lowest and highest of a ``fill`` found with ``bulking``: drill and chips are not well known.

    >>> low, high = fill_range(0.67, 2.4, (1.6, 3.4))
    >>> round(low, 2), round(high, 2)
    (0.4, 1.07)
    """
    low, high = bulking_range
    least, most = FLUTE_AREA_RANGE
    return (
        fill * low / bulking * FLUTE_AREA_FRACTION / most,
        fill * high / bulking * FLUTE_AREA_FRACTION / least,
    )


def peck_for_fill(
    fill: float, flute_length_mm: float, bulking: float, flute_area_fraction: float = FLUTE_AREA_FRACTION
) -> float:
    """Return the peck, mm, that fills the flutes to ``fill`` in a hole deeper than they are long."""
    return fill * flute_area_fraction * flute_length_mm / bulking
