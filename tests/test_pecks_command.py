"""``spindlebell pecks`` on evidence: several batches, while one is being written, marks, and what cannot be
used."""

import json
import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from monitor import cli
from monitor.evidence.archive import Archive
from monitor.evidence.recorder import Evidence
from monitor.evidence.store import BatchInfo
from monitor.measurements import Heard
from tests.tuning.batches import draw_batch
from tests.tuning.evidence import FS, job_text, write_batch

DAY = datetime(2026, 11, 20, tzinfo=UTC)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """Two batches of one drawn job."""
    directory = tmp_path_factory.mktemp("evidence") / "shop"
    batch = draw_batch(5001, blanks=8)
    for k in range(2):
        write_batch(directory, batch, DAY + timedelta(hours=k))
    return directory, batch


@pytest.fixture
def evidence(written, tmp_path):
    directory, batch = written
    shutil.copytree(directory, tmp_path / "shop")
    return tmp_path / "shop", batch


def answer(capsys, *words):
    assert cli.main(["pecks", *map(str, words)]) == 0
    return capsys.readouterr().out


def test_truth_as_near_as_the_interval_says_and_a_schedule_that_keeps_to_it(evidence, capsys):
    directory, batch = evidence
    (job,) = json.loads(answer(capsys, directory, "--json"))["jobs"]
    assert (job["batches"], job["blanks"]) == (2, 16)
    told = job["critical_mm"]
    deviation = np.log(told["high"] / told["low"]) / (2 * 1.645)  # of a 90 % interval
    assert abs(np.log(told["value"] / batch.critical_mm)) < 2.58 * deviation
    assert job["advised"]["risk"] <= 0.06
    assert sum(job["advised"]["pecks_mm"]) == pytest.approx(batch.cycle.depth_mm, rel=1e-3)


def test_words_for_a_person(evidence, capsys):
    directory, _ = evidence
    said = answer(capsys, directory)
    assert "The load begins to climb after" in said
    assert "pecks = [" in said
    assert "not a safety function" in said
    assert max(map(len, said.splitlines())) < 160


def test_what_was_found_is_kept_and_found_again(evidence, capsys):
    directory, _ = evidence
    first = answer(capsys, directory, "--json")
    assert (directory / "tuning.db").exists()
    assert answer(capsys, directory, "--json") == first
    for content in ("[]", "{}", '"x"', '{"load": 1, "pecks": {}}', "not JSON"):
        with closing(sqlite3.connect(directory / "tuning.db")) as db, db:
            db.execute("UPDATE findings SET content = ?", (content,))
        assert answer(capsys, directory, "--json") == first
    (directory / "tuning.db").write_bytes(b"spoiled")
    assert answer(capsys, directory, "--json") == first


def test_a_directory_that_cannot_be_written_is_read(evidence, capsys):
    directory, _ = evidence
    first = answer(capsys, directory, "--json")
    (directory / "tuning.db").unlink()
    (directory / "tuning.db").mkdir()  # stands in the way, for root too
    assert answer(capsys, directory, "--json") == first


def test_a_batch_being_written_is_read(evidence, capsys):
    directory, batch = evidence
    info = BatchInfo(DAY + timedelta(hours=9), "given", "drawn", FS, job_text(batch.cycle, 8), "", "0")
    with Evidence(directory, info) as running:
        running.record(np.zeros(FS, np.float32), Heard())
        (job,) = json.loads(answer(capsys, directory, "--json"))["jobs"]
    assert job["batches"] == 2  # the third has no pecks yet


def test_a_new_drill_is_marked_and_begins_the_trend_anew(evidence, capsys):
    directory, _ = evidence
    before = json.loads(answer(capsys, directory, "--json"))["jobs"][0]["wear"]["blanks"]
    said = answer(capsys, directory, "--new-drill", "1:5")
    assert "since the new drill" in said
    after = json.loads(answer(capsys, directory, "--json"))["jobs"][0]["wear"]["blanks"]
    assert (before, after) == (16, 12)
    assert [act.act for act in Archive(directory).acts(1)] == ["new_drill"]


def test_a_drill_changed_after_the_last_peck_begins_with_the_next_batch(evidence, capsys):
    directory, batch = evidence
    end = max(cut.end_s for cut in batch.cuts) + 30.0
    Archive(directory).mark(1, end, "new_drill", "by hand")
    wear = json.loads(answer(capsys, directory, "--json"))["jobs"][0]["wear"]
    assert wear["blanks"] == 8  # the second batch's


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--new-drill", "9"], "there is no batch 9"),
        (["--new-drill", "1:99"], "has no blank 99"),
        (["--new-drill", "soon"], "such as 3:12"),
        (["--new-drill", "99999999999999999999"], "such as 3:12"),
        (["--new-drill", "1:"], "such as 3:12"),
        (["--risk", "80 %"], "at most 50 %"),
        (["--longest", "8"], "no unit"),
    ],
)
def test_mistakes_are_told_in_one_line(evidence, capsys, words, told):
    directory, _ = evidence
    assert cli.main(["pecks", str(directory), *words]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert told in line


def test_a_directory_without_evidence(tmp_path, capsys):
    assert cli.main(["pecks", str(tmp_path)]) in (1, 2)
    assert "evidence" in capsys.readouterr().err
