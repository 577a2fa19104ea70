"""The plan of a hole: times by hand, fill and load, what it warns of, and how it is shown."""

import json
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.job import default_job, parse_job
from monitor.planning.cautions import cautions, chip_temperature
from monitor.planning.chart import plan_svg
from monitor.planning.draft import draft_program
from monitor.planning.drilling_cycle import AxisRates, MoveKind, Planes, hole_moves, move_s
from monitor.planning.flutes import flute_fill
from monitor.planning.job_text import job_text, repeated_pecks, with_hole
from monitor.planning.loads import drilling_torque, spindle_power
from monitor.planning.plan import cutting_force, cutting_speed, plan_hole
from monitor.planning.plan_text import caution_lines, plan_json, plan_lines
from monitor.planning.program import read_program
from monitor.planning.program_holes import find_hole
from monitor.planning.program_state import Note

PLANES = {"clearance_mm": 10.0, "retract_mm": 2.0, "approach_mm": 0.5}


def job(**changed):
    """The demonstration's job with some values changed."""
    return default_job().model_copy(update=changed)


def kinds(planned, limit=2 / 3):
    """Kinds of caution, each with whether it warns."""
    return {caution.kind: caution.warning for caution in cautions(planned, limit)}


def said(planned, kind, limit=2 / 3):
    """The text of a caution."""
    return next(caution.text for caution in cautions(planned, limit) if caution.kind == kind)


def test_the_time_of_a_hole_by_hand():
    # Two pecks of 10 and 5 mm at 60 mm/min, rapids of 1200 mm/min taken as instant to start and stop:
    # feed 2 + 10 mm, then 0.5 + 5 mm: 17.5 s. Rapids 8 in, 12 out, 11.5 in, 25 out: 56.5 mm at 20 mm/s take
    # 2.825 s.
    planned = plan_hole(
        job(
            pecks_mm=(10.0, 5.0), depth_mm=15.0, spindle_rpm=600.0, feed_mm_per_rev=0.1, rapid_mm_min=1200.0,
            dwell_s=0.25, reload_s=30.0, blanks=3, **PLANES,
        )
    )  # fmt: skip
    assert planned.missing == ()
    assert sum(peck.feed_s for peck in planned.pecks) == pytest.approx(17.5)
    assert sum(peck.rapid_s for peck in planned.pecks) == pytest.approx(2.825)
    assert planned.hole_s == pytest.approx(17.5 + 2.825 + 0.5)
    assert planned.batch_s == pytest.approx(3 * 20.825 + 2 * 30.0)


def test_a_rapid_that_never_reaches_its_rate_takes_what_its_acceleration_allows():
    # From rest to rest over s with acceleration a: half the way in t/2, s/2 = a (t/2)^2 / 2.
    rates = AxisRates(60.0, 60_000.0, acceleration_mm_s2=200.0)
    (rapid,) = (move for move in hole_moves([5.0], Planes(4.0, 2.0, 0.5)) if move.to_mm == -2.0)
    assert 200.0 * (move_s(rapid, rates) / 2) ** 2 / 2 == pytest.approx(1.0)


def test_without_planes_or_rate_only_feeding_is_told():
    planned = plan_hole(job(rapid_mm_min=1500.0, retract_mm=2.0))
    assert planned.missing == ("hole.approach",)
    assert planned.hole_s == pytest.approx(110.0 / (0.08 * 900.0) * 60.0)
    assert all(peck.rapid_s is None for peck in planned.pecks)
    assert "Time of feeding alone: 1 min 32 s a hole" in "\n".join(plan_lines(planned))


def test_fill_load_and_sag_of_each_peck():
    planned = plan_hole(job(droop_rpm_per_nm=150.0))
    third = planned.pecks[8]
    assert third.fill == pytest.approx(flute_fill(6.0, third.to_mm, 50.0, 2.4))
    assert third.fill_low < third.fill < third.fill_high
    torque = drilling_torque(160.0, 0.08, 6.0)
    assert third.torque_nm == torque
    assert third.power_w == pytest.approx(1000 * spindle_power(torque, 900.0))
    assert third.sag_pct == pytest.approx(100 * 150.0 * torque / 900.0)
    assert plan_hole(job()).pecks[0].sag_pct is None
    assert [peck.trapped_mm for peck in planned.pecks[4:7]] == pytest.approx([0.0, 4.0, 6.0])


def test_a_bulking_of_ones_own_is_taken_for_known():
    peck = plan_hole(job(), bulking=3.0).pecks[-2]
    assert peck.fill == pytest.approx(0.64 * 3.0 / 2.4)
    assert peck.fill_high / peck.fill_low == pytest.approx(0.50 / 0.40)  # only the drill's flutes are unsure


def test_common_practice_lies_within_the_interval():
    # Common practice, no published source: 0.25 in pecks with 2 in of flutes fill them about two thirds in
    # acrylic at 800 rpm.
    planned = plan_hole(
        job(
            flute_length_mm=50.8,
            depth_mm=110.0,
            pecks_mm=(20.32, 10.16, *[6.35] * 12, 3.32),
            spindle_rpm=800.0,
        )
    )
    peck = planned.pecks[6]
    assert peck.fill == pytest.approx(2 / 3, abs=0.02)
    assert peck.fill_low < 2 / 3 < peck.fill_high


def test_overfull_flutes_are_named_by_their_pecks():
    planned = plan_hole(job(pecks_mm=(50.0, 12.0, 12.0, 36.0)))
    assert said(planned, "overfull").startswith("Pecks 2 to 4 leave the flutes up to 384% full")
    one = plan_hole(job(pecks_mm=(50.0, *[6.0] * 6, 12.0, *[6.0] * 2)))
    assert said(one, "overfull").startswith("Peck 8 leaves the flutes 128% full")
    assert kinds(one)["overfull"] is True
    assert said(plan_hole(job()), "fill", limit=0.5).startswith(
        "Pecks 7 to 15 leave the flutes up to 64% full"
    )
    assert "fill" not in kinds(plan_hole(job()))


def test_an_inch_job_is_told_of_its_surface_speed_in_feet():
    job = default_job().model_copy(update={"units": "in", "drill_diameter_mm": 25.4, "spindle_rpm": 3000.0})
    # Shop arithmetic: pi x 1 in x 3000 / 12 = 785 ft/min.
    assert "(785 ft/min)" in plan_lines(plan_hole(job))[1]
    (said,) = [c.text for c in cautions(plan_hole(job), 2 / 3) if c.kind == "speed_high"]
    assert "785 ft/min" in said
    assert "m/min" not in said


@pytest.mark.parametrize(
    ("changed", "kind", "words"),
    [
        ({}, "flutes_short", "flutes are 50 mm long and end 60 mm before the hole does"),
        ({}, "no_centre", "it walks further"),
        ({}, "wanders", "The hole is 18 diameters deep"),
        ({}, "long_peck", "Peck 1 drills 3.3 diameters without"),
        (
            {},
            "point",
            "A point angle of 118 degrees is advised here (makers' fabrication guides: for holes deeper",
        ),
        ({}, "lip_clearance", "12 to 15 degrees"),
        ({"point_angle_deg": 135.0}, "point", "The point angle is 135 degrees; 118 degrees is advised"),
        ({"depth_mm": 15.0, "pecks_mm": (15.0,)}, "point", "60 to 90 degrees is advised here (makers'"),
        ({"spindle_rpm": 3000.0}, "speed_high", "softens near 105 C (56.5 m/min"),
        ({"spindle_rpm": 300.0}, "speed_low", "slower is safer"),
        ({"feed_mm_per_rev": 0.5}, "feed_high", "0.5 mm/rev, usually 0.024 mm/rev to 0.18 mm/rev"),
        ({"feed_mm_per_rev": 0.01}, "feed_low", "a drill that rubs instead of cutting makes heat"),
        ({"droop_rpm_per_nm": 1500.0}, "sag", "every peck would raise a hold at 8 %"),
        ({"droop_rpm_per_nm": 800.0}, "sag", "every peck would raise a warning"),
        ({}, "softening", "from 20 C to about 119 C"),
        ({}, "fill_unsure", "38% to 102% is possible"),
    ],
)
def test_what_a_plan_warns_of(changed, kind, words):
    assert words in said(plan_hole(job(**changed)), kind)


def test_what_is_right_is_not_warned_of():
    good = job(
        spot_rpm=2000.0, depth_mm=30.0, pecks_mm=(15.0, 15.0), point_angle_deg=118.0, lip_clearance_deg=12.0,
        droop_rpm_per_nm=100.0,
    )  # fmt: skip
    assert set(kinds(plan_hole(good))) == {"softening", "material"}
    assert not any(kinds(plan_hole(good)).values())


def test_wood_does_not_soften():
    wood = parse_job(job_text(job()).replace('"acrylic"', '"hardwood"'), "wood.toml")
    assert chip_temperature(plan_hole(wood)) is None
    assert "softening" not in kinds(plan_hole(wood))


def test_a_force_that_depends_on_the_chip_is_taken_at_the_jobs_feed():
    steel = replace(job().properties, kc=1500.0, kc_exponent=0.25, ranges={})
    planned = plan_hole(job(properties=steel, feed_mm_per_rev=0.2, point_angle_deg=118.0))
    # h = 0.2 / 2 * sin 59 degrees = 0.0857 mm, kc = 1500 * 0.0857^-0.25 = 2772 N/mm^2, by hand.
    assert cutting_force(planned.job)[0] == pytest.approx(2772, abs=2)
    assert planned.pecks[0].torque_nm == pytest.approx(2772 * 0.2 * 36.0 / 8000, rel=1e-3)


def test_cutting_speed_is_the_rims():
    # A drill of 1000/pi mm at 1 rpm cuts at 1 m/min.
    assert cutting_speed(job(drill_diameter_mm=1000 / 3.141592653589793, spindle_rpm=1.0)) == pytest.approx(
        1.0
    )


def test_the_words_are_in_the_persons_units():
    inch = plan_hole(job(units="in", **PLANES, rapid_mm_min=1524.0))
    text = "\n".join([*plan_lines(inch), *caution_lines(cautions(inch, 0.5))])
    assert "hole 4.331 in deep" in text
    assert " mm" not in text.replace("in/rev", "")


def test_the_plan_as_json_holds_everything():
    planned = plan_hole(job(droop_rpm_per_nm=150.0))
    data = json.loads(
        json.dumps(plan_json(planned, cautions(planned, 0.6), {"fastest": planned}), allow_nan=False)
    )
    assert len(data["pecks"]) == len(data["fastest"]["pecks"]) == 16
    peck = data["pecks"][6]
    assert (peck["chips"], peck["from_mm"], peck["to_mm"]) == ("trapped", 54.0, 60.0)
    assert {"fill", "fill_low", "fill_high", "feed_s", "torque_nm", "power_w", "sag_pct"} <= set(peck)
    assert data["time_without"] == ["machine.rapid", "hole.retract", "hole.approach"]
    assert {"kind", "warning", "text"} == set(data["cautions"][0])


@pytest.mark.parametrize("changed", [{}, {"units": "in"}, {"depth_mm": 20.0, "pecks_mm": (20.0,)}])
def test_the_picture_is_sound_and_shows_every_trapping_peck(changed):
    planned = plan_hole(job(name="a < b & c", **changed))
    root = ElementTree.fromstring(plan_svg(planned, 2 / 3))
    trapping = sum(peck.trapped_mm > 0 for peck in planned.pecks)
    assert len(root.findall(".//{*}polygon")) == 2 * trapping
    _, _, width, height = map(float, root.get("viewBox").split())
    for line in root.findall(".//{*}line"):
        assert all(0 <= float(line.get(key)) <= width for key in ("x1", "x2"))
        assert all(0 <= float(line.get(key)) <= height for key in ("y1", "y2"))
    assert "a < b & c: how full the flutes are" in "".join(root.itertext())


def test_the_draft_says_that_it_is_one_and_cannot_run_through():
    blocks = draft_program(job(dwell_s=0.2), job().pecks_mm, Planes(10.0, 2.0, 0.5)).splitlines()
    assert blocks[1] == "(DRAFT. CHECK EVERY BLOCK AT THE MACHINE BEFORE YOU RUN IT)"
    first_move = next(i for i, block in enumerate(blocks) if block.startswith(("G0", "G1")))
    assert any(block.startswith("M0 ") for block in blocks[:first_move])
    words = {
        word[0]
        for block in blocks
        if not block.startswith(("(", "%"))
        for word in block.split("(")[0].split()
    }
    assert words == {"G", "S", "M", "Z", "F"}  # no X, no tool, no spindle start
    assert not any(block.split()[0] in ("M3", "M4") for block in blocks)
    assert any("DWELL OF 0.2 S" in block for block in blocks)
    assert all(len(block) < 128 and block.isascii() and block.count("(") <= 1 for block in blocks)


def test_a_name_cannot_break_a_comment():
    blocks = draft_program(job(name="pulls (new)\nG0 Z-99. é"), (10.0,), Planes(9.0, 2.0, 0.5)).splitlines()
    assert blocks[2] == "(PULLS  NEW  G0 Z-99.)"


LENGTHS_MM = st.integers(500, 40_000).map(lambda microns: microns / 1000)
LENGTHS_IN = st.integers(200, 15_000).map(lambda tenths: tenths * 25.4 / 10_000)


@given(st.data())
def test_a_job_survives_its_program_and_a_program_its_job(data):
    units = data.draw(st.sampled_from(["mm", "in"]))
    lengths = LENGTHS_MM if units == "mm" else LENGTHS_IN
    pecks = tuple(data.draw(st.lists(lengths, min_size=1, max_size=12)))
    retract = data.draw(lengths)
    given_job = job(
        units=units,
        pecks_mm=pecks,
        depth_mm=sum(pecks),
        spindle_rpm=float(data.draw(st.integers(100, 4000))),
        retract_mm=retract,
        clearance_mm=retract + data.draw(lengths),
        approach_mm=data.draw(st.sampled_from([0.3, 0.5])) if units == "mm" else 0.508,
    )
    planes = Planes(given_job.clearance_mm, given_job.retract_mm, given_job.approach_mm)
    text = draft_program(given_job, pecks, planes)
    found = find_hole(read_program(text))
    assert not [remark for remark in found.remarks if remark.note is Note.NOT_UNDERSTOOD]
    again = with_hole(job(approach_mm=given_job.approach_mm), found, found.hole)
    assert again.pecks_mm == pytest.approx(pecks, abs=0.003)
    assert again.spindle_rpm == given_job.spindle_rpm
    assert again.feed_mm_per_rev == pytest.approx(0.08, rel=0.01)
    assert (again.clearance_mm, again.retract_mm) == pytest.approx((planes.clearance_mm, retract), abs=0.003)
    same_feed = again.model_copy(update={"name": given_job.name})
    planes = Planes(again.clearance_mm, again.retract_mm, again.approach_mm)
    assert draft_program(same_feed, again.pecks_mm, planes) == text


@given(st.lists(st.sampled_from([20.0, 10.0, 6.0, 6.0, 6.0, 3.5]), min_size=1, max_size=12))
def test_the_job_file_written_reads_as_the_same_job(pecks):
    first = job(pecks_mm=tuple(pecks), depth_mm=sum(pecks), dwell_s=0.2, droop_rpm_per_nm=150.0, **PLANES)
    again = parse_job(job_text(first), "again")
    assert again == first
    assert len(repeated_pecks(pecks, sum(pecks))) <= len(pecks)


def test_moves_end_where_they_began_and_never_rapid_into_the_uncut():
    moves = hole_moves([20.0, 10.0, 6.0], Planes(10.0, 2.0, 30.0), dwell=True)
    assert (moves[0].from_mm, moves[-1].to_mm) == (-10.0, -10.0)
    assert sum(move.kind is MoveKind.DWELL for move in moves) == 3
    deepest = 0.0
    for move in moves:
        if move.kind is MoveKind.RAPID:
            assert move.to_mm <= deepest
        deepest = max(deepest, move.to_mm)
