"""Past work over HTTP: batches, moments, verdicts, downloads."""

from __future__ import annotations

import base64
import csv
import io
import json
import sqlite3
import zipfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile
from starlette.testclient import TestClient

from dashboard.app import create_app
from dashboard.spectrogram import N_ROWS
from monitor.errors import EvidenceError
from monitor.evidence.archive import Archive
from monitor.evidence.recorder import Evidence
from monitor.evidence.store import BatchInfo
from monitor.job import default_job
from monitor.measurements import Event, Heard, Kind, PeckRow, Severity
from tests.dashboard.shop import info, rows
from tests.dashboard.test_app import HERE, SAME

FS = 16_000
JOB = Path(__file__).parents[2].joinpath("monitor/data/cord_pulls.toml").read_text("utf-8")
INFO = BatchInfo(
    datetime(2026, 11, 25, 10, tzinfo=UTC),
    "given",
    "synthetic: a recording",
    FS,
    JOB,
    "",
    "0",
    (20.0, 7.5, 9000.0),
)
NAN = float("nan")


def keep_batch(directory: Path, blanks: int = 6, t_hold: float = 12.0, message: str = "It binds.") -> None:
    """A batch of so many seconds with a moved threshold, a warning and a hold, and its sound."""
    job = default_job()
    sag = Event(t_hold, Kind.SAG, Severity.HOLD, message, 6.7, 6.0, "%", 2, 3, 34.1, t_hold - 0.3)
    events = [
        info(1.0, Kind.BLANK_START, "Blank 1 begins.", 1),
        replace(info(3.0, Kind.THRESHOLD, "The sag hold was set from 8 % to 6 %."), value=6.0, limit=8.0),
        replace(sag, t=t_hold - 0.2, severity=Severity.WARNING, limit=4.0),
        sag,
        info(14.0, Kind.BLANK_END, "Blank 1 ends.", 1),
    ]
    pecks = [
        PeckRow(
            b,
            p,
            2.0 * p,
            2.0 * p + 1,
            0,
            6,
            1 + 0.1 * b * p,
            2.0,
            NAN,
            9.0,
            0.5,
            "sag" if b == p == 3 else "",
        )
        for b in range(1, blanks + 1)
        for p in range(1, 4)
    ]
    x = np.random.default_rng(4).normal(0, 0.01, 20 * FS).astype(np.float32)
    with Evidence(directory, INFO) as evidence:
        for second in range(20):
            low, high = second, second + 1
            evidence.record(
                x[low * FS : high * FS],
                Heard(
                    list(rows(job, low, high, bind_at=t_hold - 0.5)),
                    [e for e in events if low < e.t <= high],
                    pecks if second == 15 else [],
                ),
            )
        evidence.act(15.0, "reset", "dashboard at 127.0.0.1")
        evidence.finish("a note")


@pytest.fixture
def directory(tmp_path: Path) -> Path:
    keep_batch(tmp_path)
    return tmp_path


@pytest.fixture
def client(directory: Path) -> Iterator[TestClient]:
    with TestClient(create_app(None, None, archive=Archive(directory)), base_url=HERE) as client:
        yield client


def the_hold(client: TestClient) -> int:
    events = client.get("/api/batches/1").json()["events"]
    (number,) = [event["number"] for event in events if event["severity"] == "hold"]
    return int(number)


def test_without_a_session_the_page_shows_past_work_only(client: TestClient) -> None:
    assert client.get("/api/session").json() == {
        "right": "operate",
        "until": None,
        "live": False,
        "past": True,
    }
    for path in ("/api/state", "/api/sound.wav"):
        assert client.get(path).status_code == 404
    assert client.post("/api/hold", headers=SAME).status_code == 404


def test_batches_and_one_of_them(client: TestClient, directory: Path) -> None:
    keep_batch(directory)
    listed = client.get("/api/batches").json()
    assert [batch["number"] for batch in listed["batches"]] == [2, 1]
    assert listed["running"] == 0
    batch = client.get("/api/batches/1").json()
    assert {key: batch[key] for key in listed["batches"][1]} == listed["batches"][1]
    assert (batch["started"], batch["state"], batch["duration_s"]) == (
        "2026-11-25T10:00:00Z",
        "finished",
        20.0,
    )
    assert (batch["blanks"], batch["pecks"], batch["holds"], batch["warnings"]) == (1, 18, 1, 1)
    assert batch["job"]["pecks_mm"] == list(default_job().pecks_mm)
    assert batch["rows"][0]["climb_depth_mm"] is None
    assert batch["acts"] == [
        {"t": 15.0, "at": "2026-11-25T10:00:15.000Z", "act": "reset", "by": "dashboard at 127.0.0.1"}
    ]


def test_drill_wear_is_the_trend_of_like_pecks(client: TestClient, directory: Path) -> None:
    few = client.get("/api/batches/1/wear").json()
    assert few["blanks"] == [1, 3, 4, 5, 6]  # the second was held
    assert (few["rise"], few["trend"], few["called"]) == (None, [], False)
    keep_batch(directory, blanks=14)
    wear = client.get("/api/batches/2/wear").json()
    assert wear["called"]
    assert wear["blanks"] == [1, *range(3, 15)]
    # peck 2, the middle one, loads 1 + 0.2 per blank: from 1.2 to 3.8, over some curve in the logarithm
    assert wear["load"][-1] / wear["load"][0] == pytest.approx(3.8 / 1.2, rel=1e-3)
    assert wear["low"] < wear["rise"] < wear["high"]
    assert wear["trend"][-1] == pytest.approx(1 + wear["rise"], rel=1e-3)
    assert len(wear["trend"]) == len(wear["load"])


def test_a_new_drill_begins_the_wear_anew(client: TestClient, directory: Path) -> None:
    keep_batch(directory, blanks=14)
    assert client.get("/api/batches/2/wear").json()["new_drill"] is None
    Archive(directory).mark(2, 1000.0, "new_drill", "by hand")  # when the batch was over: of the next one
    assert client.get("/api/batches/2/wear").json()["new_drill"] is None
    with closing(sqlite3.connect(directory / "evidence.db")) as db, db:
        db.execute("UPDATE pecks SET end_s = end_s + 10 * blank WHERE batch = 2")
        db.execute("UPDATE acts SET t = 50.5 WHERE act = 'new_drill'")
    wear = client.get("/api/batches/2/wear").json()
    assert wear["new_drill"] == 5
    assert wear["blanks"] == [1, *range(3, 15)]
    assert wear["trend"][:3] == [None] * 3  # blanks 1, 3 and 4
    assert wear["trend"][3] == 1.0
    assert len(wear["load"]) == len(wear["trend"]) == 13
    assert wear["load"][0] < 1 < wear["load"][-1]


def test_the_curve_of_a_batch_keeps_its_worst(client: TestClient, directory: Path) -> None:
    whole = client.get("/api/batches/1/curve?points=2000").json()
    short = client.get("/api/batches/1/curve?points=20").json()
    assert (len(whole["t"]), len(short["t"])) == (400, 20)
    assert max(short["sag_pct"]) == max(whole["sag_pct"]) == 60.0
    assert short["t"][-1] == pytest.approx(19.95)


def test_a_moment_has_its_curves_its_picture_and_the_limits_of_then(client: TestClient) -> None:
    moment = client.get(f"/api/events/{the_hold(client)}").json()
    assert moment["event"]["clip"]
    assert moment["limits"] == [4.0, 6.0]  # moved at 3 s
    assert (moment["start_s"], moment["end_s"]) == (pytest.approx(7.8), pytest.approx(15.0))
    t = [row[0] for row in moment["rows"]]
    assert (t[0], t[-1]) == (pytest.approx(7.8), pytest.approx(15.0))
    assert len(moment["fields"]) == len(moment["rows"][0])
    picture = moment["picture"]
    assert picture["rows"] == N_ROWS
    assert picture["lines"] == [20.0, 7.5]  # those that it reaches up to
    assert len(base64.b64decode(picture["columns"])) == N_ROWS * 72  # 7.2 s in tenths
    assert moment["event"]["onset_t"] == pytest.approx(11.7)


def test_the_sound_of_a_hold_is_what_was_heard(client: TestClient) -> None:
    answer = client.get(f"/api/events/{the_hold(client)}/clip.flac")
    assert answer.headers["content-type"] == "audio/flac"
    x, fs = soundfile.read(io.BytesIO(answer.content))
    assert (fs, x.size) == (FS, round(7.2 * FS))
    part = client.get(f"/api/events/{the_hold(client)}/clip.flac", headers={"range": "bytes=0-99"})
    assert (part.status_code, len(part.content)) == (206, 100)


def test_a_clip_that_was_deleted_leaves_the_rest(client: TestClient, directory: Path) -> None:
    for path in (directory / "clips").iterdir():
        path.unlink()
    number = the_hold(client)
    assert client.get(f"/api/events/{number}/clip.flac").status_code == 404
    moment = client.get(f"/api/events/{number}").json()
    assert (moment["picture"], moment["event"]["clip"]) == (None, False)
    assert len(moment["rows"]) == 201  # five seconds on either side
    assert zipfile.ZipFile(io.BytesIO(client.get("/api/batches/1/clips.zip").content)).namelist() == []


def test_a_spoilt_clip_is_an_answer_and_no_crash(client: TestClient, directory: Path) -> None:
    for path in (directory / "clips").iterdir():
        path.write_bytes(b"not a FLAC file")
    moment = client.get(f"/api/events/{the_hold(client)}")
    assert (moment.status_code, moment.json()["picture"]) == (200, None)


def test_a_verdict_is_kept_and_the_newest_counts(client: TestClient, directory: Path) -> None:
    number = the_hold(client)
    for verdict, note in (("false", "a door"), ("real", "")):
        body = {"verdict": verdict, "note": note}
        assert client.post(f"/api/events/{number}/verdict", json=body, headers=SAME).status_code == 200
    said = client.get(f"/api/events/{number}").json()["event"]["verdict"]
    assert (said["verdict"], said["by"]) == ("real", "dashboard at testclient")
    with sqlite3.connect(directory / "evidence.db") as db:
        assert db.execute("SELECT verdict, note FROM verdicts").fetchall() == [
            ("false", "a door"),
            ("real", ""),
        ]
    db.close()


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"verdict": "right"},
        {"verdict": "real", "note": "x" * 2001},
        {"verdict": "real", "extra": 1},
        [],
        None,
    ],
)
def test_a_verdict_that_is_none_is_refused(client: TestClient, body: object) -> None:
    answer = client.post(f"/api/events/{the_hold(client)}/verdict", json=body, headers=SAME)
    assert answer.status_code == 422


def test_only_warnings_and_holds_are_judged(client: TestClient) -> None:
    answer = client.post("/api/events/1/verdict", json={"verdict": "real"}, headers=SAME)
    assert answer.status_code == 409


def test_downloads_are_the_files_that_the_run_wrote(client: TestClient, directory: Path) -> None:
    for name in ("events.jsonl", "trace.csv", "pecks.csv"):
        answer = client.get(f"/api/batches/1/{name}")
        assert answer.text == (directory / name).read_text("utf-8"), name
        assert answer.headers["content-disposition"] == f'attachment; filename="batch-0001-{name}"'
    clips = zipfile.ZipFile(io.BytesIO(client.get("/api/batches/1/clips.zip").content))
    assert clips.testzip() is None
    (clip,) = (directory / "clips").iterdir()
    assert clips.read(clip.name) == clip.read_bytes()


def test_the_report_is_offered_where_one_can_be_made(client: TestClient, directory: Path) -> None:
    assert not client.get("/api/batches/1").json()["report"]
    assert client.get("/api/batches/1/report.html").status_code == 404

    def make(batch: int) -> str:
        if batch != 1:
            raise EvidenceError(f"{directory}: cannot be made")
        return "<!doctype html><title>A report</title>"

    keep_batch(directory)
    app = create_app(None, None, archive=Archive(directory), report=make)
    with TestClient(app, base_url=HERE) as client:
        assert client.get("/api/batches/1").json()["report"]
        answer = client.get("/api/batches/1/report.html")
        assert answer.headers["content-type"] == "text/html; charset=utf-8"
        assert answer.headers["content-disposition"] == 'attachment; filename="batch-0001-report.html"'
        assert "A report" in answer.text
        refused = client.get("/api/batches/2/report.html")
        assert refused.status_code == 503
        assert str(directory) not in refused.text
        assert client.get("/api/batches/3/report.html").status_code == 404


def test_a_long_batch_is_given_in_pieces(client: TestClient, directory: Path) -> None:
    with Evidence(directory, INFO) as evidence:
        for start in range(0, 1300, 100):  # more rows than a piece holds
            evidence.record(np.zeros(0, np.float32), Heard(list(rows(default_job(), start, start + 100))))
        evidence.finish()
    lines = list(csv.reader(io.StringIO(client.get("/api/batches/2/trace.csv").text)))
    assert len(lines) == 1 + 26_000
    t = [float(line[0]) for line in lines[1:]]
    assert t == sorted(set(t))


@pytest.mark.parametrize(
    "number", ["0", "-1", "2", "99999999999999999999", "1.5", "x", "1;DROP TABLE events", "%2e%2e"]
)
def test_numbers_that_lead_nowhere(client: TestClient, number: str) -> None:
    for path in ("batches/{}", "batches/{}/curve", "batches/{}/trace.csv", "batches/{}/clips.zip"):
        assert client.get(f"/api/{path.format(number)}").status_code in (404, 422)
    event = "999" if number == "2" else number
    for path in ("events/{}", "events/{}/clip.flac"):
        assert client.get(f"/api/{path.format(event)}").status_code in (404, 422)


def test_what_an_event_says_is_data_and_never_markup(tmp_path: Path) -> None:
    nasty = "<script>alert(1)</script>'; DROP TABLE events; --\u2028\u0000"
    keep_batch(tmp_path, message=nasty)
    client = TestClient(create_app(None, None, archive=Archive(tmp_path)), base_url=HERE)
    answer = client.get(f"/api/events/{the_hold(client)}")
    assert answer.headers["content-type"] == "application/json"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.json()["event"]["message"] == nasty
    told = [json.loads(line) for line in client.get("/api/batches/1/events.jsonl").text.split("\n")[:-1]]
    assert nasty in {event["message"] for event in told}


def test_a_store_that_cannot_be_read_says_so(client: TestClient, directory: Path) -> None:
    (directory / "evidence.db").write_bytes(b"shopping list " * 1000)
    for name in ("evidence.db-wal", "evidence.db-shm"):
        (directory / name).unlink(missing_ok=True)
    answer = client.get("/api/batches")
    assert answer.status_code == 503
    assert "cannot be had now" in answer.json()["detail"]
    assert str(directory) not in answer.text  # where it stands is nobody's business
