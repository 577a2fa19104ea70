"""Drilling loads, heat, chips and programs against published values.

Sources: *Machinery's Handbook*, 31st ed., pp. 1152-1153, drilling example (the set-up seen in part, some
inputs from memory, the arithmetic repeated here): 7/8 in drill, 350 rpm, 0.008 in/rev, Kd 24 000, wear
factor 1.30: torque 559 in lb, 3.10 hp at the cutter. Tool makers' metric formulae (from memory):
Pc = vc D fn kc / 240 000 kW with vc in m/min, M = 30 000 Pc / (pi n) N m, and the rounded P = M n / 9550.
Kramer, Proctor and Messina, *The NIST RS274NGC Interpreter, Version 3*, NISTIR 6556 (2000), examples of the
G81 cycle and the description of G83 (seen as quoted in a public source file).
"""

import math

import pytest

from monitor.job import default_job
from monitor.planning.cautions import cautions, chip_temperature
from monitor.planning.flutes import FLUTE_AREA_FRACTION, FLUTE_AREA_RANGE
from monitor.planning.loads import drilling_torque, specific_force, spindle_power
from monitor.planning.materials import load_materials
from monitor.planning.plan import cutting_speed, plan_hole
from monitor.planning.program import read_program
from monitor.planning.program_holes import find_hole

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


def test_a_force_of_the_iso_group_tables():
    # Tool makers' tables of ISO groups (from memory): unalloyed steel, group P1, kc1.1 1500 N/mm^2, mc 0.25;
    # a chip of 0.1 mm then takes 2667 N/mm^2, one of 1 mm the 1500 of the table.
    assert specific_force(1500.0, 0.25, 0.2, 2, 180.0) == pytest.approx(1500.0 * 0.1**-0.25)
    assert specific_force(1500.0, 0.25, 0.2, 2, 180.0) == pytest.approx(2667, abs=1)
    assert specific_force(1500.0, 0.25, 2.0, 2, 180.0) == pytest.approx(1500.0)


def test_the_handbook_drill_against_the_iso_group_force():
    # The handbook's torque (7/8 in, 0.008 in/rev, 559 in lb, wear factor 1.30) against M = kc f D^2 / 8
    # with the force of a steel of group P at that feed: the lips alone are 65 to 100 % of a sharp drill's
    # torque, the rest being chisel edge and margins (weak: handbook and tables rate different steels).
    sharp = 559 * INCH_POUND_NM / 1.30
    feed, diameter = 0.008 * 25.4, 0.875 * 25.4
    lips = drilling_torque(specific_force(1500.0, 0.25, feed, 2), feed, diameter)
    assert 0.65 < lips / sharp < 1.0


def test_a_formula_in_circulation_gives_twice_the_energy_balance():
    # mfgparams 2.6.1 prints a drilling torque of kc D^2 f / 4000 N m. One turn of it would be twice the work
    # of kc times the volume cut in that turn, so it is not followed here.
    kc, feed, diameter = 1500.0, 0.2, 10.0
    work_of_a_turn = kc * feed * math.pi * diameter**2 / 4 / 1000
    assert 2 * math.pi * (kc * diameter**2 * feed / 4000) == pytest.approx(2 * work_of_a_turn)
    assert 2 * math.pi * drilling_torque(kc, feed, diameter) == pytest.approx(work_of_a_turn)


def test_what_a_job_asks_of_the_spindle_is_the_published_formulas():
    job = default_job()
    planned = plan_hole(job)
    power_kw = cutting_speed(job) * job.drill_diameter_mm * job.feed_mm_per_rev * 160.0 / 240_000
    assert planned.pecks[0].power_w == pytest.approx(1000 * power_kw)


def test_the_chip_of_acrylic_can_reach_its_softening_temperature():
    # Makers' data sheets of cast PMMA: glass transition 105 to 110 C, specific heat 1.26 to 1.46 J/gK,
    # density 1.19 g/cm^3. From 20 C that takes 127 to 156 J/cm^3, a specific cutting force of 127 to
    # 156 N/mm^2.
    coldest, hottest = 1.19 * 1.26 * 85.0, 1.19 * 1.46 * 90.0
    likely, low, high = chip_temperature(plan_hole(default_job()))
    assert 20.0 + 85.0 * 160.0 / hottest < likely < 20.0 + 90.0 * 160.0 / coldest
    assert low < 105.0 < likely < high


def test_acrylic_softens_where_its_data_sheets_say():
    # Cast sheet: Vicat softening (ISO 306 B50) 102 to 115 C by makers' data sheets (from memory), glass
    # transition 105 to 110 C (seen). Wood has no such point: it scorches.
    table = load_materials()
    assert 102.0 <= table["acrylic"].softens_c <= 115.0
    assert all(table[key].softens_c is None for key in ("hardwood", "softwood", "burl"))


def test_the_flutes_area_is_that_of_a_standard_twist_drill():
    # ISO 235 / DIN 338 fix lengths, not the section. Of that, from memory of handbooks: web 12 to 20 % of the
    # diameter from 3 to 13 mm, flute to land as 0.8 to 1.2 on the rim. Flutes as sectors outside the web:
    # share of the circle times (1 - (web / D)^2).
    areas = [ratio / (1 + ratio) * (1 - web**2) for ratio in (0.8, 1.0, 1.2) for web in (0.12, 0.16, 0.20)]
    assert min(areas) < FLUTE_AREA_FRACTION < max(areas)
    assert (pytest.approx(min(areas), abs=0.05), pytest.approx(max(areas), abs=0.05)) == FLUTE_AREA_RANGE


@pytest.mark.parametrize(("diameter", "flutes"), [(4.0, 43.0), (6.0, 57.0), (8.0, 75.0), (10.0, 87.0)])
def test_a_standard_drill_is_told_of_when_its_flutes_end_before_the_hole(diameter, flutes):
    # Flute lengths of jobber drills, ISO 235 / DIN 338 (from memory): 4 mm 43, 6 mm 57, 8 mm 75, 10 mm 87.
    def kinds(depth):
        job = default_job().model_copy(
            update={"drill_diameter_mm": diameter, "flute_length_mm": flutes, "depth_mm": depth}
        )
        return {caution.kind for caution in cautions(plan_hole(job), 2 / 3)}

    assert kinds(110.0) - kinds(0.8 * flutes) >= {"flutes_short"}


def test_bulking_stays_below_that_of_loose_metal_chips():
    # Textbooks after Stahl-Eisen-Pruefblatt 1178 (from memory, weak): crumbled chips take 3 to 8 times their
    # solid volume, short helical ones 25 and more, lying loose. In flutes they are pressed, so less is
    # expected, and never less than a close random packing of grains, 1 / 0.64 (Scott 1960, from memory).
    for material in load_materials().values():
        low, high = material.span("bulking")
        assert low + 0.05 >= 1 / 0.64
        assert low < material.bulking <= high <= 8.0


def test_the_hottest_usual_speed_in_acrylic_is_the_makers():
    # A sheet maker's guideline: 510 rpm for a drill of 25 mm, feed 0.1 to 0.3 mm/rev (seen).
    acrylic = load_materials()["acrylic"]
    assert acrylic.speed_m_min[1] == pytest.approx(math.pi * 25 * 510 / 1000, abs=0.1)
    assert acrylic.feed_of_diameter[0] == pytest.approx(0.1 / 25)
    assert acrylic.feed_of_diameter[0] < 0.3 / 25 < acrylic.feed_of_diameter[1]


def _heights(program):
    """Kind and height of every step, without the moves sideways that the examples list too."""
    return [(step.kind, round(step.to_z, 6)) for step in read_program(program).steps]


def test_the_first_example_of_the_interpreters_report():
    # From (1, 2, 3), G90 G81 G98 X4 Y5 Z1.5 R2.8: to z 2.8, feed to 1.5, back to 3. On the axis here.
    assert _heights("G21 G94 F100 G90\nG0 X0 Y0 Z3.\nG90 G81 G98 X0 Y0 Z1.5 R2.8\n") == [
        ("rapid", 3.0), ("rapid", 2.8), ("feed", 1.5), ("rapid", 3.0),
    ]  # fmt: skip


def test_the_second_example_of_the_interpreters_report():
    # From (1, 2, 3), G91 G81 G98 X4 Y5 Z-0.6 R1.8 L3: R is at 4.8, Z at 4.2; three times, each feed from 4.8
    # to 4.2 and back to 4.8, which lies above the old Z.
    assert _heights("G21 G94 F100 G90\nG0 X0 Y0 Z3.\nG91 G81 G98 X0 Y0 Z-.6 R1.8 L3\n") == [
        ("rapid", 3.0), ("rapid", 4.8), *[("feed", 4.2), ("rapid", 4.8)] * 3,
    ]  # fmt: skip


def test_peck_drilling_as_the_report_describes_it():
    # Down by delta or to Z, whichever is less deep; rapid out to clear Z; rapid back to the hole's bottom,
    # backed off a bit; until Z is reached. With R at 2 and a delta of 5, the first peck cuts 3 below Z0.
    assert _heights("G21 G94 F100 G90\nG0 X0 Z2.\nG83 G99 Z-12. R2. Q5.\n") == [
        ("rapid", 2.0), ("feed", -3.0), ("rapid", 2.0), ("rapid", -3.0), ("feed", -8.0), ("rapid", 2.0),
        ("rapid", -8.0), ("feed", -12.0), ("rapid", 2.0),
    ]  # fmt: skip


def test_the_inch_is_exact():
    # International yard and pound agreement, 1959: 1 in = 25.4 mm.
    found = find_hole(read_program("G20 G95 G90 S800\nG0 X0 Z.1\nG1 Z-1. F.003\nG0 Z.1\n"))
    assert found.hole.depth_mm == pytest.approx(25.4, rel=1e-12)
