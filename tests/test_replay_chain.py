"""Replay with nothing scripted: synthetic work in, evidence out, at the rates and formats people have."""

import csv
import json
import re
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from monitor import cli
from monitor.baseline import save_baseline
from monitor.signal.orders import FreeRun, learn_baseline
from monitor.synth.scenes import SCENES, free_running, job_toml, render_scene
from tests.evidence.test_store import asked

FS = 48_000
ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def lamp(tmp_path_factory):
    """One machine: its baseline, and a good batch and a bind on it, with their jobs and truth."""
    folder = tmp_path_factory.mktemp("lamp")
    scenes = {name: SCENES[name].make(1) for name in ("normal_batch", "bind")}
    machine, room = scenes["bind"].machine, scenes["bind"].room
    free = [
        FreeRun(rpm, free_running(machine, room, rpm, 8.0, seed, FS), FS)
        for seed, rpm in enumerate(SCENES["bind"].baseline_rpm)
    ]
    save_baseline(learn_baseline(free, "2026-11-25T09:00:00Z"), folder / "baseline.json")
    rendered = {}
    for name, scene in scenes.items():
        rendered[name] = render_scene(scene, FS)
        (folder / f"{name}.toml").write_text(job_toml(scene), encoding="utf-8")
        soundfile.write(folder / f"{name}.flac", rendered[name].x, FS, subtype="PCM_24")
    return SimpleNamespace(folder=folder, rendered=rendered, scenes=scenes)


def replay(lamp, name, out, recording=None, *more):
    recording = recording or lamp.folder / f"{name}.flac"
    inputs = ["--job", str(lamp.folder / f"{name}.toml"), "--baseline", str(lamp.folder / "baseline.json")]
    return cli.main(["replay", str(recording), *inputs, "--out", str(out), *more])


def events_of(out):
    return [json.loads(line) for line in (out / "events.jsonl").read_text("utf-8").splitlines()]


def rows_of(out, name):
    with (out / name).open(newline="") as file:
        return list(csv.DictReader(file))


def test_a_good_batch_raises_no_hold(lamp, tmp_path, capsys):
    assert replay(lamp, "normal_batch", tmp_path) == 0
    assert "No hold was raised." in capsys.readouterr().out
    truth = lamp.rendered["normal_batch"].truth
    rows = rows_of(tmp_path, "trace.csv")
    assert len(rows) >= 10 * (truth.seconds - 1)
    known = [r for r in rows if r["speed_rpm"] and float(r["speed_confidence"]) > 0.8]
    steady = [r for r in known if float(r["speed_rpm"]) > 0.95 * 900]
    assert len(steady) > 0.3 * len(rows)
    off = [abs(float(r["speed_rpm"]) / float(truth.rpm_at(float(r["t"]))) - 1) for r in steady]
    # A constant dial error is invisible, so the scale may differ by what free running differs.
    assert np.median(off) < 0.02


@pytest.mark.parametrize("speed", ["3000 rpm", "300 rpm"])
def test_a_job_of_another_speed_fails_and_says_what_was_heard(lamp, tmp_path, capsys, speed):
    """Outside of the speeds that are looked at for the job's: status 0 would say that all was well."""
    job = tmp_path / "slip of the pen.toml"
    job.write_text((lamp.folder / "normal_batch.toml").read_text("utf-8").replace("900 rpm", speed), "utf-8")
    recording, baseline = str(lamp.folder / "normal_batch.flac"), str(lamp.folder / "baseline.json")
    arguments = ["--job", str(job), "--baseline", baseline, "--out", str(tmp_path / "out")]
    assert cli.main(["replay", recording, *arguments]) == 1
    out, err = capsys.readouterr()
    assert "No hold was raised." in out
    (said,) = err.splitlines()
    assert said.startswith(f"spindlebell replay: {job}: the spindle was not heard near the job's {speed}")
    heard = int(re.search(r"it turned at (\d+) rpm for [5-9]\d % of the recording; mend", said)[1])
    assert heard == pytest.approx(900, rel=0.03)


def test_a_spindle_that_stands_still_is_at_no_other_speed(lamp, tmp_path, capsys):
    """Only the room: little is heard, as it should be; but a script must not take it for a good batch."""
    x = 0.001 * np.random.default_rng(4).standard_normal(30 * FS)
    soundfile.write(tmp_path / "room.flac", x, FS, subtype="PCM_24")
    assert replay(lamp, "normal_batch", tmp_path / "out", tmp_path / "room.flac") == 1
    out, err = capsys.readouterr()
    assert "The spindle was heard in 0 % of the recording only." in out
    assert "by this baseline it turned" not in err
    assert "heard in 0 % of the recording and no blank to its end" in err


def test_a_binding_drill_is_held_and_all_evidence_agrees(lamp, tmp_path):
    assert replay(lamp, "bind", tmp_path) == 10
    (fault,) = lamp.rendered["bind"].truth.faults
    said = events_of(tmp_path)
    assert [e["t"] for e in said] == sorted(e["t"] for e in said)
    holds = [e for e in said if e["severity"] == "hold"]
    assert fault.onset_s < holds[0]["t"] < fault.end_s
    for e in said:
        assert (e["clip"] is not None) == (e["severity"] != "info")
        if e["clip"]:
            x, fs = soundfile.read(tmp_path / e["clip"], dtype="float32")
            (start, end) = asked(
                tmp_path / "evidence.db", f"SELECT start_s, end_s FROM clips WHERE name = '{e['clip']}'"
            )[0]
            assert start <= e["t"] - min(4.0, e["t"]) < e["t"] <= end
            whole = lamp.rendered["bind"].x[round(start * fs) : round(end * fs)]
            assert np.max(np.abs(x - whole)) <= 2**-23
    stored = asked(
        tmp_path / "evidence.db", "SELECT t, kind, severity, message, clip FROM events ORDER BY id"
    )
    assert stored == [
        (pytest.approx(e["t"]), e["kind"], e["severity"], e["message"], e["clip"] or "") for e in said
    ]
    assert asked(tmp_path / "evidence.db", "SELECT count(*) FROM trace") == [
        (len(rows_of(tmp_path, "trace.csv")),)
    ]
    assert asked(tmp_path / "evidence.db", "SELECT blank, peck FROM pecks ORDER BY id") == [
        (int(r["blank"]), int(r["peck"])) for r in rows_of(tmp_path, "pecks.csv")
    ]


def test_a_kind_that_may_only_warn_is_told_and_holds_nothing(tmp_path):
    published = ROOT / "recordings_synthetic"
    manifest = json.loads((published / "manifest.json").read_text("utf-8"))
    (scene,) = (one for one in manifest["scenes"] if one["name"] == "lost_cut")
    learn = [
        word for run in scene["baseline"] for word in ("--rpm", f"{run['rpm']}", f"{published / run['file']}")
    ]
    assert cli.main(["baseline", *learn, "-o", str(tmp_path / "baseline.json")]) == 0
    job = (published / scene["job"]).read_text("utf-8")
    (tmp_path / "job.toml").write_text(
        f'{job}\n[thresholds]\nwarn_only = ["lost_cut", "loosening"]\n', "utf-8"
    )
    inputs = ["--job", str(tmp_path / "job.toml"), "--baseline", str(tmp_path / "baseline.json")]
    assert cli.main(["replay", str(published / scene["file"]), *inputs, "--out", str(tmp_path / "out")]) == 0
    told = [e for e in events_of(tmp_path / "out") if e["kind"] == "lost_cut"]
    assert [e["severity"] for e in told] == ["warning"]
    assert "lets lost_cut only warn" in told[0]["message"]


@pytest.mark.parametrize(
    ("fs", "up", "down"), [(8_000, 1, 6), (16_000, 1, 3), (44_100, 147, 160), (192_000, 4, 1)]
)
def test_another_rate_than_the_baselines_is_heard_too(lamp, tmp_path, fs, up, down):
    x = resample_poly(lamp.rendered["bind"].x.astype(np.float64), up, down)
    soundfile.write(tmp_path / "rec.wav", x, fs, subtype="PCM_16")
    assert replay(lamp, "bind", tmp_path / "out", tmp_path / "rec.wav") == 10
    (fault,) = lamp.rendered["bind"].truth.faults
    first = next(e for e in events_of(tmp_path / "out") if e["severity"] == "hold")
    assert fault.onset_s < first["t"] < fault.end_s


def test_one_of_eight_float_channels_is_the_same_as_alone(lamp, tmp_path):
    x = lamp.rendered["bind"].x
    eight = np.zeros((len(x), 8), dtype=np.float32)
    eight[:, 5] = x
    soundfile.write(tmp_path / "eight.wav", eight, FS, subtype="FLOAT")
    soundfile.write(tmp_path / "alone.wav", x, FS, subtype="FLOAT")
    started = ("--started", "2026-11-25T10:00:00Z")
    assert replay(lamp, "bind", tmp_path / "a", tmp_path / "eight.wav", "--channel", "6", *started) == 10
    assert replay(lamp, "bind", tmp_path / "b", tmp_path / "alone.wav", *started) == 10
    for name in ("events.jsonl", "trace.csv", "pecks.csv"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


@pytest.mark.parametrize("value", [np.nan, np.inf, 0.0])
def test_a_recording_with_nothing_to_hear_is_a_microphone_fault(lamp, tmp_path, value):
    x = lamp.rendered["normal_batch"].x.copy()
    x[5 * FS :] = value
    soundfile.write(tmp_path / "rec.wav", x, FS, subtype="FLOAT")
    assert replay(lamp, "normal_batch", tmp_path / "out", tmp_path / "rec.wav") == 10
    first = next(e for e in events_of(tmp_path / "out") if e["severity"] == "hold")
    assert (first["kind"], 5.0 < first["t"] < 6.0) == ("mic_fault", True)
    for name in ("trace.csv", "pecks.csv"):
        text = (tmp_path / "out" / name).read_text().lower()
        assert "nan" not in text
        assert "inf" not in text


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="reads memory as Linux shows it")
def test_memory_stays_flat(lamp, tmp_path):
    """Minutes of work take no more memory than seconds, and both under 200 MB."""
    x = lamp.rendered["normal_batch"].x
    # The peak of the process itself: getrusage's would count in the one that it was forked from.
    program = (
        "import sys; from pathlib import Path; from monitor import cli; cli.main(sys.argv[1:]);"
        "print(Path('/proc/self/status').read_text().split('VmHWM:')[1].split()[0])"
    )

    def highest_kib(seconds: int) -> int:
        path = tmp_path / f"{seconds}.wav"
        soundfile.write(path, np.resize(x, seconds * FS), FS, subtype="PCM_16")
        command = ["replay", str(path), "--job", str(lamp.folder / "normal_batch.toml")]
        command += ["--baseline", str(lamp.folder / "baseline.json"), "--out", str(tmp_path / f"{seconds}")]
        done = subprocess.run(
            [sys.executable, "-c", program, *command], cwd=ROOT, capture_output=True, text=True, check=True
        )
        return int(done.stdout.splitlines()[-1])

    short, long = highest_kib(60), highest_kib(240)
    assert long < 200_000
    assert long - short < 10_000  # three minutes of 48 kHz sound in float32 would be 34 000 KiB
