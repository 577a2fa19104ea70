"""What `listen` survives, and how it ends when it cannot: held, with what was heard so far kept, and one line
that says what to do. Microphone faults that need real time are in tests/hardware.
"""

from __future__ import annotations

import json
import math
import os
import resource
import signal
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

import hardware.microphone
import hardware.wires
import monitor.evidence.store
from hardware.microphone import Losses
from monitor import cli
from monitor.ports import Block
from monitor.recordings import read_recording
from monitor.station import MicrophoneChoice

SCENES = Path(__file__).parent.parent / "recordings_synthetic"
HOLD, RESET = 17, 23
BLOCK = 960


class Played:
    """A microphone that hears a recording, as fast as it is taken, and then asks the monitor to stop."""

    name = "played"
    fs = 48_000

    def __init__(self, recording: str) -> None:
        self.x, fs = read_recording(SCENES / recording)
        assert fs == self.fs
        self.losses = Losses()

    def __enter__(self) -> Played:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def blocks(self) -> Iterator[Block]:
        for i in range(0, len(self.x), BLOCK):
            if i == BLOCK * 50:  # after a second somebody looks, and presses the button at the machine
                button = Device.pin_factory.pin(RESET)
                button.drive_low()
                time.sleep(0.3)
                button.drive_high()
                time.sleep(0.1)
            if i == len(self.x) // BLOCK * BLOCK:
                os.kill(os.getpid(), signal.SIGTERM)
            yield Block(self.x[i : i + BLOCK], time.monotonic(), True)


@pytest.fixture(autouse=True)
def pins() -> Iterator[MockFactory]:
    before, Device.pin_factory = Device.pin_factory, MockFactory()
    yield Device.pin_factory
    Device.pin_factory.reset()
    Device.pin_factory = before


@pytest.fixture(autouse=True)
def patient_heart(monkeypatch: pytest.MonkeyPatch) -> None:
    """How busy the machine is that runs the tests is not what they test; test_listen_live.py does."""
    monkeypatch.setattr(hardware.wires, "STOOD_STILL_S", math.inf)


@pytest.fixture(autouse=True)
def microphone(monkeypatch: pytest.MonkeyPatch) -> None:
    def live(choice: MicrophoneChoice) -> Played:
        return Played("bind.flac")

    monkeypatch.setattr(hardware.microphone, "live_microphone", live)


@pytest.fixture(scope="module")
def baselines(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    directory, made = tmp_path_factory.mktemp("baselines"), {}
    for name, speeds in {"lamp": (900, 2000), "burl": (600, 1000)}.items():
        made[name] = str(directory / f"{name}.json")
        words = ["baseline", "-o", made[name]]
        for rpm in speeds:
            words += ["--rpm", str(rpm), str(SCENES / f"baseline_{name}_{rpm}rpm.flac")]
        assert cli.main(words) == 0
    return made


def listen(out: Path, baseline: str, tmp_path: Path) -> int:
    station = tmp_path / "station.toml"
    station.write_text(f"[lines]\nhold = {HOLD}\nheartbeat = 27\nreset = {RESET}\n", "utf-8")
    words = ["--job", str(SCENES / "bind.toml"), "--baseline", baseline, "--out", str(out)]
    return cli.main(["listen", *words, "--station", str(station), "--port", "0"])


def held(pins: MockFactory) -> bool:
    return pins.pin(HOLD).state == 0


def ran_and_was_held(pins: MockFactory) -> bool:
    """The line was closed by the reset, and opened once."""
    return [int(change.state) for change in pins.pin(HOLD).states] == [0, 1, 0]


def events(out: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in (out / "events.jsonl").read_text("utf-8").splitlines()]


def test_it_hears_what_a_replay_hears(
    tmp_path: Path, baselines: dict[str, str], pins: MockFactory, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "live"
    assert listen(out, baselines["lamp"], tmp_path) == 10
    told = capsys.readouterr().out
    assert "The monitor has just started and holds" in told
    assert ran_and_was_held(pins)
    words = ["--job", str(SCENES / "bind.toml"), "--baseline", baselines["lamp"]]
    assert cli.main(["replay", str(SCENES / "bind.flac"), *words, "--out", str(tmp_path / "replay")]) == 10
    both = [
        [(e["t"], e["kind"], e["severity"], e["message"]) for e in events(d)]
        for d in (out, tmp_path / "replay")
    ]
    assert both[0] == both[1]


@contextmanager
def disk_of(n_bytes: int) -> Iterator[None]:
    """No file may grow beyond this: what a full disk says to a writer, as the system says it."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (n_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_full_disk_ends_it_held_and_what_was_written_stays(
    tmp_path: Path, baselines: dict[str, str], pins: MockFactory, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    with disk_of(200_000):
        assert listen(out, baselines["lamp"], tmp_path) == 1
    told = capsys.readouterr().err
    assert "the evidence cannot be written" in told
    assert "free some space" in told
    assert "or give another --out" in told
    assert ran_and_was_held(pins)
    assert len(events(out)) > 2
    with closing(sqlite3.connect(out / "evidence.db")) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert db.execute("SELECT count(*) FROM events").fetchone()[0] > 2


def test_a_disk_that_cannot_be_written_is_said_before_anything_is_heard(
    tmp_path: Path, baselines: dict[str, str], pins: MockFactory, capsys: pytest.CaptureFixture[str]
) -> None:
    assert listen(Path("/proc/evidence"), baselines["lamp"], tmp_path) == 1
    assert "/proc/evidence: the evidence cannot be written" in capsys.readouterr().err
    assert held(pins)


def test_a_store_that_is_none_is_not_written_over(
    tmp_path: Path, baselines: dict[str, str], pins: MockFactory, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "evidence.db").write_bytes(b"this is no database, and somebody may want it" * 100)
    assert listen(out, baselines["lamp"], tmp_path) == 2
    assert "move it away or give another directory" in capsys.readouterr().err
    assert (out / "evidence.db").read_bytes().startswith(b"this is no database")
    assert held(pins)


def test_a_locked_store_is_waited_for_and_then_said(
    tmp_path: Path,
    baselines: dict[str, str],
    pins: MockFactory,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    out = tmp_path / "out"
    assert listen(out, baselines["lamp"], tmp_path) == 10
    monkeypatch.setattr(monitor.evidence.store, "BUSY_TIMEOUT_S", 0.2)
    with closing(sqlite3.connect(out / "evidence.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert listen(out, baselines["lamp"], tmp_path) == 1
    assert "database is locked" in capsys.readouterr().err
    assert held(pins)
    assert listen(out, baselines["lamp"], tmp_path) == 10


def test_another_machines_baseline_never_leaves_the_line_closed(
    tmp_path: Path, baselines: dict[str, str], pins: MockFactory
) -> None:
    """What is heard by it is nonsense; `check` says so before a batch, and here it ends in a hold."""
    assert listen(tmp_path / "out", baselines["burl"], tmp_path) == 10
    assert ran_and_was_held(pins)
