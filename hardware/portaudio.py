"""PortAudio through sounddevice: finding a microphone by its name, and opening it.

Microphones are found by name and never by number: numbers change with every plug. What PortAudio does
when a microphone is lost was tried (server killed, source suspended, device unloaded): it raises nothing and
sets no flag; the callbacks just end. So nothing here tells a loss; `hardware.microphone` watches for it.
"""

from __future__ import annotations

import atexit
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.errors import DeviceError
from monitor.station import MicrophoneChoice

BLOCK_S = 0.02  # a block is analysed with its hop of 50 ms: shorter ones add no delay worth the calls
LATENCY_S = (
    0.1  # small boards lose samples at the lowest setting; this adds a tenth of the half second allowed
)
# The usual one first: more costs, and less hears less; what a device offers besides is seldom its own.
USUAL_RATES = (48_000, 44_100, 96_000, 192_000, 32_000, 22_050, 16_000, 8_000)
LEAST_RATE = 8_000  # of what the core hears

Take = Callable[[NDArray[np.float32], bool], None]


@dataclass(frozen=True, slots=True)
class Device:
    """A microphone that PortAudio offers; ``index`` is good until the next `refresh`."""

    index: int
    name: str
    channels: int
    default_rate: int


@dataclass(frozen=True, slots=True)
class OpenInput:
    """A running stream: its sample rate, the device's name, and what closes it (which may hang)."""

    fs: int
    name: str
    close: Callable[[], None]


def input_devices() -> list[Device]:
    """Every microphone there is, as of the last `refresh`. Raises DeviceError without PortAudio."""
    found = _sounddevice().query_devices()
    return [
        Device(int(d["index"]), str(d["name"]), int(d["max_input_channels"]), round(d["default_samplerate"]))
        for d in found
        if d["max_input_channels"] > 0
    ]


def refresh() -> None:
    """Look again for devices: PortAudio lists those of its start only. No stream may be open."""
    sd = _sounddevice()
    sd._terminate()
    sd._initialize()


def find(devices: Sequence[Device], name: str) -> Device:
    """The microphone of that name, or with that part in its name, upper and lower case alike.

    Raises
    ------
    DeviceError
        None, or more than one; the message names those there are.

    Examples
    --------
    >>> find([Device(0, "HDA Mic", 2, 48000), Device(3, "USB Audio (hw:1,0)", 1, 44100)], "usb").index
    3
    """
    wanted = name.casefold()
    exact = [d for d in devices if d.name.casefold() == wanted]
    found = exact[:1] or [d for d in devices if wanted in d.name.casefold()]
    if len(found) == 1:
        return found[0]
    if not devices:
        raise DeviceError(
            "no microphone is there: plug one in (`arecord -l`, of the package alsa-utils, lists what the "
            "system sees); on Linux this user has to be in the group audio"
        )
    there = ", ".join(f'"{d.name}"' for d in found or devices)
    what = "fits more than one microphone" if found else "is no microphone here"
    raise DeviceError(f'the device "{name}" {what}; give part of one name: {there}')


def open_input(choice: MicrophoneChoice, take: Take, ended: Callable[[], None]) -> OpenInput:
    """Open a microphone and let it run.

    Parameters
    ----------
    choice : MicrophoneChoice
        Which one, at what rate, and which channel.
    take : callable
        Given each block, float32, shape (n,), full scale 1, its own to keep, and whether PortAudio says that
        samples before it were lost. Called from PortAudio's thread: it must never wait.
    ended : callable
        Called, from PortAudio's thread, when the stream has ended for whatever reason.

    Raises
    ------
    DeviceError
        PortAudio, the device, the rate or the channel is not there.
    """
    at = choice.channel - 1
    return open_channels(choice, lambda x, lost: take(x[:, at].copy(), lost), ended)


def open_channels(
    choice: MicrophoneChoice, take: Callable[[NDArray[np.float32], bool], None], ended: Callable[[], None]
) -> OpenInput:
    """Open a microphone with its channels up to the chosen one; as `open_input`, but ``take`` is given blocks
    of shape (n, channels), which are PortAudio's and good during the call only."""
    sd = _sounddevice()
    devices = input_devices()
    device = find(devices, choice.device) if choice.device else _default(sd, devices)
    if choice.channel > device.channels:
        raise DeviceError(
            f'"{device.name}" has {device.channels} channel{"s" * (device.channels != 1)}; '
            f"channel {choice.channel} is not among them: give another with --channel"
        )
    fs = _rate(sd, device, choice)

    def callback(indata: NDArray[np.float32], frames: int, time: Any, status: Any) -> None:
        take(indata, bool(status.input_overflow))

    try:
        stream = sd.InputStream(
            samplerate=fs,
            blocksize=round(BLOCK_S * fs),
            device=device.index,
            channels=choice.channel,
            dtype="float32",
            latency=LATENCY_S,
            callback=callback,
            finished_callback=ended,
        )
        stream.start()
    except sd.PortAudioError as error:
        raise DeviceError(
            f'"{device.name}" cannot be opened ({_reason(error)}); close what else uses it, or give another'
        ) from error
    return OpenInput(fs, device.name, stream.close)


def _default(sd: ModuleType, devices: Sequence[Device]) -> Device:
    index = sd.default.device[0]
    for device in devices:
        if device.index == index:
            return device
    if devices:
        return devices[0]
    return find(devices, "")


def _rate(sd: ModuleType, device: Device, choice: MicrophoneChoice) -> int:
    """The rate asked for, if the device takes it; else the best usual one that it takes."""

    def taken(rate: int) -> bool:
        try:
            sd.check_input_settings(device.index, choice.channel, "float32", None, rate)
        except (sd.PortAudioError, ValueError):
            return False
        return True

    wanted = [choice.rate_hz] if choice.rate_hz else [48_000, device.default_rate, *USUAL_RATES]
    for rate in wanted:
        if rate >= LEAST_RATE and taken(rate):
            return rate
    offered = [f"{rate / 1000:g} kHz" for rate in sorted(USUAL_RATES) if taken(rate)]
    if not offered:
        raise DeviceError(f'"{device.name}" cannot be opened at any usual rate; close what else uses it')
    raise DeviceError(
        f'"{device.name}" does not record at {(choice.rate_hz or 0) / 1000:g} kHz; '
        f"it offers {', '.join(offered)}"
    )


def _sounddevice() -> ModuleType:
    try:
        import sounddevice
    except OSError as error:
        raise DeviceError(
            "the PortAudio library is missing: install it with `sudo apt install libportaudio2` "
            "(Debian, Raspberry Pi OS, Ubuntu), then try again"
        ) from error
    # We close what we open. Its own tidying at exit stops streams first, which hangs where the device does.
    atexit.unregister(sounddevice._exit_handler)
    module: ModuleType = sounddevice
    return module


def _reason(error: Exception) -> str:
    return str(error.args[0] if error.args else error).splitlines()[0].strip()
