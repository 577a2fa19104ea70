"""``spindlebell plan`` from arguments to table, files and exit status."""

import json
from pathlib import Path

import pytest

from monitor import cli
from monitor.job import default_job, load_job
from monitor.planning.materials import load_materials

DEMO = Path(__file__).parent.parent / "monitor/data/cord_pulls.toml"
PLANES = ["--retract", "2 mm", "--approach", "0.5 mm", "--clearance", "10 mm"]
RATES = ["--rapid", "1500 mm/min", "--acceleration", "200 mm/s2", "--dwell", "0.2 s", "--reload", "20 s"]
PROGRAM = """%
(cord pull)
N10 G20 G90 G94
N20 T2 M6
N30 S800 M3
N40 G0 X0 Z1.
N50 G99 G83 Z-4.3 R.1 Q.25 F2.5
N60 G80
N70 M98 P7
N80 M30
%
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    (tmp_path / "job.toml").write_text(DEMO.read_text("utf-8"), "utf-8")
    (tmp_path / "pull.nc").write_text(PROGRAM, "utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def plan(*arguments):
    return cli.main(["plan", *arguments])


def test_the_table_of_a_job(folder, capsys):
    assert plan("job.toml") == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "24 blanks of cast acrylic" in out
    assert out.count(" trapped") >= 10
    assert "Sag is not known" in out
    assert "deepest safe pecks: 13 pecks, 3 x 18, 9 x 6.2, 0.2 mm" in out
    assert "equal pecks, as of a canned cycle: 18 pecks, 17 x 6.2, 4.6 mm" in out
    assert "fastest schedule: 13 pecks, 1.8, 16.4, 2 x 18, 9 x 6.2 mm" in out
    assert "12 pecks would do with flutes filled to 67.2%." in out
    assert all(len(line) <= 100 for line in out.splitlines())


def test_what_the_job_file_does_not_say_can_be_said_as_options(folder, capsys):
    assert plan("job.toml", *PLANES, *RATES, "--droop", "150 rpm/Nm") == 0
    out = capsys.readouterr().out
    assert "Batch of 24:" in out
    assert "20.0 s to change each blank" in " ".join(out.split())
    assert "Sag is not known" not in out
    assert "0.96" in out


def test_json_is_the_only_output(folder, capsys):
    assert plan("job.toml", "--json", "--fill-limit", "50 %", "--from-program", "pull.nc") == 0
    data = json.loads(capsys.readouterr().out)
    assert max(peck["fill"] for peck in data["fastest"]["pecks"]) <= 0.5 + 1e-6
    assert any("M98" in remark["text"] for remark in data["program_remarks"])


def test_the_fastest_schedule_as_plot_program_and_job(folder, capsys):
    said = ["--use", "fastest", "--least-peck", "4 mm", "--increment", "0.5 mm", *PLANES, *RATES]
    assert plan("job.toml", *said, "--plot", "p.svg", "--program", "p.nc", "--job-out", "fast.toml") == 0
    assert "The program is a draft" in capsys.readouterr().out
    fast = load_job("fast.toml")
    assert min(fast.pecks_mm) >= 4.0 - 1e-9
    assert all((peck / 0.5) % 1 < 1e-6 for peck in fast.pecks_mm)
    assert (fast.clearance_mm, fast.dwell_s, fast.reload_s) == (10.0, 0.2, 20.0)
    assert (folder / "p.svg").read_text("utf-8").startswith("<svg")
    assert plan("job.toml", "--from-program", "p.nc", "--job-out", "again.toml") == 0
    again = load_job("again.toml")
    assert again.pecks_mm == pytest.approx(fast.pecks_mm)
    assert again.feed_mm_per_rev == pytest.approx(fast.feed_mm_per_rev)


def test_the_fastest_is_no_slower_than_any_other(folder, capsys):
    assert plan("job.toml", "--json", *PLANES, *RATES) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["fastest"]["hole_s"] <= data["deepest"]["hole_s"] <= data["hole_s"]


def test_a_program_becomes_a_job_to_fill_in(folder, capsys):
    assert plan("--from-program", "pull.nc", "--job-out", "new.toml") == 0
    out = capsys.readouterr().out
    assert "4.3 in deep in 18 pecks, 0.15, 16 x 0.25, 0.15 in" in out
    assert "line 9: M98: another program or a jump, not followed" in out
    text = (folder / "new.toml").read_text("utf-8")
    assert '# diameter = "6 mm"  # not known' in text
    assert plan("new.toml") == 2
    filled = text.replace("\n# ", "\n")
    (folder / "new.toml").write_text(filled, "utf-8")
    job = load_job("new.toml")
    assert job.feed_mm_per_rev == pytest.approx(2.5 * 25.4 / 800)
    assert len(job.pecks_mm) == 18


def test_the_materials_table_with_and_without_ones_own(folder, capsys):
    assert plan("--materials") == 0
    out = capsys.readouterr().out
    for entry in load_materials().values():
        assert all(source in out for source in entry.sources.values())
    (folder / "own.toml").write_text(
        (DEMO.parent.parent / "planning/materials.toml").read_text("utf-8").replace("[acrylic]", "[resin]"),
        "utf-8",
    )
    assert plan("--materials", "own.toml") == 0
    assert "\nresin: " in capsys.readouterr().out
    (folder / "job.toml").write_text(DEMO.read_text("utf-8").replace('"acrylic"', '"resin"'), "utf-8")
    assert plan("job.toml") == 2
    capsys.readouterr()
    assert plan("job.toml", "--materials", "own.toml", "--job-out", "whole.toml") == 0
    assert load_job("whole.toml").properties.key == "resin"  # its values went with it


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "JOB.toml is missing"),
        (["none.toml"], "none.toml: cannot be read"),
        (["job.toml", "--rapid", "1500"], '--rapid: "1500" has no unit'),
        (["job.toml", "--fill-limit", "120 %"], "--fill-limit: "),
        (["job.toml", "--bulking", "0.5"], "--bulking 0.5: packed chips take 1 to 60"),
        (["job.toml", "--bulking", "nan"], "--bulking nan"),
        (["job.toml", "--most-pecks", "0"], "--most-pecks 0: write at least 1"),
        (["job.toml", "--use", "fastest", "--most-pecks", "5"], "at least 13 pecks are needed"),
        (["job.toml", "--use", "deepest", "--increment", "9 mm"], "--use deepest: the limits leave 6.25 mm"),
        (["job.toml", "--program", "p.nc"], "clearance, retract, approach are not guessed"),
        (["job.toml", "--program", "p.nc", "--retract", "2 mm"], "clearance, approach are not guessed"),
        (["job.toml", "--clearance", "1 mm", "--retract", "2 mm"], "hole.clearance: 1 mm is nearer"),
        (["job.toml", "--plot", "nowhere/p.svg"], "cannot be written"),
        (["job.toml", "--plot", "x", "--job-out", "x"], "name the same file"),
        (["--from-program", "pull.nc"], "needs a job file to fill in the drill"),
        (["--from-program", "none.nc", "--job-out", "x"], "none.nc: cannot be read"),
        (["--from-program", "job.toml", "--job-out", "x"], "nothing is drilled along Z"),
        (["job.toml", "--from-program", "pull.nc", "--face", "-9"], "nothing is drilled along Z"),
    ],
)
def test_what_cannot_be_is_one_line_and_writes_nothing(folder, capsys, arguments, message):
    before = sorted(path.name for path in folder.iterdir())
    assert plan(*arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert message in err
    assert sorted(path.name for path in folder.iterdir()) == before


def test_numbers_read_in_another_unit_are_caught(folder, capsys):
    (folder / "pull.nc").write_text(PROGRAM.replace("Z-4.3", "Z-43000").replace("Q.25", "Q2500"), "utf-8")
    assert plan("job.toml", "--from-program", "pull.nc") == 2
    assert "check units and decimal points" in capsys.readouterr().err


def test_the_demonstrations_job_is_planned_as_it_is_drilled(folder, capsys):
    assert plan("job.toml", "--json") == 0
    data = json.loads(capsys.readouterr().out)
    lengths = [peck["to_mm"] - peck["from_mm"] for peck in data["pecks"]]
    assert lengths == pytest.approx(default_job().pecks_mm)
