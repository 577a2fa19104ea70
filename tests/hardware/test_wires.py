"""The wires on mock pins: de-energised before, after and whenever it matters; the heart beats for fresh sound
only."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import replace

import pytest
from gpiozero import Device, DigitalOutputDevice
from gpiozero.pins.mock import MockFactory

from hardware.wires import (
    FRESH_S,
    PRESSED_AT_LEAST_S,
    PRESSED_AT_MOST_S,
    STOOD_STILL_S,
    Heartbeat,
    Lamp,
    Lamps,
    ResetPress,
    lamps,
    unwired,
    wired,
)
from monitor.alarm import AlarmBoard
from monitor.errors import DeviceError
from monitor.measurements import Kind, Severity
from monitor.station import LineChoice
from tests.scripted import event

CHOICE = LineChoice(hold=17, heartbeat=27, spindle_stop=22, reset=23, red=24, yellow=25, green=16)
OUTPUTS = (17, 27, 22, 24, 25, 16)


@pytest.fixture(autouse=True)
def factory() -> Iterator[MockFactory]:
    before, Device.pin_factory = Device.pin_factory, MockFactory()
    yield Device.pin_factory
    Device.pin_factory.reset()
    Device.pin_factory = before


def levels(factory: MockFactory) -> dict[int, int]:
    return {pin: int(factory.pin(pin).state) for pin in OUTPUTS}


def test_every_output_begins_and_ends_de_energised(factory: MockFactory) -> None:
    with wired(CHOICE) as wires:
        assert levels(factory) == dict.fromkeys(OUTPUTS, 0)
        assert not wires.hold.closed
        wires.hold.close()
        wires.spindle_stop.close()  # type: ignore[union-attr]
        wires.heartbeat.beat(time.monotonic())
        wires.beacon.show(AlarmBoard(), True)
        assert [levels(factory)[pin] for pin in (17, 22, 27, 16)] == [1, 1, 1, 1]
        assert wires.hold.closed
    assert levels(factory) == dict.fromkeys(OUTPUTS, 0)


def test_an_error_de_energises_too(factory: MockFactory) -> None:
    def fail() -> None:
        with wired(CHOICE) as wires:
            wires.hold.close()
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert levels(factory)[17] == 0


def test_opening_is_possible_again_and_again(factory: MockFactory) -> None:
    with wired(CHOICE) as wires:
        wires.hold.close()
        for _ in range(3):
            wires.hold.open()
        assert (levels(factory)[17], wires.hold.closed) == (0, False)


def test_a_normally_open_input_is_held_by_energising(factory: MockFactory) -> None:
    with wired(replace(CHOICE, hold_input="normally open")) as wires:
        assert factory.pin(17).state == 1  # held from the start
        wires.hold.close()
        assert (factory.pin(17).state, wires.hold.closed) == (0, True)
        wires.hold.open()
        assert factory.pin(17).state == 1


def test_wires_that_are_not_there_are_not_needed(factory: MockFactory) -> None:
    with wired(LineChoice(hold=17, heartbeat=27)) as wires:
        wires.on_reset(lambda: None)
        wires.beacon.show(AlarmBoard(), True)
        assert wires.spindle_stop is None


def test_a_station_without_wires_holds_nothing() -> None:
    wires = unwired()
    wires.hold.close()
    wires.heartbeat.beat(time.monotonic())
    assert wires.hold.closed


# The heart.


def test_the_heart_beats_once_for_each_fresh_hop_and_not_for_old_sound(factory: MockFactory) -> None:
    now = [50.0]
    with DigitalOutputDevice(27) as output:
        heart = Heartbeat(output, lambda: now[0])
        factory.pin(27).clear_states()
        for _ in range(4):
            heart.beat(now[0] - FRESH_S + 0.01)
        assert len(factory.pin(27).states) == 5
        heart.beat(now[0] - FRESH_S - 0.01)  # analysed, but too late to count as hearing
        assert len(factory.pin(27).states) == 5


def test_a_heart_that_stood_still_tells_it_before_it_goes_on(factory: MockFactory) -> None:
    now = [100.0]
    with DigitalOutputDevice(27) as output:
        heart = Heartbeat(output, lambda: now[0])
        told: list[tuple[float, int]] = []
        heart.on_stood_still = lambda s: told.append((s, len(factory.pin(27).states)))
        factory.pin(27).clear_states()
        for pause in (0.05, 0.05, STOOD_STILL_S - 0.01, 0.05, STOOD_STILL_S + 0.2, 0.05):
            now[0] += pause
            heart.beat(now[0])
        assert told == [(pytest.approx(STOOD_STILL_S + 0.2), 5)], "told once, and before that beat"
        for _ in range(10):  # analysed too late: no beat, and none of them hides how long the pause was
            now[0] += 0.05
            heart.beat(now[0] - FRESH_S - 0.1)
        heart.beat(now[0])
        assert [s for s, _ in told[1:]] == [pytest.approx(0.5)]


def test_a_heart_can_be_made_to_stand_at_either_level(factory: MockFactory) -> None:
    with DigitalOutputDevice(27) as output:
        heart = Heartbeat(output)
        for high in (True, False, True):
            heart.beat(time.monotonic())
            heart.rest(high)
            assert factory.pin(27).state == high


def test_a_stuck_analysis_stops_the_heart_with_the_hold_pin_still_high(factory: MockFactory) -> None:
    """The thread that analyses is the one that beats: no other can beat for it."""
    go_on, beaten = threading.Event(), threading.Semaphore(0)
    with wired(CHOICE) as wires:
        wires.hold.close()

        def analyse() -> None:
            for hop in range(20):
                if hop == 10:
                    go_on.wait(10.0)  # stuck
                wires.heartbeat.beat(time.monotonic())
                beaten.release()

        factory.pin(27).clear_states()
        thread = threading.Thread(target=analyse)
        thread.start()
        for _ in range(10):
            assert beaten.acquire(timeout=10.0)
        time.sleep(0.3)
        assert len(factory.pin(27).states) == 11
        assert factory.pin(17).state == 1  # what the heartbeat's relay is for
        go_on.set()
        thread.join()
        assert len(factory.pin(27).states) == 21


# The beacon.

WARNING = event(1.0, severity=Severity.WARNING)


@pytest.mark.parametrize(
    ("board", "shown"),
    [
        (AlarmBoard(), Lamps(green=Lamp.ON)),
        (AlarmBoard().raised(WARNING), Lamps(yellow=Lamp.FLASHING)),
        (AlarmBoard().raised(WARNING).acknowledged(2.0), Lamps(yellow=Lamp.ON)),
        (AlarmBoard().raised(event(1.0)), Lamps(red=Lamp.FLASHING)),
        (AlarmBoard().raised(event(1.0)).acknowledged(2.0), Lamps(red=Lamp.ON)),
        (AlarmBoard().raised(event(1.0)).settled([], 2.0).acknowledged(3.0), Lamps(red=Lamp.ON)),
    ],
)
def test_what_the_beacon_shows(board: AlarmBoard, shown: Lamps) -> None:
    assert lamps(board, hearing=True) == shown


def test_it_never_shows_green_while_nothing_is_heard() -> None:
    assert lamps(AlarmBoard(), hearing=False) == Lamps(red=Lamp.FLASHING)


def test_the_lamps_change_and_flash(factory: MockFactory) -> None:
    with wired(CHOICE) as wires:
        wires.beacon.show(AlarmBoard(), True)
        assert (factory.pin(16).state, factory.pin(24).state) == (1, 0)
        held = AlarmBoard().raised(event(1.0, Kind.SAG))
        factory.pin(24).clear_states()
        wires.beacon.show(held, True)
        wires.beacon.show(held, True)  # shown already: the flashing is not begun anew
        until = time.monotonic() + 10
        while len(factory.pin(24).states) < 4 and time.monotonic() < until:
            time.sleep(0.02)
        changes = factory.pin(24).states
        assert [int(change.state) for change in changes[:4]] == [0, 1, 0, 1]
        # 1.4 to 2.8 flashes a second: IEC 60073. Two edges of a flash are half a period apart at least.
        period = changes[2].timestamp + changes[3].timestamp
        assert period >= 1 / 2.8
        assert factory.pin(16).state == 0


# The button.


@pytest.mark.parametrize(
    ("kept_s", "counts"),
    [
        (PRESSED_AT_LEAST_S - 0.05, False),  # a knock against the panel
        (PRESSED_AT_LEAST_S + 0.05, True),
        (2.0, True),
        (PRESSED_AT_MOST_S + 1.0, False),  # stuck, then loosened
    ],
)
def test_a_reset_is_a_press_that_is_let_go(kept_s: float, counts: bool) -> None:
    now, acts = [0.0], []
    press = ResetPress(lambda: acts.append(now[0]), lambda: now[0])
    press.released()  # let go without having been pressed: as at the start with a wedged button
    press.pressed()
    now[0] += kept_s
    assert acts == []  # never while it is down
    press.released()
    press.released()
    assert acts == [kept_s] * counts


def test_the_button_on_its_pin(factory: MockFactory) -> None:
    pressed = threading.Event()
    with wired(CHOICE) as wires:
        wires.on_reset(pressed.set)
        factory.pin(23).drive_low()
        time.sleep(PRESSED_AT_LEAST_S + 0.2)
        assert not pressed.is_set()
        factory.pin(23).drive_high()
        assert pressed.wait(10.0)


# What is missing.


def test_a_missing_library_is_named_with_its_package(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "gpiozero", None)
    with pytest.raises(DeviceError, match="sudo apt install python3-gpiozero python3-lgpio"), wired(CHOICE):
        pass


def test_a_computer_without_pins_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Device, "pin_factory", None)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "lgpio")
    with pytest.raises(DeviceError, match="leave the table out"), wired(CHOICE):
        pass


def test_a_pin_that_is_in_use_is_named() -> None:
    with DigitalOutputDevice(27), pytest.raises(DeviceError, match="GPIO 27 cannot be used"), wired(CHOICE):
        pass
