"""Torque, power, sag and flute fill against handbook values, energy balance and trade facts."""

import numpy as np
import pytest

from monitor.planning.flutes import flute_fill, peck_for_fill
from monitor.planning.loads import drilling_torque, expected_sag, spindle_power

NM_PER_IN_LB = 0.1129848
KW_PER_HP = 0.7456999


def test_power_of_the_handbook_example() -> None:
    # Machinery's Handbook 31, pp. 1152-1153: 7/8 in drill, 350 rpm, torque 559 in lb, 3.10 hp at the cutter.
    # The setup was seen in a stored copy in part, some of its inputs are from memory.
    kw = spindle_power(559 * NM_PER_IN_LB, 350.0)
    assert kw / KW_PER_HP == pytest.approx(3.10, abs=0.01)


def test_power_is_the_handbooks_torque_times_speed_over_9550() -> None:
    assert spindle_power(9.55, 1000.0) == pytest.approx(1.0, rel=1e-4)


def test_one_turn_of_torque_is_the_work_of_the_volume_cut_in_it() -> None:
    # Energy balance, derived: 2 pi M = kc * (feed per rev * pi D^2 / 4).
    kc, feed, diameter = 160.0, 0.08, 6.0
    joules = kc * feed * np.pi * diameter**2 / 4 / 1000
    assert 2 * np.pi * drilling_torque(kc, feed, diameter) == pytest.approx(joules)


def test_sag_goes_with_torque() -> None:
    # A DC motor's speed falls linearly with torque.
    assert expected_sag(0.05, 24.0) == pytest.approx(1.2)


def test_a_quarter_inch_peck_fills_two_inch_flutes_two_thirds() -> None:
    # Common practice in acrylic, no published source.
    assert flute_fill(6.35, 60.0, 50.8, 2.4) == pytest.approx(2 / 3, abs=0.01)
    assert peck_for_fill(2 / 3, 50.8, 2.4) == pytest.approx(6.35, abs=0.05)


def test_chips_leave_while_the_hole_is_shallower_than_the_flutes() -> None:
    assert flute_fill(20.0, 50.0, 50.0, 2.4) == 0.0
    # Only the part of a peck below the flutes' length is trapped.
    assert flute_fill(10.0, 54.0, 50.0, 2.4) == pytest.approx(flute_fill(4.0, 60.0, 50.0, 2.4))


def test_fill_of_arrays_is_that_of_each_depth() -> None:
    depth = np.array([40.0, 52.0, 55.0])
    fills = flute_fill(depth - 38.0, depth, 50.0, 2.4)
    assert fills == pytest.approx([flute_fill(float(d - 38), float(d), 50.0, 2.4) for d in depth])
