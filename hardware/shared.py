"""One device of several channels, dealt out to several monitors, each of which hears a channel as its own.

A sound device can often be opened only once. So one process, the dealer, opens it and sends each monitor its
channel over a Unix socket; what a monitor sees is a microphone like any other, with the same watch on the age
of its sound. A monitor that does not take its sound loses its own and nobody else's. When the device is gone
the sound stops for all; each monitor then holds, and asks again until it is back. When the dealer hangs it
ends, and whoever supervises it starts another.

On the socket the monitor says one line, the channel; the dealer answers one line of JSON, the sample rate and
the device's name, or why not. Then blocks follow: count of samples and whether some were lost before them,
then the samples, float32 in this computer's order of bytes.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import socket
import struct
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from queue import SimpleQueue

import numpy as np
from numpy.typing import NDArray

from hardware.portaudio import BLOCK_S, OpenInput, Take, open_channels, refresh
from monitor.errors import DeviceError, InputError
from monitor.station import MicrophoneChoice

PREFIX = "shared:"
"""A device of this name is a dealer's socket."""

HEAD = struct.Struct("=IB")
QUEUE_S = 2.0  # as a microphone's own queue
STALLED_S = 0.5  # no block for so long: the device is opened anew for whoever asks
ANSWER_S = 15.0  # closing and opening a device takes under a second, or it hangs
MAX_LINE = 2000
MAX_SAMPLES = 1_000_000  # of a block: five seconds at 192 kHz; more is nonsense

Opened = Callable[[Callable[[NDArray[np.float32], bool], None], Callable[[], None]], OpenInput]


# ---- the monitor's side


def open_shared(choice: MicrophoneChoice, take: Take, ended: Callable[[], None]) -> OpenInput:
    """Hear one channel of a shared device; as `hardware.portaudio.open_input`.

    Raises
    ------
    DeviceError
        No dealer is there, or it has no such device, rate or channel.
    """
    path = choice.device.removeprefix(PREFIX)
    line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    line.settimeout(ANSWER_S)
    try:
        line.connect(path)
        line.sendall(f"{choice.channel}\n".encode())
        said = json.loads(_read_line(line))
        line.settimeout(None)
    except (OSError, ValueError) as error:
        line.close()
        raise DeviceError(
            f"{path}: no sound is dealt out there ({error}); it comes with `spindles`"
        ) from None
    if "why_not" in said:
        line.close()
        raise DeviceError(str(said["why_not"]))
    fs = int(said["fs"])
    if choice.rate_hz not in (None, fs):
        line.close()
        raise DeviceError(f'"{said["name"]}" is shared at {fs / 1000:g} kHz; give its monitors that rate')
    threading.Thread(target=_receive, args=(line, take, ended), name="shared sound", daemon=True).start()

    def close() -> None:
        with suppress(OSError):
            line.shutdown(socket.SHUT_RDWR)
        line.close()

    return OpenInput(fs, f"{said['name']} (shared)", close)


def _receive(line: socket.socket, take: Take, ended: Callable[[], None]) -> None:
    with line, suppress(OSError, EOFError, ValueError):
        while True:
            n, lost = HEAD.unpack(_read(line, HEAD.size))
            if n > MAX_SAMPLES:
                raise ValueError
            take(np.frombuffer(_read(line, 4 * n), np.float32).copy(), bool(lost))
    ended()


def _read(line: socket.socket, n: int) -> bytes:
    parts = bytearray()
    while len(parts) < n:
        part = line.recv(n - len(parts))
        if not part:
            raise EOFError
        parts += part
    return bytes(parts)


def _read_line(line: socket.socket) -> str:
    said = bytearray()
    while not said.endswith(b"\n"):
        part = line.recv(1)
        if not part or len(said) > MAX_LINE:
            raise OSError("it hung up")
        said += part
    return said.decode()


# ---- the dealer's side


class _Hearer:
    """One monitor at the other end of a socket: its channel, and what waits for it. Never waited for."""

    def __init__(self, line: socket.socket, channel: int, greeting: bytes) -> None:
        self.channel = channel
        self._greeting = greeting
        self._line = line
        self._queue: SimpleQueue[tuple[NDArray[np.float32], bool] | None] = SimpleQueue()
        self._lost = False
        self.gone = False
        threading.Thread(target=self._send, name="to a monitor", daemon=True).start()

    def take(self, x: NDArray[np.float32], lost: bool) -> None:
        """Queue a block, from the sound system's thread; what does not fit is lost, and said to be."""
        self._lost |= lost
        if self._queue.qsize() * BLOCK_S >= QUEUE_S:
            self._lost = True
            return
        self._queue.put((x, self._lost))
        self._lost = False

    def end(self) -> None:
        """No more will come."""
        self._queue.put(None)

    def _send(self) -> None:
        with suppress(OSError):
            self._line.sendall(self._greeting)
            while (item := self._queue.get()) is not None:
                x, lost = item
                self._line.sendall(HEAD.pack(len(x), lost) + x.tobytes())
        self.gone = True
        with suppress(OSError):
            self._line.close()


class Dealer:
    """Opens a device when somebody asks for its sound, and deals the channels out.

    Parameters
    ----------
    opened : callable
        Opens the device: given what takes its blocks, shape (n, channels), and what is told its end.
    channels : int
        How many there are; who asks for another is told so.
    clock : callable
        Monotonic seconds.
    """

    def __init__(self, opened: Opened, channels: int, clock: Callable[[], float] = time.monotonic) -> None:
        self._opened = opened
        self._channels = channels
        self._clock = clock
        self._hearers: tuple[_Hearer, ...] = ()
        self._input: OpenInput | None = None
        self._last_at = -1e9
        self._mutex, self._listed = threading.Lock(), threading.Lock()
        self.busy_since: float | None = None

    def serve(self, listening: socket.socket) -> None:
        """Answer whoever connects, for ever."""
        while True:
            line, _ = listening.accept()
            threading.Thread(target=self._answer, args=(line,), name="a monitor asks", daemon=True).start()

    def _answer(self, line: socket.socket) -> None:
        try:
            line.settimeout(ANSWER_S)
            channel = int(_read_line(line))
            if not 1 <= channel <= self._channels:
                raise DeviceError(f"channel {channel} is none of the {self._channels} that are shared")
            line.settimeout(None)
            with self._mutex:
                device = self._open()
                greeting = json.dumps({"fs": device.fs, "name": device.name}).encode() + b"\n"
                with self._listed:
                    present = (hearer for hearer in self._hearers if not hearer.gone)
                    self._hearers = (*present, _Hearer(line, channel, greeting))
        except (InputError, ValueError) as error:
            with suppress(OSError):
                line.sendall(json.dumps({"why_not": str(error)}).encode() + b"\n")
            line.close()
        except OSError:
            line.close()

    def _open(self) -> OpenInput:
        """The device, opened anew where it has ended or gives nothing."""
        if self._input is not None and self._clock() - self._last_at < STALLED_S:
            return self._input
        self.busy_since = self._clock()
        try:
            old, self._input = self._input, None
            if old is not None:
                self._end()
                with suppress(Exception):  # it is lost already
                    old.close()
                with suppress(Exception):
                    refresh()
            self._input = self._opened(self._take, self._end)
            self._last_at = self._clock() + ANSWER_S  # the first block of a stream may take seconds
            return self._input
        finally:
            self.busy_since = None

    def _take(self, x: NDArray[np.float32], lost: bool) -> None:
        self._last_at = self._clock()
        for hearer in self._hearers:
            hearer.take(x[:, hearer.channel - 1].copy(), lost)

    def _end(self) -> None:
        self._last_at = -1e9
        with self._listed:
            gone, self._hearers = self._hearers, ()
        for hearer in gone:
            hearer.end()


def listen_at(path: Path) -> socket.socket:
    """A socket that only this user can reach."""
    path.unlink(missing_ok=True)
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    before = os.umask(0o177)
    try:
        listening.bind(str(path))
    finally:
        os.umask(before)
    listening.listen(64)
    return listening


def main() -> int:
    """Deal out a device until ended; end by itself where the sound system hangs."""
    parser = argparse.ArgumentParser(description="Deal a sound device's channels out to several monitors.")
    parser.add_argument("socket", type=Path)
    parser.add_argument("--device", default="")
    parser.add_argument("--rate", type=int)
    parser.add_argument("--channels", type=int, required=True)
    args = parser.parse_args()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever supervises says when
    choice = MicrophoneChoice(args.device, args.rate, args.channels)
    dealer = Dealer(lambda take, ended: open_channels(choice, take, ended), args.channels)
    listening = listen_at(args.socket)
    threading.Thread(target=dealer.serve, args=(listening,), daemon=True).start()
    while dealer.busy_since is None or time.monotonic() - dealer.busy_since < ANSWER_S:
        time.sleep(0.5)
    print(f'The sound system hangs with "{args.device}".', file=sys.stderr, flush=True)
    os._exit(1)  # a thread that hangs within a driver would keep an orderly end waiting


if __name__ == "__main__":
    sys.exit(main())
