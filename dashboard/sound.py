"""The last seconds of sound, kept in memory so that a person can listen to what the monitor hears."""

from __future__ import annotations

import io
import threading
import wave
from collections import deque

import numpy as np
from numpy.typing import NDArray

from dashboard.spectrogram import OrderSpectrogram

RECENT_S = 10.0
AFTER_HOLD_S = 2.0  # the sound of a hold runs on for so long, to hear what followed it


class SoundMemory:
    """Keeps the newest `RECENT_S` seconds, and a copy of those around the newest hold.

    Safe to use from two threads: one brings the sound, another asks for it.

    Parameters
    ----------
    fs : float
        Sample rate in Hz.
    picture : OrderSpectrogram, optional
        Is given the sound too.
    """

    def __init__(self, fs: float, picture: OrderSpectrogram | None = None) -> None:
        self._fs = round(fs)
        self._picture = picture
        self._blocks: deque[NDArray[np.int16]] = deque()
        self._n = 0
        self._hold: NDArray[np.int16] | None = None
        self._n_until_copy = -1
        self._lock = threading.Lock()

    def take(self, x: NDArray[np.floating], hold: bool = False) -> None:
        """Take the next samples, shape (n,), full scale 1; ``hold`` when a hold was raised in them."""
        if self._picture is not None:
            self._picture.take(x)
        block = (np.clip(np.nan_to_num(x), -1.0, 1.0) * 32767).astype(np.int16)
        with self._lock:
            self._blocks.append(block)
            self._n += len(block)
            while self._n - len(self._blocks[0]) >= RECENT_S * self._fs:
                self._n -= len(self._blocks.popleft())
            self._copy_hold(len(block), hold)

    def recent(self) -> bytes:
        """The newest seconds as a 16-bit WAV file."""
        with self._lock:
            blocks = list(self._blocks)
        return self._wav(blocks)

    def hold(self) -> bytes | None:
        """The seconds around the newest hold as a 16-bit WAV file; None before the first one."""
        with self._lock:
            sound = self._hold
        return None if sound is None else self._wav([sound])

    def _copy_hold(self, n: int, hold: bool) -> None:
        """Copy at the hold, so that there is something to hear at once, and again a little later."""
        if hold:
            self._hold = np.concatenate(self._blocks)
            self._n_until_copy = round(AFTER_HOLD_S * self._fs)
        elif self._n_until_copy > 0:
            self._n_until_copy -= n
            if self._n_until_copy <= 0:
                self._hold = np.concatenate(self._blocks)

    def _wav(self, blocks: list[NDArray[np.int16]]) -> bytes:
        file = io.BytesIO()
        with wave.open(file, "wb") as writer:
            writer.setnchannels(1)
            writer.setsampwidth(2)
            writer.setframerate(self._fs)
            for block in blocks:
                writer.writeframes(block.astype("<i2").tobytes())
        return file.getvalue()
