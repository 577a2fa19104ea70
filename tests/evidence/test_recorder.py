"""The evidence directory as a whole: second runs, two at once, a full disk, a killed process."""

import csv
import json
import os
import pwd
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import textwrap
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
import soundfile

from monitor.errors import EvidenceError, NoEvidence
from monitor.evidence.exports import FILES
from monitor.evidence.recorder import Evidence
from monitor.measurements import Heard
from tests.evidence.test_store import INFO, asked
from tests.scripted import ScriptedListener, event, peck, row

FS = INFO.fs
ROOT = Path(__file__).parent.parent.parent


def events_in(path: Path) -> list[dict]:
    return [json.loads(line) for line in path.read_text("utf-8").splitlines()]


def write(directory: Path, seconds: int, *times: float) -> None:
    listener = ScriptedListener(FS, [event(t) for t in times], [peck(3.0)])
    x = np.full(FS, 0.1, dtype=np.float32)
    with Evidence(directory, INFO) as evidence:
        for _ in range(seconds):
            evidence.record(x, listener.feed(x))
        evidence.finish("all of it")


def test_a_whole_run(tmp_path):
    write(tmp_path / "new" / "dir", 12, 5.0, 11.0)
    out = tmp_path / "new" / "dir"
    names = {p.name for p in out.iterdir()} - {".lock"}
    assert names == {"events.jsonl", "trace.csv", "pecks.csv", "clips", "evidence.db"}
    said = events_in(out / "events.jsonl")
    assert [e["t"] for e in said] == [5.0, 11.0]
    assert all((out / e["clip"]).exists() for e in said)
    with (out / "trace.csv").open() as file:
        assert len(list(csv.DictReader(file))) == 12 * 20
    assert asked(out / "evidence.db", "SELECT count(*), max(t) FROM trace") == [(240, 12.0)]
    assert asked(out / "evidence.db", "SELECT t, clip FROM events") == [(e["t"], e["clip"]) for e in said]
    assert asked(out / "evidence.db", "SELECT blank, peck, end_s FROM pecks") == [(1, 1, 3.0)]
    clips = asked(out / "evidence.db", "SELECT name, start_s, end_s FROM clips ORDER BY start_s")
    assert clips == [(said[0]["clip"], 1.0, 8.0), (said[1]["clip"], 7.0, 12.0)]
    state = asked(out / "evidence.db", "SELECT state, duration_s, note, started_at FROM batches")
    assert state == [("finished", 12.0, "all of it", "2026-11-25T10:00:00.000Z")]


def test_a_second_run_keeps_the_first(tmp_path):
    write(tmp_path, 8, 5.0)
    first = {name: (tmp_path / name).read_bytes() for name in ("events.jsonl", "trace.csv", "pecks.csv")}
    clip = (tmp_path / events_in(tmp_path / "events.jsonl")[0]["clip"]).read_bytes()
    write(tmp_path, 9, 5.0, 6.0)
    for name, content in first.items():
        assert (tmp_path / "earlier" / "0001" / name).read_bytes() == content
    kept = events_in(tmp_path / "earlier" / "0001" / "events.jsonl")[0]
    assert (tmp_path / kept["clip"]).read_bytes() == clip
    assert len(events_in(tmp_path / "events.jsonl")) == 2
    counts = asked(tmp_path / "evidence.db", "SELECT batch, count(*) FROM trace GROUP BY batch")
    assert counts == [(1, 160), (2, 180)]


def test_a_second_run_keeps_the_first_even_without_its_store(tmp_path):
    write(tmp_path, 8, 5.0)
    clip = events_in(tmp_path / "events.jsonl")[0]["clip"]
    (tmp_path / "evidence.db").unlink()
    before = (tmp_path / clip).read_bytes()
    write(tmp_path, 8, 5.0)
    assert (tmp_path / clip).read_bytes() == before
    assert events_in(tmp_path / "events.jsonl")[0]["clip"] != clip


def test_an_error_inside_marks_the_batch_stopped(tmp_path):
    x = np.zeros(FS, dtype=np.float32)
    with suppress(RuntimeError), Evidence(tmp_path, INFO) as evidence:
        evidence.record(x, Heard(trace=[row(1.0)], events=[event(1.0)]))
        raise RuntimeError
    assert asked(tmp_path / "evidence.db", "SELECT state, duration_s FROM batches") == [("stopped", 1.0)]
    assert asked(tmp_path / "evidence.db", "SELECT count(*) FROM trace") == [(1,)]


def test_acts_are_kept_while_it_is_open(tmp_path):
    with Evidence(tmp_path, INFO) as evidence:
        evidence.act(61.25, "reset", "Ann")
    evidence.act(62.0, "reset", "too late")
    said = asked(tmp_path / "evidence.db", "SELECT t, at, act, by FROM acts")
    assert said == [(61.25, "2026-11-25T10:01:01.250Z", "reset", "Ann")]


def test_two_runs_at_once_are_refused(tmp_path):
    with Evidence(tmp_path, INFO) as evidence:
        with pytest.raises(EvidenceError, match="another run is writing"):
            Evidence(tmp_path, INFO)
        x = np.zeros(FS, dtype=np.float32)
        evidence.record(x, Heard(events=[event(1.0)]))
        evidence.finish()
    assert len(events_in(tmp_path / "events.jsonl")) == 1
    Evidence(tmp_path, INFO).close()


@pytest.mark.parametrize("what", ["file", "no store", "below a file"])
def test_a_directory_that_cannot_be_used(tmp_path, what):
    out = tmp_path / "out"
    if what == "file":
        out.write_text("mine")
    elif what == "below a file":
        (tmp_path / "out").write_text("mine")
        out = out / "below"
    else:
        out.mkdir()
        (out / "evidence.db").write_text("mine" * 1000)
    with pytest.raises(EvidenceError) as refusal:
        Evidence(out, INFO)
    assert str(out) in str(refusal.value)
    assert "\n" not in str(refusal.value)


@pytest.fixture
def unprivileged():
    """Root may write everywhere: for the length of the test it is the user nobody instead."""
    with tempfile.TemporaryDirectory() as place:  # tmp_path is below a directory of root alone
        if os.geteuid() != 0:
            yield Path(place)
            return
        nobody = pwd.getpwnam("nobody").pw_uid
        os.chown(place, nobody, -1)
        os.seteuid(nobody)
        yield Path(place)
        os.seteuid(0)


def test_a_directory_without_write_permission(unprivileged):
    unprivileged.chmod(0o500)
    with pytest.raises(EvidenceError, match="Permission denied"):
        Evidence(unprivileged / "out", INFO)
    unprivileged.chmod(0o700)
    Evidence(unprivileged / "out", INFO).close()


def child(script: str, *args: object) -> subprocess.Popen:
    head = """
        import resource, signal, sys
        from pathlib import Path
        import numpy as np
        from monitor.errors import EvidenceError
        from monitor.evidence.recorder import Evidence
        from tests.evidence.test_store import INFO
        from tests.scripted import ScriptedListener, event
        out, FS = Path(sys.argv[1]), INFO.fs
        x = np.random.default_rng(1).uniform(-0.5, 0.5, FS).astype(np.float32)
    """
    program = textwrap.dedent(head) + textwrap.dedent(script)
    return subprocess.Popen(
        [sys.executable, "-c", program, *map(str, args)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )


def test_a_killed_run_leaves_all_that_it_told(tmp_path):
    run = child(
        """
        listener = ScriptedListener(FS, [event(5.0 + 11.0 * i) for i in range(10_000)])
        with Evidence(out, INFO) as evidence:
            while True:
                heard = listener.feed(x)
                evidence.record(x, heard)
                for told in heard.events:
                    print(told.t, flush=True)
        """,
        tmp_path,
    )
    told = [float(run.stdout.readline()) for _ in range(6)]
    run.send_signal(signal.SIGKILL)
    told += [float(line) for line in run.communicate()[0].splitlines()]
    assert run.returncode == -signal.SIGKILL

    said = events_in(tmp_path / "events.jsonl")
    assert [e["t"] for e in said][: len(told)] == told
    for e in said:
        assert soundfile.info(tmp_path / e["clip"]).duration >= 4.0
    db = sqlite3.connect(tmp_path / "evidence.db")
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert [t for (t,) in db.execute("SELECT t FROM events ORDER BY id")][: len(told)] == told
    assert db.execute("SELECT max(t) FROM trace").fetchone()[0] >= told[-1] - 5.0
    db.close()
    lines = (tmp_path / "trace.csv").read_text().splitlines()
    assert float(lines[-2].split(",")[0]) >= told[-1] - 5.0

    write(tmp_path, 8, 5.0)  # the lock has gone with the process
    assert asked(tmp_path / "evidence.db", "SELECT state FROM batches") == [("stopped",), ("finished",)]
    assert events_in(tmp_path / "earlier" / "0001" / "events.jsonl") == said


def left_by_a_killed_run(directory: Path) -> None:
    """What a killed process leaves: a batch that runs by the store, with exports that are cut off."""
    living = directory.with_name("living")
    with Evidence(living, INFO) as evidence:
        for i in range(3):
            x = np.zeros(FS, dtype=np.float32)
            rows = [row(i + k / 20) for k in range(20)]
            evidence.record(x, Heard(rows, [event(i + 0.5)], [peck(i + 0.9, i + 1)]))
        shutil.copytree(living, directory)
    for name in FILES:
        content = (directory / name).read_bytes()
        (directory / name).write_bytes(content[: -len(content) // 3])


def test_the_next_run_completes_what_a_killed_one_left(tmp_path):
    left_by_a_killed_run(tmp_path / "out")
    write(tmp_path / "out", 8, 5.0)
    whole, completed = tmp_path / "living", tmp_path / "out" / "earlier" / "0001"
    for name in FILES:
        assert (completed / name).read_text("utf-8") == (whole / name).read_text("utf-8")


@pytest.mark.parametrize("moved", range(4))
def test_a_move_that_was_interrupted_is_completed_too(tmp_path, moved):
    out = tmp_path / "out"
    left_by_a_killed_run(out)
    (out / "earlier" / "0001").mkdir(parents=True)
    for name in FILES[:moved]:
        (out / name).rename(out / "earlier" / "0001" / name)
    write(out, 8, 5.0)
    for name in FILES:
        completed = (out / "earlier" / "0001" / name).read_text("utf-8")
        assert completed == (tmp_path / "living" / name).read_text("utf-8")
    assert [path.name for path in (out / "earlier").iterdir()] == ["0001"]


@pytest.mark.parametrize("content", [b"", b"fLaC", b"\0" * 5000])
def test_a_clip_that_a_power_cut_has_spoilt_gets_another_name(tmp_path, content):
    out = tmp_path / "out"
    left_by_a_killed_run(out)
    (spoilt,) = (out / "clips").glob("*.flac")
    good = spoilt.with_name("0001-000000.100-sag.flac")
    shutil.copy(spoilt, good)
    spoilt.write_bytes(content or spoilt.read_bytes()[:-3000])
    write(out, 2)
    assert good.exists()
    assert not spoilt.exists()
    assert spoilt.with_suffix(".spoilt").exists()


def test_a_damaged_value_hinders_no_new_run(tmp_path):
    out = tmp_path / "out"
    left_by_a_killed_run(out)
    asked(out / "evidence.db", "UPDATE pecks SET start_s = 'x'")
    before = (out / "events.jsonl").read_bytes()
    write(out, 8, 5.0)
    assert (out / "earlier" / "0001" / "events.jsonl").read_bytes() == before


def test_a_directory_without_a_name_is_not_the_one_that_one_is_in(tmp_path, monkeypatch):
    """As of `--out "$DIR"` in a script where DIR is not set."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(NoEvidence, match=r"no directory is named for the evidence; give one with --out"):
        Evidence("", INFO)
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_is_one_clear_line_and_what_was_written_stays(tmp_path):
    # A limit on the size of a file stands in for the disk: the write fails half way just the same.
    run = child(
        """
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))
        listener = ScriptedListener(FS, [event(7.0)])
        quiet = x * 0
        try:
            with Evidence(out, INFO) as evidence:
                for _ in range(3600):
                    evidence.record(quiet, listener.feed(quiet))
        except EvidenceError as error:
            print(error)
        """,
        tmp_path,
    )
    said, _ = run.communicate()
    assert run.returncode == 0
    assert said.count("\n") == 1
    assert f"{tmp_path}: the evidence cannot be written (" in said
    (kept,) = events_in(tmp_path / "events.jsonl")
    assert (kept["t"], (tmp_path / kept["clip"]).exists()) == (7.0, True)
    assert asked(tmp_path / "evidence.db", "SELECT t FROM events") == [(7.0,)]
    assert asked(tmp_path / "evidence.db", "SELECT count(*) FROM trace")[0][0] > 1000


@pytest.mark.skipif(
    not Path("/proc/self/status").exists(), reason="its measure of memory, VmHWM, is in Linux's /proc only"
)
def test_memory_does_not_grow_with_the_length(tmp_path):
    run = child(
        """
        listener = ScriptedListener(FS, [event(5.0 + 40 * i) for i in range(100)])
        def highest():
            return int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0])
        with Evidence(out, INFO) as evidence:
            marks = []
            for second in range(900):
                evidence.record(x * 0, listener.feed(x))
                listener.blocks = [sum(listener.blocks)]
                if second in (150, 899):
                    marks.append(highest())
        print(marks[1] - marks[0])
        """,
        tmp_path,
    )
    grown_kib = int(run.communicate()[0])
    assert grown_kib < 8_000  # 750 s at 48 kHz would be 144 000 KiB
