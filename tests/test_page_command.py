"""The page command: what it refuses, what it serves, and the report that it has made in another process."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest

from monitor import cli
from monitor.commands.page import reporter
from monitor.errors import EvidenceError
from tests.dashboard.test_past import keep_batch


def test_a_directory_without_evidence_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["page", str(tmp_path)]) == 2
    told = capsys.readouterr().err
    assert "there is no evidence.db" in told
    assert told.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("wrong", [["--port", "70000"], ["--host", "no host"]])
def test_a_wrong_address_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], wrong: list[str]
) -> None:
    keep_batch(tmp_path)
    assert cli.main(["page", str(tmp_path), *wrong]) == 2
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.parametrize("ended_by", [signal.SIGINT, signal.SIGTERM])
def test_it_serves_past_work_until_it_is_ended_and_says_so(tmp_path: Path, ended_by: signal.Signals) -> None:
    keep_batch(tmp_path)
    with subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", "page", str(tmp_path), "--port", "0"],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    ) as process:
        try:
            assert process.stdout is not None
            address = process.stdout.readline().split()[1]
            assert "--host 0.0.0.0" in process.stdout.readline()
            assert process.stdout.readline() == f"Batches in {tmp_path}: 1. Ctrl-C ends the page.\n"
            with urllib.request.urlopen(f"{address}api/session") as answer:
                assert json.load(answer) == {"right": "operate", "until": None, "live": False, "past": True}
            process.send_signal(ended_by)
            assert process.stdout.read() == "The page has ended.\n"
            assert process.wait(timeout=10) == 0
        finally:
            process.kill()


def test_a_report_is_made_and_a_refusal_is_told(tmp_path: Path) -> None:
    keep_batch(tmp_path)
    make = reporter(tmp_path)
    html = make(1)
    assert html.lower().startswith("<!doctype html>")
    assert "cord pulls, cast acrylic" in html
    assert not list(tmp_path.rglob("*.html"))  # it is given, not left behind
    with pytest.raises(EvidenceError, match="there is no batch 9"):
        make(9)
