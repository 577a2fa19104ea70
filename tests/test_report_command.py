"""``spindlebell report``: everything about a batch in one file that needs nothing else."""

import shutil
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser

import numpy as np
import pytest

from monitor import cli
from monitor.evidence.archive import Archive
from monitor.evidence.recorder import Evidence
from monitor.evidence.store import BatchInfo
from monitor.job import default_job
from monitor.measurements import Event, Heard, Kind, Severity
from monitor.reporting.batch_page import _thresholds
from tests.tuning.batches import draw_batch
from tests.tuning.evidence import FS, job_text, write_batch

DAY = datetime(2026, 11, 20, tzinfo=UTC)
SAID = 'The drill <binds> & "sticks".'


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """One batch with a hold in its second blank and a warning in its third."""
    directory = tmp_path_factory.mktemp("evidence") / "shop"
    batch = draw_batch(5001, blanks=4)
    second, third = (batch.pieces[k][0][2] for k in (1, 2))
    hold = Event(second.end_s - 1, Kind.SAG, Severity.HOLD, SAID, 8.2, 8.0, "%", 2, 3, 30.0, second.end_s - 2)
    warning = Event(third.end_s - 1, Kind.CHATTER, Severity.WARNING, "A tone grows.", blank=3, peck=3)
    write_batch(directory, batch, DAY, (hold, warning))
    archive = Archive(directory)
    number = next(past.number for past in archive.events(1) if past.event.severity is Severity.HOLD)
    archive.judge(number, "false", "Ann", "it was the <vacuum> cleaner")
    return directory


@pytest.fixture
def evidence(written, tmp_path):
    shutil.copytree(written, tmp_path / "shop")
    return tmp_path / "shop"


class _Page(HTMLParser):
    def __init__(self):
        super().__init__()
        self.open, self.tags, self.addresses, self.text = [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.addresses += [value for key, value in attrs if key in ("src", "href")]
        if tag not in ("meta", "br", "path", "rect", "audio"):
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)

    def handle_endtag(self, tag):
        if tag not in ("audio",):
            assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def page(directory, *words):
    assert cli.main(["report", str(directory), *words]) == 0
    (path,) = directory.glob("report-*.html")
    parsed = _Page()
    parsed.feed(path.read_text("utf-8"))
    assert not parsed.open
    return parsed


def test_it_stands_alone_with_holds_pictures_sound_and_verdicts(evidence, capsys):
    parsed = page(evidence)
    text = "".join(parsed.text)
    assert all(address.startswith("data:audio/flac;base64,") for address in parsed.addresses)
    assert parsed.tags.count("audio") == 2
    assert "script" not in parsed.tags
    assert SAID in text
    assert "a person says: false: it was the <vacuum> cleaner" in text
    for heading in ("Holds", "What to change next", "Load over depth", "Pecks", "Drill wear", "Cautions"):
        assert heading in text
    assert "sag warns at 4 % and holds at 8 %" in text
    assert "not a safety function" in text
    assert parsed.tags.count("svg") >= 7
    assert "Report of batch 1" in capsys.readouterr().out


def test_every_peck_has_its_row(evidence):
    parsed = page(evidence)
    pecks = Archive(evidence).pecks(1)
    numbers = len({row.peck for row in pecks})
    assert parsed.tags.count("tr") == 6 + (1 + numbers) + (1 + len(pecks))


def test_sound_that_is_gone_is_named(evidence):
    shutil.rmtree(evidence / "clips")
    parsed = page(evidence)
    assert "audio" not in parsed.tags
    assert "Its sound is not kept." in "".join(parsed.text)


def test_synthetic_batches_are_marked(tmp_path):
    batch = draw_batch(5001, blanks=2)
    info = BatchInfo(DAY, "given", "synthetic demo", FS, job_text(batch.cycle, 2), "", "0")
    with Evidence(tmp_path, info) as running:
        running.record(np.zeros(FS, np.float32), Heard())
        text = "".join(page(tmp_path).text)  # while it runs, and with nothing drilled yet
    assert "Synthetic" in text
    assert "still running" in text
    assert "No hold was raised." in text


def test_another_batch_and_another_file(evidence, tmp_path, capsys):
    write_batch(evidence, draw_batch(5001, blanks=2), DAY + timedelta(hours=1))
    out = tmp_path / "there.html"
    assert cli.main(["report", str(evidence), "--batch", "1", "--out", str(out)]) == 0
    assert "Batch 1" in out.read_text("utf-8")
    assert cli.main(["report", str(evidence), "--batch", "7"]) == 2
    assert "there is no batch 7" in capsys.readouterr().err
    assert cli.main(["report", str(evidence), "--out", str(tmp_path / "no" / "x.html")]) == 2
    assert not list(tmp_path.glob(".*part"))


def test_kinds_that_may_only_warn_are_named_beside_the_thresholds() -> None:
    job = default_job().model_copy(update={"warn_only": ("chatter", "lost_cut")})
    assert _thresholds(job).endswith("holds at 8 %; only warned of: chatter, lost_cut")
    assert "only" not in _thresholds(default_job())
