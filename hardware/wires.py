"""The wires to a machine through a Raspberry Pi's GPIO: hold, spindle stop, heartbeat, beacon, reset button.

Every output begins and ends de-energised. That is fail-safe against a lost supply and a process that ends,
not against one that freezes: its pins stay as they are. So the heartbeat is toggled by the very thread that
analyses the sound, once for each fresh hop that went all the way through, and an external missing-pulse relay
opens when it stops. ``hardware/WIRING.md`` says how it is wired and tested, and what it does not do.

Through gpiozero, whose mock pins the tests use. No safety function.
"""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from enum import Enum
from types import ModuleType
from typing import Any, Protocol

from hardware.lines import SimulatedHoldLine
from monitor.alarm import AlarmBoard, AlarmState
from monitor.errors import DeviceError
from monitor.measurements import Severity
from monitor.ports import HoldLine
from monitor.station import LineChoice

FRESH_S = 0.3
"""Sound older than this when its analysis is done beats no heart: with the relay's own delay, half a
second."""

STOOD_STILL_S = 0.25
"""A heart that stood still for longer may have let the missing-pulse relay drop: its window is 0.3 s at least
(``hardware/WIRING.md``), and it may count every other change, half a beat later. It would close again with
the next pulses, by itself, and a hold must not end by itself."""

PRESSED_AT_LEAST_S, PRESSED_AT_MOST_S = 0.2, 10.0
"""A shorter press is a knock, a longer one a button that is stuck or wedged."""

FLASH_S = 0.25
"""Lamps flash at 2 Hz: IEC 60073 gives 1.4 to 2.8 Hz for what needs a person."""


class Output(Protocol):
    """What is used of a gpiozero output."""

    def on(self) -> None:
        """Energise."""
        ...

    def off(self) -> None:
        """De-energise."""
        ...

    def toggle(self) -> None:
        """Change."""
        ...


class RelayLine:
    """A `HoldLine` whose relay is energised while the machine may run; it begins open."""

    def __init__(self, output: Output) -> None:
        self._output = output
        self._closed = False

    @property
    def closed(self) -> bool:
        """True while the machine may run."""
        return self._closed

    def open(self) -> None:
        """De-energise: ask the machine to hold its feed."""
        self._output.off()
        self._closed = False

    def close(self) -> None:
        """Energise after a person's deliberate reset."""
        self._output.on()
        self._closed = True


class Heartbeat:
    """Toggles once for each fresh hop that was analysed. Nothing else makes it beat.

    ``on_stood_still`` is told how long it has stood still, in seconds, before it goes on after a pause longer
    than STOOD_STILL_S.
    """

    def __init__(self, output: Output, clock: Callable[[], float] = time.monotonic) -> None:
        self._output = output
        self._clock = clock
        self._beaten_at = math.nan
        self.on_stood_still: Callable[[float], None] = lambda _: None

    def rest(self, high: bool) -> None:
        """Stand still at this level, to try whether the relay drops: a frozen computer leaves either."""
        if high:
            self._output.on()
        else:
            self._output.off()

    def beat(self, heard_at: float) -> None:
        """Sound that was handed over at ``heard_at``, monotonic seconds, has been analysed to the end."""
        now = self._clock()
        if now - heard_at > FRESH_S:
            return
        if now - self._beaten_at > STOOD_STILL_S:
            self.on_stood_still(now - self._beaten_at)
        self._output.toggle()
        self._beaten_at = now


class Lamp(Enum):
    """What one lamp shows."""

    OFF = "off"
    ON = "on"
    FLASHING = "flashing"


@dataclass(frozen=True, slots=True)
class Lamps:
    """Colours after IEC 60073: red is danger, yellow abnormal, green normal."""

    red: Lamp = Lamp.OFF
    yellow: Lamp = Lamp.OFF
    green: Lamp = Lamp.OFF


def lamps(board: AlarmBoard, hearing: bool) -> Lamps:
    """What the beacon shows: the worst there is, flashing until a person has acknowledged it.

    Examples
    --------
    >>> lamps(AlarmBoard(), hearing=True).green, lamps(AlarmBoard(), hearing=False).red
    (<Lamp.ON: 'on'>, <Lamp.FLASHING: 'flashing'>)
    """
    if not hearing:
        return Lamps(red=Lamp.FLASHING)
    unseen = [a.event.severity for a in board.alarms if a.state is not AlarmState.ACKNOWLEDGED]
    if board.held:
        return Lamps(red=Lamp.FLASHING if Severity.HOLD in unseen else Lamp.ON)
    if board.alarms:
        return Lamps(yellow=Lamp.FLASHING if unseen else Lamp.ON)
    return Lamps(green=Lamp.ON)


class Beacon:
    """Lamps that show the alarms; whichever are wired."""

    def __init__(self, outputs: dict[str, Any]) -> None:
        self._outputs = outputs
        self._shown = Lamps()

    def show(self, board: AlarmBoard, hearing: bool) -> None:
        """Change the lamps that have to change."""
        self._set(lamps(board, hearing))

    @property
    def colours(self) -> list[str]:
        """The lamps that are wired."""
        return list(self._outputs)

    def only(self, colour: str) -> None:
        """Light one lamp and no other, to try them; none for ""."""
        self._set(Lamps(**{colour: Lamp.ON}) if colour else Lamps())

    def _set(self, wanted: Lamps) -> None:
        for colour, output in self._outputs.items():
            lamp = getattr(wanted, colour)
            if lamp is getattr(self._shown, colour):
                continue
            if lamp is Lamp.FLASHING:
                output.blink(FLASH_S, FLASH_S)
            elif lamp is Lamp.ON:
                output.on()
            else:
                output.off()
        self._shown = wanted


class ResetPress:
    """A reset is a press that is let go again: a button that is stuck or bridged resets nothing.

    As ISO 13849-1 asks of a manual reset (5.2.2, from memory), which does not make it one.
    """

    def __init__(self, act: Callable[[], None], clock: Callable[[], float] = time.monotonic) -> None:
        self._act = act
        self._clock = clock
        self._since: float | None = None

    def pressed(self) -> None:
        """The button went down."""
        self._since = self._clock()

    def released(self) -> None:
        """The button came up."""
        since, self._since = self._since, None
        if since is not None and PRESSED_AT_LEAST_S <= self._clock() - since <= PRESSED_AT_MOST_S:
            self._act()


@dataclass(frozen=True, slots=True)
class Wires:
    """Every wire of a station; ``on_reset`` takes what a press of the button does."""

    hold: HoldLine
    spindle_stop: HoldLine | None
    heartbeat: Heartbeat
    beacon: Beacon
    on_reset: Callable[[Callable[[], None]], None]


@contextmanager
def wired(choice: LineChoice) -> Iterator[Wires]:
    """Take the pins; whatever ends the block leaves every output de-energised.

    Raises
    ------
    DeviceError
        gpiozero, or the library that drives the pins, is missing, or there are no pins here.
    """
    gpiozero = _gpiozero()
    with ExitStack() as taken:

        def output(pin: int | None, kind: str = "DigitalOutputDevice", **options: Any) -> Any:
            if pin is None:
                return None
            device = _taken(pin, lambda: getattr(gpiozero, kind)(pin, initial_value=False, **options))
            taken.callback(device.close)
            taken.callback(device.off)  # first: a pin that is let go may keep its level
            return device

        hold = output(choice.hold, active_high=choice.hold_input == "normally closed")
        spindle_stop = output(choice.spindle_stop)
        heartbeat = output(choice.heartbeat)
        colours = {"red": choice.red, "yellow": choice.yellow, "green": choice.green}
        beacon = {colour: output(pin, "LED") for colour, pin in colours.items() if pin is not None}
        yield Wires(
            hold=RelayLine(hold),
            spindle_stop=RelayLine(spindle_stop) if spindle_stop else None,
            heartbeat=Heartbeat(heartbeat),
            beacon=Beacon(beacon),
            on_reset=lambda act: _watch_button(gpiozero, choice.reset, act, taken),
        )


def unwired(now: Callable[[], float] = lambda: 0.0) -> Wires:
    """Wires of a station without any: a simulated hold line, and nothing that beats or shines."""
    return Wires(SimulatedHoldLine(now), None, Heartbeat(_Nothing()), Beacon({}), lambda act: None)


class _Nothing:
    def on(self) -> None: ...
    def off(self) -> None: ...
    def toggle(self) -> None: ...


def _watch_button(gpiozero: ModuleType, pin: int | None, act: Callable[[], None], taken: ExitStack) -> None:
    if pin is None:
        return
    press = ResetPress(act)
    button = _taken(pin, lambda: gpiozero.Button(pin, pull_up=True, bounce_time=0.02))
    taken.callback(button.close)
    button.when_pressed, button.when_released = press.pressed, press.released


def _taken(pin: int, take: Callable[[], Any]) -> Any:
    try:
        return take()
    except Exception as error:  # each factory has errors of its own
        raise DeviceError(
            f"GPIO {pin} cannot be used ({error}); end what else uses it, such as the service: "
            "`sudo systemctl stop spindlebell`"
        ) from error


def _gpiozero() -> ModuleType:
    """The library, with a pin factory that works: chosen, not fallen back to."""
    os.environ.setdefault("GPIOZERO_PIN_FACTORY", "lgpio")  # the one that knows every Pi, a Pi 5 too
    try:
        import gpiozero

        if gpiozero.Device.pin_factory is None:
            gpiozero.Device.pin_factory = gpiozero.Device._default_pin_factory()
    except ImportError as error:
        raise DeviceError(
            f"the station has [lines], and the library {error.name or 'gpiozero'} that drives them "
            "is missing: `sudo apt install python3-gpiozero python3-lgpio`, or leave the table out"
        ) from error
    except Exception as error:  # what a factory says where there are no pins is its own affair
        raise DeviceError(
            f"the station has [lines], and this computer's pins cannot be used ({error}); leave the "
            "table out, or look at hardware/INSTALL.md"
        ) from error
    module: ModuleType = gpiozero
    return module
