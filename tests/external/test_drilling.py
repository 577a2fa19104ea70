"""Drilling loads against published formulae and one worked example.

Sources: *Machinery's Handbook*, 31st ed., pp. 1152-1153, drilling example (the set-up seen in part, some
inputs from memory, the arithmetic repeated here): 7/8 in drill, 350 rpm, 0.008 in/rev, Kd 24 000, wear
factor 1.30: torque 559 in lb, 3.10 hp at the cutter. Tool makers' metric formulae (from memory):
Pc = vc D fn kc / 240 000 kW with vc in m/min, M = 30 000 Pc / (pi n) N m, and the rounded P = M n / 9550.
"""

import math

import pytest

from monitor.planning.loads import drilling_torque, spindle_power

pytestmark = pytest.mark.external

INCH_POUND_NM = 0.0254 * 4.4482216
HORSEPOWER_KW = 0.74569987


def test_power_of_the_handbook_example():
    assert spindle_power(559 * INCH_POUND_NM, 350) / HORSEPOWER_KW == pytest.approx(3.10, abs=0.005)


@pytest.mark.parametrize(
    ("kc", "feed", "diameter", "rpm"), [(160, 0.08, 6, 900), (1990, 0.2, 12, 1500), (700, 0.3, 22.2, 350)]
)
def test_torque_and_power_of_the_tool_makers_formulae(kc, feed, diameter, rpm):
    cutting_speed = math.pi * diameter * rpm / 1000
    power_kw = cutting_speed * diameter * feed * kc / 240_000
    torque = drilling_torque(kc, feed, diameter)
    assert torque == pytest.approx(30_000 * power_kw / (math.pi * rpm), rel=1e-9)
    assert spindle_power(torque, rpm) == pytest.approx(power_kw, rel=1e-9)
    assert spindle_power(torque, rpm) == pytest.approx(torque * rpm / 9550, rel=1e-4)
