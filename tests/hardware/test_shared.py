"""A device dealt out: each hears its own channel bit by bit, and the trouble of one is nobody else's."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

import hardware.shared
from hardware.microphone import live_microphone
from hardware.portaudio import BLOCK_S, OpenInput
from hardware.shared import HEAD, PREFIX, Dealer, listen_at, open_shared
from monitor.errors import DeviceError
from monitor.station import MicrophoneChoice

FS, CHANNELS = 8000, 3
N = round(BLOCK_S * FS)


class Device:
    """A device of three channels whose samples say which channel and which sample they are."""

    def __init__(self) -> None:
        self.opened = 0
        self.why_not = ""
        self.n = 0
        self.take: Callable[[NDArray[np.float32], bool], None] = lambda x, lost: None
        self.ended: Callable[[], None] = lambda: None

    def open(self, take: Callable[[NDArray[np.float32], bool], None], ended: Callable[[], None]) -> OpenInput:
        if self.why_not:
            raise DeviceError(self.why_not)
        self.opened += 1
        self.take, self.ended = take, ended
        return OpenInput(FS, "Interface", lambda: None)

    def say(self, blocks: int = 1) -> None:
        for _ in range(blocks):
            at = np.arange(self.n, self.n + N, dtype=np.float32)[:, None]
            self.take(at + 100_000 * np.arange(1, CHANNELS + 1, dtype=np.float32), False)
            self.n += N


class Heard:
    """What one monitor's microphone took."""

    def __init__(self) -> None:
        self.blocks: list[NDArray[np.float32]] = []
        self.lost = 0
        self.ended = threading.Event()

    def take(self, x: NDArray[np.float32], lost: bool) -> None:
        self.blocks.append(x)
        self.lost += lost

    def sound(self) -> NDArray[np.float32]:
        return np.concatenate([np.zeros(0, np.float32), *self.blocks])


@pytest.fixture
def device(monkeypatch: pytest.MonkeyPatch) -> Device:
    monkeypatch.setattr(hardware.shared, "refresh", lambda: None)
    return Device()


@pytest.fixture
def path(device: Device, tmp_path: Path) -> Iterator[Path]:
    path = tmp_path / "sound"
    listening = listen_at(path)
    dealer = Dealer(device.open, CHANNELS)

    def serve() -> None:
        with suppress(OSError):
            dealer.serve(listening)

    threading.Thread(target=serve, daemon=True).start()
    yield path
    with suppress(OSError):
        listening.shutdown(socket.SHUT_RDWR)
    listening.close()
    dealer._end()


def hear(path: Path, channel: int) -> tuple[Heard, OpenInput]:
    heard = Heard()
    choice = MicrophoneChoice(f"{PREFIX}{path}", None, channel)
    return heard, open_shared(choice, heard.take, heard.ended.set)


def until(what: Callable[[], bool], seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_each_hears_its_own_channel_and_the_device_is_opened_once(path: Path, device: Device) -> None:
    (first, one), (third, three) = hear(path, 1), hear(path, 3)
    assert (one.fs, one.name) == (FS, "Interface (shared)")
    time.sleep(0.05)  # both are entered
    device.say(20)
    until(lambda: len(first.blocks) == len(third.blocks) == 20)
    expected = np.arange(20 * N, dtype=np.float32)
    np.testing.assert_array_equal(first.sound(), expected + 100_000)
    np.testing.assert_array_equal(third.sound(), expected + 300_000)
    assert device.opened == 1
    one.close()
    three.close()


def test_only_its_user_can_reach_it(path: Path) -> None:
    assert path.stat().st_mode & 0o077 == 0


def test_one_that_leaves_or_takes_nothing_costs_the_other_nothing(path: Path, device: Device) -> None:
    heard, one = hear(path, 1)
    _, leaves = hear(path, 2)
    stuck = socket.socket(socket.AF_UNIX)
    stuck.connect(str(path))
    stuck.sendall(b"3\n")
    stuck.recv(10)  # and nothing more, ever
    time.sleep(0.05)
    device.say(5)
    leaves.close()
    for _ in range(40):  # sixteen seconds of sound: far more than waits for anybody
        device.say(20)
        until(lambda: len(heard.blocks) * N == device.n)
    np.testing.assert_array_equal(heard.sound(), np.arange(device.n, dtype=np.float32) + 100_000)
    assert heard.lost == 0
    stuck.close()
    one.close()


def test_one_that_is_late_is_told_that_it_lost_sound(path: Path, device: Device) -> None:
    slow = socket.socket(socket.AF_UNIX)
    slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    slow.connect(str(path))
    slow.sendall(b"1\n")
    line = slow.makefile("rb")
    line.readline()
    time.sleep(0.05)
    device.say(3000)
    slow.settimeout(2)
    lost = heads = 0
    with suppress(TimeoutError, OSError):
        while True:
            head = line.read(HEAD.size)
            n, said = HEAD.unpack(head)
            line.read(4 * n)
            heads, lost = heads + 1, lost + said
            if heads % 50 == 0:
                device.say(1)
            if lost:
                break
    assert lost == 1
    assert heads < 3000
    line.close()
    slow.close()


def test_a_lost_device_ends_all_and_is_opened_once_for_those_that_ask_again(
    path: Path, device: Device, monkeypatch: pytest.MonkeyPatch
) -> None:
    (first, _), (second, _) = hear(path, 1), hear(path, 2)
    time.sleep(0.05)
    device.say(5)
    device.ended()
    assert first.ended.wait(5)
    assert second.ended.wait(5)
    device.why_not = "unplugged"
    with pytest.raises(DeviceError, match="unplugged"):
        hear(path, 1)
    device.why_not = ""
    (first, one), (second, two) = hear(path, 1), hear(path, 2)
    time.sleep(0.05)
    device.say(5)
    until(lambda: len(first.blocks) == len(second.blocks) == 5)
    assert device.opened == 2
    one.close()
    two.close()


def test_what_cannot_be_had_is_said(path: Path, device: Device, tmp_path: Path) -> None:
    with pytest.raises(DeviceError, match="channel 4 is none of the 3"):
        hear(path, 4)
    with pytest.raises(DeviceError, match="no sound is dealt out there"):
        hear(tmp_path / "nowhere", 1)
    choice = MicrophoneChoice(f"{PREFIX}{path}", 48_000, 1)
    with pytest.raises(DeviceError, match="shared at 8 kHz"):
        open_shared(choice, lambda x, lost: None, lambda: None)


@pytest.mark.parametrize("said", [b"", b"\n", b"x\n", b"-1\n", b"1" * 5000, b"\xff\n"])
def test_nonsense_on_the_socket_harms_nobody(path: Path, device: Device, said: bytes) -> None:
    heard, one = hear(path, 1)
    with socket.socket(socket.AF_UNIX) as line:
        line.connect(str(path))
        with suppress(OSError):
            line.sendall(said)
            line.shutdown(socket.SHUT_WR)
            line.settimeout(20)
            line.recv(1000)
    device.say(3)
    until(lambda: len(heard.blocks) == 3)
    one.close()


def test_a_microphone_hears_it_like_any_other_and_holds_when_it_ends(path: Path, device: Device) -> None:
    with live_microphone(MicrophoneChoice(f"{PREFIX}{path}", None, 2)) as microphone:
        blocks = microphone.blocks()
        time.sleep(0.05)
        device.say(1)
        assert next(blocks).heard
        device.why_not = "unplugged"
        device.ended()
        until(lambda: not next(blocks).heard)
        device.why_not = ""
        until(lambda: device.opened == 2)
        time.sleep(0.2)
        device.say(1)

        def again() -> bool:
            device.say(1)
            return next(blocks).heard

        until(again)
    assert microphone.losses.gone == 1
