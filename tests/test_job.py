"""The job file: units of the person, one clear line for every mistake, and the peck schedule."""

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import JobError
from monitor.job import default_job, expand_pecks, load_job, parse_job, with_material
from monitor.planning.job_text import job_text
from monitor.planning.materials import load_materials
from monitor.toml_tables import MAX_FILE_BYTES

METRIC = """
[job]
name = "cord pulls"
blanks = 24
material = "acrylic"
[spindle]
speed = "900 rpm"
spot_speed = "2000 rpm"
[drill]
diameter = "6 mm"
flutes = 2
flute_length = "50 mm"
feed = "0.08 mm/rev"
[hole]
depth = "45 mm"
pecks = ["20 mm", "10 mm", "6 mm"]
"""

INCH = """
[job]
name = "cord pulls"
blanks = 24
material = "acrylic"
[spindle]
speed = "800 rpm"
[drill]
diameter = "1/4 in"
flutes = 2
flute_length = "2 in"
feed = "2.5 in/min"
[hole]
depth = "4 in"
pecks = ["0.8 in", "0.4 in", "0.25 in"]
[thresholds]
sag_hold = "6 %"
"""


def test_a_metric_job():
    job = parse_job(METRIC, "job.toml")
    assert (job.spindle_rpm, job.spot_rpm, job.units) == (900.0, 2000.0, "mm")
    assert job.pecks_mm == (20.0, 10.0, 6.0, 6.0, 3.0)
    assert (job.sag_warning_pct, job.sag_hold_pct) == (4.0, 8.0)


def test_an_inch_job_with_a_feed_rate():
    job = parse_job(INCH, "job.toml")
    assert job.units == "in"
    assert job.drill_diameter_mm == pytest.approx(6.35)
    assert job.feed_mm_per_rev == pytest.approx(2.5 * 25.4 / 800)
    assert job.pecks_mm[:3] == pytest.approx((20.32, 10.16, 6.35))
    assert sum(job.pecks_mm) == pytest.approx(101.6)
    assert (job.spot_rpm, job.sag_hold_pct) == (None, 6.0)


def test_a_material_of_ones_own(tmp_path):
    own = tmp_path / "materials.toml"
    table = (Path(__file__).parent.parent / "monitor/planning/materials.toml").read_text("utf-8")
    own.write_text(table.replace("[acrylic]", "[resin]"), "utf-8")
    assert parse_job(METRIC.replace("acrylic", "resin"), "job.toml", own).material == "resin"


def test_what_a_job_may_say_of_machine_planes_and_drill():
    said = (
        METRIC.replace('"6 mm"\nflutes', '"6 mm"\npoint_angle = "118 deg"\nlip_clearance = "12 deg"\nflutes')
        + """
clearance = "10 mm"
retract = "0.1 in"
approach = "0.5 mm"
dwell = "200 ms"
[machine]
rapid = "60 in/min"
acceleration = "200 mm/s2"
droop = "150 rpm/Nm"
reload = "20 s"
"""
    )
    job = parse_job(said, "job.toml")
    assert (job.point_angle_deg, job.lip_clearance_deg) == (118.0, 12.0)
    assert (job.clearance_mm, job.retract_mm, job.approach_mm) == pytest.approx((10.0, 2.54, 0.5))
    assert (job.dwell_s, job.reload_s) == (0.2, 20.0)
    assert (job.rapid_mm_min, job.acceleration_mm_s2, job.droop_rpm_per_nm) == (1524.0, 200.0, 150.0)
    silent = parse_job(METRIC, "job.toml")
    assert silent.clearance_mm is silent.rapid_mm_min is silent.droop_rpm_per_nm is silent.dwell_s is None
    with pytest.raises(JobError, match=r"hole\.clearance: 2 mm is nearer to the face than the retract plane"):
        parse_job(said.replace('"10 mm"\nretract', '"2 mm"\nretract'), "job.toml")


def test_a_job_knows_its_materials_values():
    job = parse_job(METRIC, "job.toml")
    assert job.properties == load_materials()["acrylic"]
    assert job.model_copy() == job
    assert hash(job) == hash(job.model_copy())


def test_a_material_written_in_the_job_file(tmp_path):
    own = METRIC.replace("acrylic", "resin")
    values = replace(load_materials()["burl"], key="resin", name='a "clear" one\x7f', bulking=2.7)
    text = with_material(own, parse_job(METRIC, "job.toml").model_copy(update={"properties": values}))
    assert parse_job(text, "job.toml").properties == values
    assert with_material(METRIC, parse_job(METRIC, "job.toml")) == METRIC
    with pytest.raises(JobError, match=r"^job\.toml: materials: resin\.chip_form: write chip_form = "):
        parse_job(own + "[materials.resin]\n", "job.toml")


def test_a_metric_drill_in_an_inch_hole_speaks_inches():
    assert parse_job(INCH.replace("1/4 in", "6 mm"), "job.toml").units == "in"


def test_the_demo_job_is_the_cord_pulls():
    job = default_job()
    assert (job.name, job.blanks, job.depth_mm) == ("cord pulls, cast acrylic", 24, 110.0)


MISTAKES = [
    ('"6 mm"\nflutes', '"6"\nflutes', 'drill.diameter: "6" has no unit; write "6 mm" or "0.236 in"'),
    ('"6 mm"]', '"six"]', 'hole.pecks[2]: "six" does not start with a number; write "6 mm" or "0.236 in"'),
    ("diameter", "diametr", 'drill.diametr: unknown key; did you mean "diameter"? (and 1 more)'),
    ("[hole]", "[hoel]", 'hoel: unknown key; did you mean "hole"? (and 1 more)'),
    (
        "flutes =",
        "xyz =",
        "drill.xyz: unknown key; known here: diameter, flutes, flute_length, feed, point_angle, "
        "lip_clearance (and 1 more)",
    ),
    ("flutes = 2\n", "", "drill.flutes: is missing; write for example flutes = 2"),
    ('feed = "0.08 mm/rev"', "", 'drill.feed: is missing; write for example feed = "0.08 mm/rev"'),
    (
        "blanks = 24",
        "blanks = 24.5",
        "job.blanks: 24.5 is not a whole number; write digits alone",
    ),
    (
        "blanks = 24",
        'blanks = "24"',
        'job.blanks: "24" is not a whole number; write digits alone',
    ),
    (
        "blanks = 24",
        "blanks = true",
        "job.blanks: true is not a whole number; write digits alone",
    ),
    ("blanks = 24", "blanks = 0", "job.blanks: 0 is too small; write at least 1"),
    ("flutes = 2", "flutes = 20", "drill.flutes: 20 is too large; write at most 8"),
    ('"cord pulls"', "1979-05-27", 'job.name: "1979-05-27" is not text; write it in quotes'),
    ('"cord pulls"', '""', 'job.name: "" is empty; write something'),
    ('"cord pulls"', f'"{"x" * 201}"', f'job.name: "{"x" * 59}... is too long; write at most 200 characters'),
    (
        '"cord pulls"',
        '"a\\u001b[31m"',
        r'job.name: "a\u001b[31m" holds what cannot be printed; write letters, digits and signs',
    ),
    (
        '["20 mm", "10 mm", "6 mm"]',
        str(["1 mm"] * 1001),
        f"hole.pecks: {json.dumps(['1 mm'] * 9)[:60]}... are too many; write at most 1000",
    ),
    ('["20 mm", "10 mm", "6 mm"]', "[]", "hole.pecks: [] is empty; write at least one"),
    (
        '["20 mm", "10 mm", "6 mm"]',
        '"20 mm"',
        'hole.pecks: "20 mm" is not a list; put it in brackets, with a comma between entries',
    ),
    (
        '"20 mm"',
        '"46 mm"',
        "hole.pecks[0]: 46 mm is deeper than the hole; write at most 45 mm, or a larger hole.depth",
    ),
    ('"6 mm"]', '"0.01 mm"]', "hole.pecks: more than 1000 pecks to the depth; write a longer last peck"),
    (
        '"0.08 mm/rev"',
        '"8 mm/rev"',
        "drill.feed: 8 mm/rev is over half the drill's diameter each revolution; "
        "check the unit, and the speed if this is a rate",
    ),
    (
        '"0.08 mm/rev"',
        '"0.02 mm/min"',
        "drill.feed: 0.0000222 mm/rev each revolution cuts no chip; check the unit and the speed",
    ),
    (
        "[hole]",
        '[thresholds]\nsag_warning = "8 %"\n[hole]',
        "thresholds.sag_warning: 8 % is not below sag_hold (8 %); a warning has to come before the hold",
    ),
    (
        '"acrylic"',
        '"acryllic"',
        'job.material: "acryllic" is not in the materials table; known: acrylic, burl, hardwood, softwood; '
        "--materials adds your own",
    ),
    ('"acrylic"', '"Acrylic"', 'job.material: "Acrylic" is not in the materials table; write "acrylic"'),
    (
        '"acrylic"',
        '"Plexiglass"',
        'job.material: "Plexiglass" is not in the materials table; write "acrylic"',
    ),
    (
        '"50 mm"',
        '"5 mm"',
        "drill.flute_length: 5 mm is less than the drill's diameter (6 mm); check the units of both",
    ),
    (
        "[hole]",
        '[thresholds]\nwarn_only = ["mic_fault"]\n[hole]',
        "thresholds.warn_only[0]: \"mic_fault\" is not known here; write 'stall', 'packing', 'melting', "
        "'chatter', 'loosening' or 'lost_cut'",
    ),
    ("[hole]", '[thresholds]\nsag = "8 %"\n[hole]', 'thresholds.sag: unknown key; did you mean "sag_hold"?'),
]


@pytest.mark.parametrize(("old", "new", "line"), MISTAKES)
def test_every_mistake_names_file_key_value_and_mend(old, new, line):
    assert METRIC.count(old) == 1
    with pytest.raises(JobError) as caught:
        parse_job(METRIC.replace(old, new), "job.toml")
    assert str(caught.value) == f"job.toml: {line}"


@pytest.mark.parametrize("broken", ["[hole", "[hole]\n[hole]", f"x = {'9' * 5000}\n[hole]"])
def test_what_is_not_toml(broken):
    with pytest.raises(JobError, match=r"^job\.toml: is not TOML: .+$"):
        parse_job(METRIC.replace("[hole]", broken), "job.toml")


@pytest.mark.parametrize(
    ("line", "mend"),
    [
        ("name = cord pulls", "write text in quotes"),
        ("name = “cord pulls”", 'write straight quotes, "'),
        ("speed = 800 rpm", "write what has a unit in quotes"),
        ("diameter = 1/4 in", "write what has a unit in quotes"),
        ('pecks = ["20 mm", "10 mm" "6 mm"]', "a list needs a comma"),
        ("blanks 24", "look at its quotes and brackets"),
    ],
)
def test_a_syntax_error_shows_its_line_and_what_is_mostly_wrong_with_such_a_one(line, mend):
    with pytest.raises(JobError) as refusal:
        parse_job(f"[job]\nblanks = 1\n{line}\n", "job.toml")
    assert re.search(rf"^job\.toml: is not TOML: .*line 3.*: {re.escape(line)}; {mend}", str(refusal.value))


def test_kinds_may_be_told_to_warn_only():
    text = METRIC.replace("[hole]", '[thresholds]\nwarn_only = ["lost_cut", "chatter", "lost_cut"]\n[hole]')
    job = parse_job(text, "job.toml")
    assert job.warn_only == ("lost_cut", "chatter")
    assert parse_job(job_text(job), "again").warn_only == job.warn_only


def test_a_table_given_as_a_value():
    with pytest.raises(JobError, match=r"hole: is not a table; write \[hole\]"):
        parse_job("hole = 3\n" + METRIC.split("[hole]")[0], "job.toml")


def test_a_key_of_any_length_is_named_briefly():
    with pytest.raises(JobError) as refusal:
        parse_job(f"{'9' * 5000} = 1\n{METRIC}", "job.toml")
    assert "unknown key" in str(refusal.value)
    assert len(str(refusal.value)) < 300


def test_deep_nesting_is_refused():
    with pytest.raises(JobError, match="is not"):
        parse_job("a = " + "[" * 5000 + "]" * 5000, "job.toml")


@pytest.mark.parametrize(
    ("content", "line"),
    [
        (b"[job]\nname = \"caf\xe9\"\n", "line 2 is not UTF-8 text; save the job file as UTF-8"),
        (METRIC.encode("utf-16"), "line 1 is not UTF-8 text"),
        (b"", "is missing"),
        (b"\x00" * 100, "is not TOML"),
        (b"#" * (MAX_FILE_BYTES + 1), "is over 1 MB; a job file is a short TOML text"),
    ],
)  # fmt: skip
def test_files_that_are_no_job(tmp_path, content, line):
    path = tmp_path / "job.toml"
    path.write_bytes(content)
    with pytest.raises(JobError, match=line) as caught:
        load_job(path)
    assert str(caught.value).startswith(f"{path}: ")


def test_a_byte_order_mark_and_windows_line_ends_are_no_hindrance(tmp_path):
    path = tmp_path / "job.toml"
    path.write_bytes(METRIC.replace("\n", "\r\n").encode("utf-8-sig"))
    assert load_job(path) == parse_job(METRIC, "job.toml")


def test_a_missing_file_and_a_directory(tmp_path):
    with pytest.raises(JobError, match="No such file"):
        load_job(tmp_path / "none.toml")
    with pytest.raises(JobError, match="Is a directory"):
        load_job(tmp_path)


@given(
    st.lists(st.floats(min_value=0.5, max_value=50.0), min_size=1, max_size=5),
    st.floats(min_value=1.0, max_value=300.0),
)
def test_the_expanded_schedule_reaches_the_depth_exactly(pecks, depth):
    schedule = expand_pecks(tuple(pecks), depth)
    assert sum(schedule) == pytest.approx(depth, rel=2e-6)
    assert all(peck > 0 for peck in schedule)
    for i, peck in enumerate(schedule[:-1]):
        assert peck == pecks[min(i, len(pecks) - 1)]
    assert schedule[-1] <= pecks[min(len(schedule), len(pecks)) - 1]
