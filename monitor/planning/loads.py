"""What drilling asks of the spindle: torque, power, expected sag."""

from __future__ import annotations

from math import pi, radians, sin

USUAL_POINT_DEG = 118.0
"""Point angle of a twist drill that nothing else is said of (ISO 5419 names 118 degrees; from memory)."""


def specific_force(
    kc: float,
    exponent: float | None,
    feed_mm_per_rev: float,
    flutes: int,
    point_angle_deg: float = USUAL_POINT_DEG,
) -> float:
    """Return the specific cutting force at a feed, N/mm^2, after Kienzle: kc1.1 h^-mc.

    ``kc`` is kc1.1, that of a chip 1 mm thick, and ``exponent`` mc; without one ``kc`` holds as it is. Each
    lip cuts a chip of thickness h = f/z sin(point angle / 2), mm. Thin chips ask for more force a volume.

    Examples
    --------
    >>> round(specific_force(1500.0, 0.25, 0.2, 2, 180.0))
    2667
    >>> specific_force(160.0, None, 0.08, 2)
    160.0
    """
    if exponent is None:
        return kc
    thickness = feed_mm_per_rev / flutes * sin(radians(point_angle_deg / 2.0))
    return float(kc * thickness**-exponent)


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
