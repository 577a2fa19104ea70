"""``spindlebell thresholds``: on curves with verdicts, and on recordings heard again."""

import json
import sqlite3
import warnings
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import distributed
import numpy as np
import pytest

from monitor import cli
from monitor.commands.thresholds import curve_pieces
from monitor.evidence.archive import Archive
from monitor.evidence.past_recordings import Task, recording_of, replay_all, replay_events
from monitor.evidence.recorder import Evidence
from monitor.evidence.store import BatchInfo
from monitor.measurements import Event, Heard, Kind, Severity, TraceRow

ROOT = Path(__file__).parent.parent
SCENES = ROOT / "recordings_synthetic"
FS = 8000
DAY = datetime(2026, 11, 20, tzinfo=UTC)
JOB = (ROOT / "monitor/data/cord_pulls.toml").read_text("utf-8")


def write(directory, hours, binds=(), spikes=(), seed=1):
    """Curves of good work, binds that a person calls real, and spikes of 6 % that one calls false."""
    rng = np.random.default_rng(seed)
    t = (np.arange(round(hours * 72_000)) + 1) / 20
    sag = 1.2 + 0.2 * rng.standard_normal(t.size)
    for at in binds:
        sag += np.clip((t - at) * 4.0, 0.0, 14.0) * ((t >= at) & (t < at + 6))
    for at in spikes:
        sag += 5.0 * ((t >= at) & (t < at + 0.5))
    said = [(at + 2.0, at, "real") for at in binds] + [(at + 0.3, at, "false") for at in spikes]
    events = [
        Event(when, Kind.SAG, Severity.HOLD, "It binds.", 8.1, 8.0, "%", 1, 1, 10.0, onset)
        for when, onset, _ in sorted(said)
    ]
    with Evidence(directory, BatchInfo(DAY, "given", "drawn", FS, JOB, "", "0")) as evidence:
        rows = [
            TraceRow(a, 900.0, 1.0, s, -40.0, 12.0, 3.0, 0.0, True)
            for a, s in zip(t.tolist(), sag.tolist(), strict=True)
        ]
        evidence.record(np.zeros(FS, np.float32), Heard(trace=rows, events=events))
        evidence.finish()
    archive = Archive(directory)
    verdicts = {round(when, 3): verdict for when, _, verdict in said}
    for past in archive.events(archive.batches()[0].number):
        archive.judge(past.number, verdicts[round(past.event.t, 3)], "Ann")


def answer(capsys, *words):
    assert cli.main(["thresholds", *map(str, words)]) == 0
    return capsys.readouterr().out


def test_false_holds_and_delays_against_each_threshold(tmp_path, capsys):
    write(tmp_path, 1.0, binds=(600.0, 1500.0, 2500.0), spikes=(900.0, 2000.0))
    told = json.loads(answer(capsys, tmp_path, "--json", "--false-holds", "1"))
    at = {row["limit_pct"]: row for row in told["thresholds"]}
    assert (at[4.0]["judged_false"], at[4.0]["real_found"], at[4.0]["real"]) == (2, 3, 3)
    assert (at[8.0]["judged_false"], at[8.0]["not_judged"]) == (0, 0)
    # The bind passes 4 % after 0.7 s and 8 % after 1.7 s.
    assert at[4.0]["delay_s"][0] == pytest.approx(0.75, abs=0.2)
    assert at[8.0]["delay_s"][0] == pytest.approx(1.75, abs=0.2)
    assert told["advised_hold_pct"] == 6.5  # the lowest over the spikes' 6.2 % and their noise
    assert at[4.0]["false_an_hour"][1] < 2.0 < at[4.0]["false_an_hour"][2]


def test_words_say_when_the_hours_do_not_suffice(tmp_path, capsys):
    write(tmp_path, 0.2, binds=(100.0,))
    said = answer(capsys, tmp_path)
    assert "Not enough evidence: 6.9 h" in said
    assert "1 of 1" in said
    assert max(map(len, said.splitlines())) < 180


def test_curves_deleted_for_space_are_neither_hours_nor_missed_causes(tmp_path, capsys):
    write(tmp_path, 0.5, binds=(200.0, 1500.0))
    with sqlite3.connect(tmp_path / "evidence.db") as db:
        db.execute("DELETE FROM trace WHERE t < 900")
    db.close()
    told = json.loads(answer(capsys, tmp_path, "--json"))
    at = {row["limit_pct"]: row for row in told["thresholds"]}
    assert at[8.0]["hours"] == pytest.approx(0.25, abs=0.001)
    assert (at[8.0]["real_found"], at[8.0]["real"]) == (1, 1)


def test_a_threshold_of_ones_own_is_judged_too(tmp_path, capsys):
    write(tmp_path, 0.2, binds=(100.0,))
    told = json.loads(answer(capsys, tmp_path, "--hold", "5.3 %", "--json"))
    assert 5.3 in {row["limit_pct"] for row in told["thresholds"]}


def test_curves_come_in_pieces_with_nothing_lost(tmp_path):
    write(tmp_path, 0.7)
    pieces = list(curve_pieces(Archive(tmp_path), 1))
    assert len(pieces) == 2
    assert np.array_equal(np.concatenate([p[0] for p in pieces]), Archive(tmp_path).curves(1, ("t",))[0])


@pytest.fixture(scope="module")
def baseline(tmp_path_factory):
    out = tmp_path_factory.mktemp("lamp") / "lamp.json"
    words = [
        word
        for rpm in (900, 2000)
        for word in ("--rpm", str(rpm), str(SCENES / f"baseline_lamp_{rpm}rpm.flac"))
    ]
    assert cli.main(["baseline", *words, "-o", str(out)]) == 0
    return out


def test_recordings_are_heard_again_with_other_thresholds(tmp_path, baseline, capsys):
    words = ["--job", str(SCENES / "bind.toml"), "--baseline", str(baseline), "--out", str(tmp_path)]
    assert cli.main(["replay", str(SCENES / "bind.flac"), *words]) == 10
    capsys.readouterr()
    said = answer(
        capsys,
        tmp_path,
        "--recordings",
        "--baseline",
        baseline,
        "--processes",
        "1",
        "--warning",
        "2 %",
        "--hold",
        "3 %",
        "--json",
    )
    by_hold = {row["hold_pct"]: row["holds"] for row in json.loads(said)["replays"]}
    assert set(by_hold) == {3.0, 8.0}
    assert by_hold[3.0][0][1] < by_hold[8.0][0][1]


def test_any_executor_does_and_gives_what_a_plain_call_gives(baseline):
    job = (SCENES / "bind.toml").read_text("utf-8")
    task = Task(str(SCENES / "bind.flac"), 1, str(baseline), job, 4.0, 8.0)
    with ThreadPoolExecutor(1) as executor:
        (done,) = replay_all([task], executor)
    assert repr(done) == repr(replay_events(task))  # a time that is not known, NaN, is unequal to itself
    assert any(event.severity is Severity.HOLD for event in done.events)


def test_recordings_that_are_gone_are_told(tmp_path, baseline, capsys):
    write(tmp_path, 0.05)
    assert cli.main(["thresholds", str(tmp_path), "--recordings", "--baseline", str(baseline)]) == 2
    assert "none of the recordings" in capsys.readouterr().err


def test_a_dask_cluster_runs_the_same_function(baseline):
    job = (SCENES / "bind.toml").read_text("utf-8")
    task = Task(str(SCENES / "bind.flac"), 1, str(baseline), job, 4.0, 8.0)
    with (
        warnings.catch_warnings(),
        distributed.Client(
            processes=False, n_workers=1, threads_per_worker=1, dashboard_address=None
        ) as client,
    ):
        warnings.simplefilter("ignore")
        (done,) = replay_all([task], client.get_executor())
    assert done.events == replay_events(task).events


def test_recordings_are_looked_for_beside_the_evidence(tmp_path):
    info = BatchInfo(DAY, "given", "rec.wav, channel 2", FS, JOB, "", "0")
    with Evidence(tmp_path, info) as evidence:
        evidence.finish()
    (batch,) = Archive(tmp_path).batches()
    assert recording_of(batch, tmp_path) is None
    (tmp_path / "rec.wav").touch()
    assert recording_of(batch, tmp_path) == (tmp_path / "rec.wav", 2)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--recordings"], "needs --baseline"),
        (["--false-holds", "0"], "above 0"),
        (["--hold", "8"], "--hold"),
        (["--recordings", "--baseline", "x.json"], "x.json"),
        (["--processes", "0"], "1 or more"),
    ],
)
def test_mistakes_are_told_in_one_line(tmp_path, capsys, words, told):
    write(tmp_path, 0.05)
    assert cli.main(["thresholds", str(tmp_path), *words]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert told in line
