"""``spindlebell replay`` from arguments to evidence: exit statuses, sentences, and nothing half-written.

The listener is scripted here, so that what it says is known; test_replay_chain.py has the whole chain.
"""

import csv
import json
import os
import sqlite3
from collections import Counter
from datetime import UTC, datetime

import numpy as np
import pytest
import soundfile

from monitor import cli
from monitor.commands import replay
from monitor.commands.replay import Tally, deaf, off_speed, strange
from monitor.evidence.archive import Archive
from monitor.evidence.past_recordings import recording_of
from monitor.job import default_job, parse_job
from monitor.measurements import Event, Heard, Kind, Severity
from tests.scripted import NAN, ScriptedListener, event, peck, row

JOB = """
[job]
name = "cord pulls"
blanks = 2
material = "acrylic"
[spindle]
speed = "900 rpm"
[drill]
diameter = "0.25 in"
flutes = 2
flute_length = "2 in"
feed = "0.003 in/rev"
[hole]
depth = "4 in"
pecks = ["0.8 in", "0.4 in", "0.25 in"]
"""


_UNHEARD = [row(0.05 * (hop + 1))._replace(speed_rpm=NAN) for hop in range(500)]


@pytest.fixture
def script(monkeypatch):
    """Events and pecks that the scripted listener will tell; what it was made with and fed."""
    told = {"events": [], "pecks": [], "listeners": []}

    def make(baseline, job, fs):
        listener = ScriptedListener(fs, told["events"], told["pecks"])
        told["listeners"].append((baseline, job, listener))
        return listener

    monkeypatch.setattr(replay, "Listener", make)
    monkeypatch.setattr(replay, "load_baseline", lambda path: f"baseline of {path}")
    monkeypatch.setattr(replay, "learned_orders", lambda baseline: (1.0, 2.0))
    monkeypatch.setattr(replay, "describe", lambda baseline: f"{baseline}, in words")
    return told


@pytest.fixture
def files(tmp_path):
    (tmp_path / "job.toml").write_text(JOB)
    x = 0.1 * np.random.default_rng(3).standard_normal((8 * 16_000, 2))
    soundfile.write(tmp_path / "rec.wav", x, 16_000)
    return tmp_path


def run(files, *more, recording="rec.wav"):
    arguments = [str(files / recording), "--job", str(files / "job.toml"), "--baseline", "b.json"]
    return cli.main(["replay", *arguments, "--out", str(files / "out"), *more])


def test_no_hold_is_status_0(files, script, capsys):
    blank = [event(t, Kind.BLANK_START, Severity.INFO) for t in (1.0, 2.0)]  # the first one proved to be none
    blank.append(event(7.0, Kind.BLANK_END, Severity.INFO))
    script["events"] = [*blank, event(5.0, severity=Severity.WARNING)]
    script["pecks"] = [peck(4.0), peck(6.0, 2)]
    assert run(files) == 0
    out, err = capsys.readouterr()
    assert "Heard 0:08.00 of sound" in out
    assert "1 of 2 blanks, 2 pecks." in out
    assert "No hold was raised." in out
    assert "1 warning:\n  0:05.00  sag (blank 1, peck 2, at 1.24 in): Something at 5.00 s" in out
    assert f"Evidence: {files / 'out'}, batch 1" in out
    assert err == ""


@pytest.mark.parametrize(("turning", "said"), [(0.1, True), (0.3, False)])
def test_a_spindle_that_was_hardly_heard_is_said_so(turning, said):
    """By another machine's baseline."""
    tally = Tally(rows=1000, rows_at_rpm=Counter({900: round(1000 * turning)}))
    assert bool(strange(tally)) is said
    assert not said or "heard in 10 % of the recording only" in strange(tally)[0]
    assert strange(Tally(rows=100)) == []  # a piece between two blanks


@pytest.mark.parametrize(
    ("turning", "blanks", "told"), [(0.01, 0, True), (0.0, 0, True), (0.01, 1, False), (0.3, 0, False)]
)
def test_a_batch_that_was_not_heard_is_an_error(turning, blanks, told):
    """A blank that was heard to its end shows that the rest may be a machine that stood."""
    tally = Tally(rows=4000, blanks=blanks, rows_at_rpm=Counter({310: round(4000 * turning)}))
    said = deaf(tally)
    assert (said is not None) is told
    assert said is None or f"heard in {100 * turning:.0f} % of the recording and no blank to its end" in said
    assert deaf(Tally(rows=100)) is None  # a piece between two blanks


def test_an_unheard_batch_ends_with_1_and_a_line_for_a_script(files, script, monkeypatch, capsys):
    monkeypatch.setattr(replay, "heard_elsewhere", lambda recording, baseline, job: None)
    monkeypatch.setattr(ScriptedListener, "feed", lambda self, x: Heard(trace=_UNHEARD))
    assert run(files) == 1
    out, err = capsys.readouterr()
    assert "No hold was raised." in out
    assert err.count("\n") == 1
    assert err.startswith(f"spindlebell replay: {files / 'rec.wav'}: the spindle was heard in 0 %")
    assert "learn the baseline again" in err
    held = Heard(trace=_UNHEARD, events=[event(3.0)])
    monkeypatch.setattr(ScriptedListener, "feed", lambda self, x: held)
    assert run(files) == 10  # a hold comes first


def test_what_is_counted_does_not_grow_with_the_length():
    """`listen` counts too, and runs for days: a list of speeds took 2 MB an hour."""
    tally = Tally()
    for t in range(3000):
        tally.add(Heard(trace=[row(float(t))]))
    assert (tally.rows, tally.rows_at_rpm.total()) == (3000, 3000)
    assert len(tally.rows_at_rpm) == 3


@pytest.mark.parametrize(("rpm", "said"), [(900.0, False), (870.0, False), (2000.0, False), (1130.0, True)])
def test_another_speed_than_the_jobs_is_said(rpm, said):
    """Depths are reckoned from the job's feed and speed, so that a slip of the pen there spoils them."""
    job = default_job().model_copy(update={"spindle_rpm": 900.0, "spot_rpm": 2000.0})
    told = off_speed(Tally(rows=1000, rows_at_rpm=Counter({500: 480, round(rpm): 520})), job)
    assert bool(told) is said
    assert not said or "turned at 1130 rpm, and the job says 900 and 2000 rpm" in told[0]


def test_the_recording_is_found_again_from_any_directory(files, script, monkeypatch, tmp_path_factory):
    monkeypatch.chdir(files)
    assert cli.main(["replay", "rec.wav", "--job", "job.toml", "--baseline", "b.json", "--out", "out"]) == 0
    monkeypatch.chdir(tmp_path_factory.mktemp("elsewhere"))
    (batch,) = Archive(files / "out").batches()
    assert recording_of(batch, files / "out") == (files / "rec.wav", 1)


def test_a_hold_is_status_10(files, script, capsys):
    script["events"] = [event(3.0), Event(6.5, Kind.MIC_FAULT, Severity.HOLD, "The microphone is silent.")]
    assert run(files) == 10
    out = capsys.readouterr().out
    assert "2 holds:\n" in out
    assert "\n  0:06.50  mic_fault: The microphone is silent.\n" in out
    said = [json.loads(line) for line in (files / "out" / "events.jsonl").read_text("utf-8").splitlines()]
    assert [e["kind"] for e in said] == ["sag", "mic_fault"]
    assert soundfile.info(files / "out" / said[0]["clip"]).samplerate == 16_000
    with (files / "out" / "trace.csv").open() as file:
        assert len(list(csv.DictReader(file))) == 8 * 20


def test_the_batch_says_where_it_came_from(files, script):
    assert run(files, "--channel", "2", "--started", "2026-11-25T12:00:00+02:00") == 0
    db = sqlite3.connect(files / "out" / "evidence.db")
    said = db.execute(
        "SELECT started_at, started_from, source, sample_rate_hz, job, baseline, state FROM batches"
    )
    assert said.fetchall() == [
        (
            "2026-11-25T10:00:00.000Z",
            "given",
            f"{files / 'rec.wav'}, channel 2",
            16_000,
            JOB,
            "baseline of b.json, in words",
            "finished",
        )
    ]
    db.close()
    ((_, job, listener),) = script["listeners"]
    assert job.pecks_mm[0] == pytest.approx(20.32)
    assert (listener.fs, sum(listener.blocks), listener.finished) == (16_000, 8 * 16_000, True)


RESIN = """
[resin]
name = "cast resin, \\"clear\\""
kc = { value = 120.0, range = [90.0, 150.0], source = "measured" }
bulking = { value = 5.0, source = "measured" }
chip_form = { value = "curl", source = "seen" }
speed_m_min = { value = [5.0, 20.0], source = "data sheet" }
crackle = { value = 0.4, source = "heard" }
softens_c = { value = 60.0, source = "data sheet" }
"""


def test_a_material_of_ones_own_reaches_the_listener_and_stays_readable_in_the_evidence(files, script):
    (files / "own.toml").write_text(RESIN)
    (files / "job.toml").write_text(JOB.replace("acrylic", "resin"))
    assert run(files) == 2  # not in the table without the file
    assert run(files, "--materials", str(files / "own.toml")) == 0
    ((_, job, _),) = script["listeners"]
    assert (job.properties.bulking, job.properties.softens_c) == (5.0, 60.0)
    db = sqlite3.connect(files / "out" / "evidence.db")
    stored = db.execute("SELECT job FROM batches").fetchone()[0]
    db.close()
    assert stored.startswith(JOB.replace("acrylic", "resin").rstrip())
    assert parse_job(stored, "evidence") == job  # without the file


def test_the_start_is_taken_from_the_file_when_not_given(files, script):
    end = datetime(2026, 11, 20, 9, 30, 8, tzinfo=UTC).timestamp()
    os.utime(files / "rec.wav", (end, end))
    script["events"] = [event(3.0)]
    run(files)
    assert json.loads((files / "out" / "events.jsonl").read_text("utf-8"))["at"] == "2026-11-20T09:30:03.000Z"


def test_a_second_replay_keeps_the_first(files, script):
    script["events"] = [event(3.0)]
    run(files)
    first = (files / "out" / "events.jsonl").read_bytes()
    script["events"] = []
    assert run(files) == 0
    assert (files / "out" / "earlier" / "0001" / "events.jsonl").read_bytes() == first
    assert (files / "out" / "events.jsonl").read_bytes() == b""


def test_a_recording_that_is_cut_short_is_heard_to_its_end_and_told(files, script, capsys):
    os.truncate(files / "rec.wav", 44 + 4 * 5 * 16_000)
    script["events"] = [event(3.0)]
    assert run(files) == 10
    out, err = capsys.readouterr()
    assert "Heard 0:05.00 of sound" in out
    assert err.count("\n") == 1
    assert "cut short: 5.00 s of the 8.00 s" in err
    db = sqlite3.connect(files / "out" / "evidence.db")
    assert "cut short" in db.execute("SELECT note FROM batches").fetchone()[0]
    db.close()


@pytest.mark.parametrize(
    ("spoil", "more", "said"),
    [
        ("", ["--channel", "3"], "no channel 3; the file has channels 1 to 2"),
        ("", ["--started", "yesterday"], '"yesterday" is no time with an offset'),
        ("", ["--started", "2026-11-25T10:00:00"], "is no time with an offset"),
        ("text", [], "not a WAV or FLAC recording"),
        ("no job", [], "job.toml"),
        ("bad job", [], 'spindle.speed: "900"'),
    ],
)
def test_wrong_input_is_status_2_in_one_line_and_nothing_is_written(files, script, capsys, spoil, more, said):
    if spoil == "text":
        (files / "rec.wav").write_text("no sound\n" * 100)
    elif spoil == "no job":
        (files / "job.toml").unlink()
    elif spoil == "bad job":
        (files / "job.toml").write_text(JOB.replace("900 rpm", "900"))
    assert run(files, *more) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert said in err
    assert not (files / "out").exists()


def test_a_file_in_place_of_the_evidence_directory_is_a_wrong_argument(files, script, capsys):
    (files / "out").write_text("a file")
    assert run(files) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "a file is in the way" in err
    assert (files / "out").read_text() == "a file"


def test_places_are_told_only_where_known():
    tally = replay.Tally(
        heard_s=60.0, took_s=0.1, holds=[Event(1.0, Kind.STALL, Severity.HOLD, "It stands.")]
    )
    assert "  0:01.00  stall: It stands." in replay.summary(tally, default_job(), "out", 3)
    tally.holds = [Event(1.0, Kind.STALL, Severity.HOLD, "It stands.", blank=2, depth_mm=NAN)]
    assert "  0:01.00  stall (blank 2): It stands." in replay.summary(tally, default_job(), "out", 3)
