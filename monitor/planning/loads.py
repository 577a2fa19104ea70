"""What drilling asks of the spindle: torque, power, expected sag."""

from __future__ import annotations

from math import pi


def drilling_torque(kc: float, feed_mm_per_rev: float, diameter_mm: float) -> float:
    """Return the torque of a drill cutting freely, N m.

    ``kc`` in N/mm^2. Each of the ``z`` lips cuts a chip of area f/z * D/2 at a mean radius D/4, so
    M = kc f D^2 / 8 (N mm); energy balance: torque times one turn equals ``kc`` times the volume cut in it.
    Free cutting only: trapped chips come on top.

    Examples
    --------
    >>> round(drilling_torque(160.0, 0.08, 6.0), 4)
    0.0576
    """
    return kc * feed_mm_per_rev * diameter_mm**2 / 8000.0


def spindle_power(torque_nm: float, spindle_rpm: float) -> float:
    """Return the power at the drill, kW: P = M * 2 pi n / 60 000, the handbooks' M n / 9550."""
    return torque_nm * spindle_rpm * 2.0 * pi / 60_000.0


def expected_sag(torque_nm: float, droop_pct_per_nm: float) -> float:
    """Return the expected fall of speed in percent, for a motor whose speed falls in proportion to torque."""
    return torque_nm * droop_pct_per_nm
