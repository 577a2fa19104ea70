"""A scripted microphone: what is lost comes as NaN, time keeps up with the clock, and it is opened again."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator

import numpy as np
import pytest

from hardware.microphone import (
    ATTEMPT_LIMIT_S,
    FIRST_BLOCK_S,
    QUEUE_S,
    STALLED_S,
    Microphone,
)
from hardware.portaudio import BLOCK_S, Device, OpenInput, find
from monitor.errors import DeviceError, DeviceStuck
from monitor.ports import Block

FS = 8_000
N = round(BLOCK_S * FS)


class Scripted:
    """A device, its clock, and a hand that unplugs it."""

    def __init__(self) -> None:
        self.now = 100.0
        self.rates: list[int | None] = []
        self.refusal = ""
        self.hangs = threading.Event()  # set: closing returns
        self.hangs.set()
        self.closed = 0
        self.value = 0.0

    def clock(self) -> float:
        return self.now

    def open(
        self, take: Callable[[np.ndarray, bool], None], ended: Callable[[], None], rate_hz: int | None
    ) -> OpenInput:
        self.rates.append(rate_hz)
        if self.refusal:
            raise DeviceError(self.refusal)
        self.take, self.ended = take, ended
        return OpenInput(FS, "scripted", self.close)

    def close(self) -> None:
        self.hangs.wait(20.0)
        self.closed += 1

    def say(self, blocks: int = 1, overflow: bool = False) -> None:
        """Bring so many blocks, each as late as it is long, with values that count up."""
        for _ in range(blocks):
            self.now += BLOCK_S
            self.value += 1.0
            self.take(np.full(N, self.value, np.float32), overflow)


@pytest.fixture
def device() -> Scripted:
    return Scripted()


@pytest.fixture
def microphone(device: Scripted) -> Iterator[Microphone]:
    with Microphone(device.open, clock=device.clock) as microphone:
        yield microphone
        device.hangs.set()


def take(blocks: Iterator[Block], seconds: float) -> list[Block]:
    """Blocks until they hold so much sound, real or not."""
    taken: list[Block] = []
    while sum(len(block.x) for block in taken) < round(seconds * FS):
        taken.append(next(blocks))
    return taken


def eventually(holds: Callable[[], bool]) -> None:
    until = time.monotonic() + 10
    while not holds():
        assert time.monotonic() < until
        time.sleep(0.005)


def test_sound_comes_as_it_was_given(device: Scripted, microphone: Microphone) -> None:
    blocks = microphone.blocks()
    device.say(50)
    got = take(blocks, 1.0)
    assert [block.x[0] for block in got] == list(range(1, 51))
    assert all(block.heard and len(block.x) == N for block in got)
    assert got[-1].at == device.now
    assert str(microphone.losses) == "No sound was lost."
    assert (microphone.fs, microphone.name) == (FS, "scripted")


def test_a_late_analysis_drops_counts_and_says_where(device: Scripted, microphone: Microphone) -> None:
    blocks = microphone.blocks()
    held = round(QUEUE_S / BLOCK_S)
    device.say(held + 10)  # nobody takes them: the callback must not wait
    got = take(blocks, QUEUE_S)
    assert all(block.heard for block in got)
    device.say(1)
    after = take(blocks, 11 * BLOCK_S)
    missing = [block for block in after if not block.heard]
    assert sum(len(block.x) for block in missing) == 10 * N
    assert np.isnan(np.concatenate([block.x for block in missing])).all()
    assert (after[-1].heard, after[-1].x[0]) == (True, held + 11)
    assert microphone.losses.dropped_blocks == 10
    assert microphone.losses.missing_s == pytest.approx(10 * BLOCK_S)


def test_overflows_are_counted(device: Scripted, microphone: Microphone) -> None:
    device.say(3, overflow=True)
    assert microphone.losses.overflows == 3
    assert "3 overflows" in str(microphone.losses)


@pytest.mark.parametrize("silently", [True, False])
def test_a_lost_microphone_is_nan_at_the_clocks_pace_until_it_is_back(
    device: Scripted, microphone: Microphone, silently: bool
) -> None:
    blocks = microphone.blocks()
    device.say(5)
    take(blocks, 5 * BLOCK_S)
    device.refusal = "no microphone is there"
    if silently:  # no callback any more, and no word
        device.now += STALLED_S + 0.01
    else:
        device.ended()
        device.now += 0.05
    lost_for = device.now - (100.0 + 5 * BLOCK_S)
    gone = take(blocks, lost_for)
    assert not any(block.heard for block in gone)
    eventually(lambda: microphone.why_gone == "no microphone is there")
    device.now += 3.0
    gone += take(blocks, 3.0)
    assert not any(block.heard for block in gone)
    old_take = device.take
    device.refusal = ""
    eventually(lambda: microphone.why_gone == "")
    old_take(np.full(N, -1.0, np.float32), False)  # what the old stream still brings is nobody's
    device.now += 0.5
    device.say(1)
    back = take(blocks, 0.5 + BLOCK_S)
    assert [block.heard for block in back] == [False] * (len(back) - 1) + [True]
    assert back[-1].x[0] == 6.0
    # Time: all that was given is as long as the clock says.
    n = 5 * N + sum(len(block.x) for block in gone + back)
    assert n / FS == pytest.approx(device.now - 100.0, abs=2 / FS)
    assert device.closed == 1
    assert (device.rates[0], set(device.rates[1:])) == (None, {FS})  # the analysis goes on at its rate
    assert microphone.losses.gone == 1


def test_a_stream_that_brings_nothing_is_opened_again_and_counts_once(
    device: Scripted, microphone: Microphone
) -> None:
    blocks = microphone.blocks()
    device.say(1)
    next(blocks)
    device.ended()
    device.now += 0.05
    next(blocks)
    eventually(lambda: len(device.rates) == 2)
    for attempt in (3, 4):
        device.now += FIRST_BLOCK_S + 0.1
        take(blocks, FIRST_BLOCK_S)
        eventually(lambda attempt=attempt: len(device.rates) == attempt)  # type: ignore[misc]
    assert microphone.losses.gone == 1


def test_a_device_that_hangs_ends_the_monitor_after_a_while(device: Scripted, microphone: Microphone) -> None:
    blocks = microphone.blocks()
    device.say(1)
    next(blocks)
    device.hangs.clear()
    device.ended()
    device.now += 1.0
    take(blocks, 1.0)
    device.now += ATTEMPT_LIMIT_S + 1
    with pytest.raises(DeviceStuck, match="start the monitor again"):
        take(blocks, ATTEMPT_LIMIT_S + 2)


def test_a_device_that_is_not_there_is_said_at_once(device: Scripted) -> None:
    device.refusal = 'the device "USB" is no microphone here'
    with pytest.raises(DeviceError, match="USB"), Microphone(device.open):
        pass


DEVICES = [Device(0, "HDA Intel: ALC (hw:0,0)", 2, 48_000), Device(4, "USB PnP Sound (hw:1,0)", 1, 44_100)]


def test_a_microphone_is_found_by_part_of_its_name() -> None:
    assert find(DEVICES, "usb pnp").index == 4
    assert find([*DEVICES, Device(7, "usb", 1, 48_000)], "USB").index == 7  # a whole name before a part


@pytest.mark.parametrize(
    ("devices", "name", "said"),
    [
        (DEVICES, "hw:", "fits more than one microphone; give part of one name"),
        (DEVICES, "Blue", 'is no microphone here; give part of one name: "HDA Intel'),
        ([], "USB", "no microphone is there: plug one in"),
    ],
)
def test_what_cannot_be_found_names_what_there_is(devices: list[Device], name: str, said: str) -> None:
    with pytest.raises(DeviceError, match=said):
        find(devices, name)


def test_time_is_kept_however_much_was_made_up_before_the_sound_was_taken(
    device: Scripted, microphone: Microphone, monkeypatch: pytest.MonkeyPatch
) -> None:
    blocks = microphone.blocks()
    device.say(10)
    take(blocks, 10 * BLOCK_S)
    began, given = device.now, 0.0
    waited = microphone._stop.wait

    def wait(seconds: float) -> bool:
        """The device is back, and has given some blocks, by the time that the pause is over."""
        eventually(lambda: microphone._stream is not None)
        device.say(5)
        monkeypatch.setattr(microphone._stop, "wait", waited)
        return False

    for _ in range(3):  # a loss by itself shifts time by less than a block: several add up
        monkeypatch.setattr(microphone._stop, "wait", wait)
        device.ended()
        before = device.now
        while device.now == before or given < device.now - began - 1e-6:
            given += len(next(blocks).x) / FS
        device.say(20)
        while given < device.now - began - 1e-6:
            given += len(next(blocks).x) / FS
    assert given == pytest.approx(device.now - began, abs=1 / FS)
    assert microphone._stream is not None
    assert microphone._stream.queue.empty()  # nothing is left over that would come late
