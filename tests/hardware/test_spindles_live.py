"""Two spindles on one microphone of two channels, through real PortAudio: each hears its own and tells the
shop, and one that is killed, or has no sound, is nothing to the other."""

from __future__ import annotations

import csv
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.request import urlopen

import numpy as np
import pytest
import soundfile

from dashboard.fleet.receiver import receiving
from dashboard.fleet.shop import ShopState
from monitor import cli
from monitor.station import BrokerChoice
from tests.fleet.brokers import mosquitto, needs_broker
from tests.hardware.sound_server import NAME, SoundServer, sound_server

ROOT = Path(__file__).parents[2]
SCENES = ROOT / "recordings_synthetic"
LATE_S = 90.0  # a busy machine


@pytest.fixture
def server(tmp_path: Path) -> Iterator[SoundServer]:
    with sound_server(tmp_path / "sound", channels=2) as server:
        yield server


class Said:
    """What a command says, as it says it."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.lines: list[str] = []
        self._process = process
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.lines.append(line.rstrip())

    def until(self, what: Callable[[], bool]) -> None:
        end = time.monotonic() + LATE_S
        while not what():
            assert self._process.poll() is None, self.lines
            assert time.monotonic() < end, self.lines
            time.sleep(0.1)

    def count(self, text: str) -> int:
        return sum(text in line for line in self.lines)


def listening(spindle: str) -> list[int]:
    """The process that listens for a spindle, by its command (proc(5))."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = path.read_bytes().split(b"\0")
        except OSError:
            continue
        if b"listen" in words and any(word.endswith(f"/{spindle}.toml".encode()) for word in words):
            found.append(int(path.parent.name))
    return found


def rows(folder: Path) -> list[dict[str, str]]:
    with (folder / "trace.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


@needs_broker
def test_two_spindles_on_one_microphone(server: SoundServer, tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker:
        shop, choice = ShopState(), BrokerChoice("127.0.0.1", broker.port)
        with receiving(choice, shop, None, lambda text: None):
            watch_two(server, tmp_path, shop, broker.port)


def watch_two(server: SoundServer, tmp_path: Path, shop: ShopState, port: int) -> None:
    """Watch two spindles, the right one without a sound, and kill its monitor once."""
    x, fs = soundfile.read(SCENES / "baseline_lamp_900rpm.flac", dtype="float32")
    words = ["baseline", "-o", str(tmp_path / "lamp.json")]
    for rpm in (900, 2000):
        words += ["--rpm", str(rpm), str(SCENES / f"baseline_lamp_{rpm}rpm.flac")]
    assert cli.main(words) == 0
    tables = []
    for channel, name in enumerate(("left", "right"), 1):
        (tmp_path / f"{name}.toml").write_text(
            f'[microphone]\ndevice = "{NAME}"\nrate = "48 kHz"\nchannel = {channel}\n[page]\nport = 0\n'
            f'[broker]\nhost = "127.0.0.1"\nport = {port}\nname = "{name}"\n'
        )
        tables.append(
            f'[[spindle]]\nname = "{name}"\nstation = "{name}.toml"\njob = "{SCENES / "bind.toml"}"\n'
            f'baseline = "lamp.json"\nout = "{name}"\n'
        )
    (tmp_path / "spindles.toml").write_text("\n".join(tables))
    long = np.tile(x, 40)
    server.play(np.stack([long, np.zeros_like(long)], axis=1), fs)  # the right one hears nothing
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", "spindles", str(tmp_path / "spindles.toml")],
        cwd=ROOT,
        env={**server.env, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1", "XDG_STATE_HOME": str(tmp_path)},
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        said = Said(process)
        said.until(lambda: said.count("left: Open http") == said.count("right: Open http") == 1)
        assert said.count(f"left: Listening: microphone {NAME} (shared), channel 1") == 1
        for name in ("left", "right"):
            address = next(re.search(r"http://\S+", line) for line in said.lines if f"{name}: Open" in line)
            assert address is not None
            with urlopen(address[0], timeout=LATE_S) as page:
                assert b"spindlebell" in page.read()
        said.until(lambda: said.count("right: ") > 0 and any("HOLD" in line for line in said.lines))
        assert all("right: " in line for line in said.lines if "HOLD" in line)

        # In the shop both are held, as each monitor begins; the left one's speed is heard there too.
        said.until(lambda: [spindle.word for spindle in shop.spindles()] == ["HELD", "HELD"])
        said.until(lambda: bool(shop.spindles()[0].state and shop.spindles()[0].state.speed_rpm))

        (left,) = listening("left")
        (right,) = listening("right")
        os.kill(right, signal.SIGKILL)
        said.until(lambda: [spindle.live for spindle in shop.spindles()] == [True, False])
        said.until(lambda: said.count("right: Open http") == 2)
        said.until(lambda: all(spindle.live for spindle in shop.spindles()))
        assert listening("left") == [left]
        assert said.count("right: was ended by signal 9; it starts again, held") == 1
        assert said.count("left: was ended") == 0
        time.sleep(6.0)  # curves are written every five seconds
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(LATE_S)
        finally:
            process.kill()
            if process.stdout is not None:
                time.sleep(0.3)
                process.stdout.close()
    assert process.returncode == cli.EXIT_HELD, said.lines
    speeds = [
        float(row["speed_rpm"]) for row in rows(tmp_path / "left") if row["speed_rpm"] not in ("", "0.0", "0")
    ]
    assert len(speeds) > 50
    assert np.median(speeds) == pytest.approx(900, rel=0.01)
    assert not [row for row in rows(tmp_path / "right") if float(row["speed_rpm"] or 0) > 0]
    assert listening("left") == listening("right") == []
    end = time.monotonic() + LATE_S
    while not all(spindle.ended for spindle in shop.spindles()):
        assert time.monotonic() < end
        time.sleep(0.1)
