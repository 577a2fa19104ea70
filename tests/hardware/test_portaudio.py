"""Opening a microphone: which one, at what rate and channel, and one clear line where it cannot be."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from hardware import portaudio
from monitor import cli
from monitor.errors import DeviceError
from monitor.station import MicrophoneChoice


class PortAudioError(Exception):
    """As sounddevice's own."""


class Library:
    """What is used of sounddevice, with two microphones and a loudspeaker."""

    PortAudioError = PortAudioError

    def __init__(self, rates: tuple[int, ...] = (44_100, 48_000)) -> None:
        self.rates = rates
        self.default = SimpleNamespace(device=[0, 2])
        self.opened: dict[str, Any] = {}
        self.refuses = False

    def _exit_handler(self) -> None: ...

    def query_devices(self) -> list[dict[str, Any]]:
        named = [("Built-in Microphone", 2), ("USB PnP Sound Device: Audio (hw:1,0)", 1), ("Loudspeaker", 0)]
        return [
            {"index": i, "name": name, "max_input_channels": n, "default_samplerate": 44_100.0}
            for i, (name, n) in enumerate(named)
        ]

    def check_input_settings(self, device: int, channels: int, dtype: str, extra: None, rate: int) -> None:
        if rate not in self.rates:
            raise PortAudioError("Invalid sample rate [PaErrorCode -9997]")

    def InputStream(self, **how: Any) -> Any:  # its name there
        if self.refuses:
            raise PortAudioError("Device unavailable [PaErrorCode -9985]")
        self.opened = how
        return SimpleNamespace(start=lambda: None, close=lambda: None)


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> Library:
    library = Library()
    monkeypatch.setitem(sys.modules, "sounddevice", library)  # type: ignore[arg-type]
    return library


def opened(choice: MicrophoneChoice, take: Callable[..., None] = lambda x, lost: None) -> portaudio.OpenInput:
    return portaudio.open_input(choice, take, lambda: None)


def test_without_a_name_the_systems_own_is_taken_at_a_rate_it_offers(library: Library) -> None:
    got = opened(MicrophoneChoice())
    assert (got.name, got.fs, library.opened["device"]) == ("Built-in Microphone", 48_000, 0)
    library.rates = (16_000,)
    assert opened(MicrophoneChoice()).fs == 16_000


@pytest.mark.parametrize("rate", [8_000, 16_000, 22_050, 44_100, 48_000, 96_000, 192_000])
def test_any_rate_that_the_device_takes(library: Library, rate: int) -> None:
    library.rates = (rate,)
    assert opened(MicrophoneChoice("usb", rate)).fs == rate
    assert library.opened["blocksize"] == rate // 50


def test_a_rate_that_it_does_not_take_names_those_it_does(library: Library) -> None:
    with pytest.raises(DeviceError, match=r"does not record at 96 kHz; it offers 44\.1 kHz, 48 kHz"):
        opened(MicrophoneChoice("usb", 96_000))


def test_a_channel_that_is_not_there(library: Library) -> None:
    with pytest.raises(DeviceError, match="has 1 channel; channel 2 is not among them"):
        opened(MicrophoneChoice("usb", channel=2))


def test_a_device_that_is_taken_says_why(library: Library) -> None:
    library.refuses = True
    with pytest.raises(DeviceError, match="Device unavailable"):
        opened(MicrophoneChoice("usb"))


def test_the_channel_asked_for_is_copied_and_overflows_are_passed_on(library: Library) -> None:
    got: list[tuple[np.ndarray, bool]] = []
    opened(MicrophoneChoice("built-in", channel=2), lambda x, lost: got.append((x, lost)))
    assert library.opened["channels"] == 2
    given = np.array([[1.0, 2.0], [3.0, 4.0]], np.float32)
    library.opened["callback"](given, 2, None, SimpleNamespace(input_overflow=True))
    given[:] = 0.0  # PortAudio's own memory, used again for the next block
    ((x, lost),) = got
    assert (x.tolist(), lost) == ([2.0, 4.0], True)


def test_the_list_of_microphones(library: Library, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", "--devices"]) == 0
    assert capsys.readouterr().out.splitlines() == [
        '"Built-in Microphone", 2 channels',
        '"USB PnP Sound Device: Audio (hw:1,0)", 1 channel',
    ]


def test_a_missing_portaudio_is_one_line_with_its_package(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "sounddevice.py").write_text('raise OSError("PortAudio library not found")\n', "utf-8")
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.syspath_prepend(tmp_path)
    assert cli.main(["check", "--devices"]) == 2
    told = capsys.readouterr().err
    assert "install it with `sudo apt install libportaudio2`" in told
    assert told.count("\n") == 1


def test_where_there_is_no_microphone_the_list_says_so(
    library: Library, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(library, "query_devices", list)
    assert cli.main(["check", "--devices"]) == 2
    assert "no microphone is there" in capsys.readouterr().err
