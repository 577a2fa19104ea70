"""A microphone that never goes quiet unnoticed: what is lost comes as NaN, at the pace of the clock.

Three things run at once. PortAudio's thread copies each block into a bounded queue and never waits. The
analysis thread takes them out, through `Microphone.blocks`. When no sound comes any more, a third thread
closes the device and opens it again, for as long as it takes; both may hang, so nobody waits for them.

The core takes samples that are no numbers for a fault of the microphone, which holds after a quarter of a
second and lasts, so that no reset counts, until sound comes again. Time is counted in samples; over a loss
the clock says how many are missing, so that an event's time stays the time of day.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from queue import Empty, SimpleQueue
from typing import NamedTuple, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from hardware.portaudio import BLOCK_S, OpenInput, Take, open_input, refresh
from hardware.shared import PREFIX, open_shared
from monitor.errors import DeviceError, DeviceStuck
from monitor.ports import Block
from monitor.quantities import format_count
from monitor.station import MicrophoneChoice

STALLED_S = 0.3
"""No callback for so long, where one is due every 20 ms, and hearing counts as lost: longer than a scheduler
is late, and with the hop of 50 ms that is then judged still under the half second allowed."""

FIRST_BLOCK_S = 4.0  # through a sound server the first block of a new stream was seen to take up to 1.9 s
QUEUE_S = 2.0  # a monitor that is further behind than this is no monitor: drop, count, hold
STEP_S = 0.05  # pace of what stands in for lost sound: one hop
RETRY_S = 0.5
ATTEMPT_LIMIT_S = 15.0  # closing and opening within a sound system that works takes under a second


class Opener(Protocol):
    """Opens the device: `hardware.portaudio.open_input` with a choice, or a scripted one."""

    def __call__(self, take: Take, ended: Callable[[], None], rate_hz: int | None) -> OpenInput:
        """Open it, at that rate and no other where one is given, or raise DeviceError."""
        ...


@dataclass
class Losses:
    """What did not reach the analysis.

    Blocks dropped here because the analysis was late, overflows that PortAudio told of (how much they took is
    not known), times that the microphone was gone, and the seconds that are known to be missing.
    """

    dropped_blocks: int = 0
    overflows: int = 0
    gone: int = 0
    missing_s: float = 0.0

    def __str__(self) -> str:
        if self == Losses():
            return "No sound was lost."
        return (
            f"Sound was lost: {self.missing_s:.2f} s in all; the microphone was gone "
            f"{format_count(self.gone, 'time')}, "
            f"{format_count(self.dropped_blocks, 'block')} came faster than they were analysed, "
            f"PortAudio told of {format_count(self.overflows, 'overflow')}."
        )


class _Queued(NamedTuple):
    x: NDArray[np.float32]
    at: float
    dropped_n: int  # samples dropped before it, the queue being full


class _Stream:
    """One opening of the device: filled by PortAudio's thread, emptied by the analysis thread."""

    def __init__(self, losses: Losses, clock: Callable[[], float]) -> None:
        self.last_at = clock()
        self.begun = self.ended = False
        self.queue: SimpleQueue[_Queued] = SimpleQueue()
        self._losses = losses
        self._clock = clock
        self._dropped_n = 0

    def take(self, x: NDArray[np.float32], overflowed: bool) -> None:
        """Keep a block, or count it as dropped. Never waits: a late callback loses sound for all."""
        self.last_at = self._clock()
        self.begun = True
        self._losses.overflows += overflowed
        if self.queue.qsize() * BLOCK_S >= QUEUE_S:
            self._dropped_n += len(x)
            self._losses.dropped_blocks += 1
        else:
            self.queue.put(_Queued(x, self.last_at, self._dropped_n))
            self._dropped_n = 0

    def end(self) -> None:
        """The device has let go; no more will come."""
        self.ended = True

    def lost(self) -> bool:
        """Whether it has ended, or has been silent for longer than a stream that runs ever is."""
        silent_s = self._clock() - self.last_at
        return self.ended or silent_s > (STALLED_S if self.begun else FIRST_BLOCK_S)

    def next(self, wait_s: float) -> _Queued | None:
        """The oldest block; None when none has come within ``wait_s``."""
        try:
            return self.queue.get(timeout=wait_s) if wait_s > 0 else self.queue.get_nowait()
        except Empty:
            return None


class Microphone:
    """One microphone, opened when entered, and its sound for as long as somebody takes it.

    Parameters
    ----------
    opener : Opener
        Opens the device.
    rescan : callable
        Makes the sound system look for devices again; called with no stream open.
    clock : callable
        Monotonic seconds; replaced in tests.

    Attributes
    ----------
    fs, name : int, str
        Sample rate in Hz, and the device's own name.
    losses : Losses
        What was lost so far.
    why_gone : str
        Why it cannot be opened again; empty while it is there.
    """

    def __init__(
        self,
        opener: Opener,
        rescan: Callable[[], None] = lambda: None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.fs = 0
        self.name = ""
        self.losses = Losses()
        self.why_gone = ""
        self._opener = opener
        self._rescan = rescan
        self._clock = clock
        self._stream: _Stream | None = None
        self._input: OpenInput | None = None
        self._attempt_since = 0.0
        self._stop = threading.Event()
        self._opening: threading.Thread | None = None

    def __enter__(self) -> Self:
        self._open(once=True).join(ATTEMPT_LIMIT_S)
        if self._stream is None:
            self._stop.set()
            raise DeviceError(self.why_gone) if self.why_gone else _stuck()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the device; a second is the longest that this takes, even when the device hangs."""
        self._stop.set()
        closing = threading.Thread(target=self._close_input, name="microphone closing", daemon=True)
        closing.start()
        closing.join(1.0)

    def blocks(self) -> Iterator[Block]:
        """Sound as it comes, and NaN at the pace of the clock while none comes. Never ends by itself.

        Raises
        ------
        DeviceStuck
            The sound system hangs: only a new process gets the microphone back.
        """
        until = self._clock()  # what was given reaches up to here
        gone, surplus_n = False, 0
        while True:
            stream = self._stream
            if stream is not None and stream.lost():
                while (item := stream.next(0.0)) is not None:
                    yield Block(item.x, item.at, True)
                if not gone:
                    until, gone = stream.last_at, True
                    self.losses.gone += 1
                stream = None
                self._open()
            if stream is None:
                self._stop.wait(STEP_S)
                item = None
            else:
                item = stream.next(STEP_S)
            if item is None and gone:
                now = self._clock()
                yield from self._missing(now - until, now)
                until = now
                self._check_attempt(now)
            elif item is not None:
                x = item.x
                if gone:  # the first sound since: the clock says how much is missing, or was made up too much
                    start = item.at - len(x) / self.fs
                    yield from self._missing(start - until, start)
                    gone, surplus_n = False, max(0, round((until - start) * self.fs))
                yield from self._missing(item.dropped_n / self.fs, item.at)
                x, surplus_n = x[surplus_n:], max(0, surplus_n - len(x))
                yield Block(x, item.at, True)
                until = item.at

    def _missing(self, seconds: float, at: float) -> Iterator[Block]:
        """NaN in place of so many seconds, a hop at a time."""
        n = max(0, round(seconds * self.fs))
        self.losses.missing_s += n / self.fs
        step = round(STEP_S * self.fs)
        for done in range(0, n, step):
            x = np.full(min(step, n - done), np.nan, np.float32)
            yield Block(x, at - (n - done - len(x)) / self.fs, False)

    def _open(self, once: bool = False) -> threading.Thread:
        self._stream = None
        self._attempt_since = self._clock()
        self._opening = threading.Thread(
            target=self._open_again, args=(once,), name="microphone opening", daemon=True
        )
        self._opening.start()
        return self._opening

    def _open_again(self, once: bool) -> None:
        """Close and open until it is open; one attempt where ``once``."""
        while not self._stop.is_set():
            self._attempt_since = self._clock()
            stream = _Stream(self.losses, self._clock)
            try:
                self._close_input()
                if not once:
                    self._rescan()
                self._input = self._opener(stream.take, stream.end, self.fs or None)
            except Exception as error:  # whatever the sound system says: say it, and try again
                self.why_gone = str(error)
            else:
                self.fs, self.name, self.why_gone = self._input.fs, self._input.name, ""
                self._stream = stream
                return
            if once:
                return
            self._attempt_since = float("inf")  # between attempts nothing can hang
            self._stop.wait(RETRY_S)

    def _close_input(self) -> None:
        opened, self._input = self._input, None
        if opened is not None:
            with suppress(Exception):  # it is lost already; what matters is that it is let go
                opened.close()

    def _check_attempt(self, now: float) -> None:
        if self._stream is None and now - self._attempt_since > ATTEMPT_LIMIT_S:
            raise _stuck()


def live_microphone(choice: MicrophoneChoice) -> Microphone:
    """The microphone of a station, through PortAudio, or a channel of one that several monitors share."""
    shared = choice.device.startswith(PREFIX)

    def opener(take: Take, ended: Callable[[], None], rate_hz: int | None) -> OpenInput:
        same_rate = replace(choice, rate_hz=rate_hz) if rate_hz else choice
        return (open_shared if shared else open_input)(same_rate, take, ended)

    return Microphone(opener) if shared else Microphone(opener, refresh)


def _stuck() -> DeviceStuck:
    return DeviceStuck(
        f"the sound system has not answered for {ATTEMPT_LIMIT_S:.0f} s: start the monitor again (as a "
        "service it starts by itself), and if that does not help, the computer"
    )
