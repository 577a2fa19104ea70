"""A picture of the sound by orders: what turns with the spindle stays level, whatever its speed.

Computed beside the core, for the eye alone: nothing is judged from it. Ten columns a second, each one FFT of
the last 0.2 s.
"""

from __future__ import annotations

import base64
import threading
from collections import deque
from itertools import islice

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from monitor.baseline import Baseline, learned_orders
from monitor.signal.spectrum import hann

N_ROWS = 160
STEP_S = 0.1
FRAME_S = 0.2  # the core hears in frames of 0.1 and 0.2 s; the longer one separates lines better to the eye
TOP_HZ = 6000.0  # above this the core uses no line
PER_DB = 5.0  # a level over the floor, 0 to 51 dB, is told in one byte
HISTORY_COLUMNS = 900  # a minute and a half: more than the page shows
MOST_LINES = 24

_AROUND_ROWS = 7  # far wider than a line, which is a row or two

Column = NDArray[np.uint8]


class OrderRows:
    """Reads a spectrum by orders; row ``i`` spans ``i`` to ``i + 1`` times ``top_order / N_ROWS``.

    Parameters
    ----------
    fs : float
        Sample rate in Hz.
    top_order : float
        Times the rotation, where the picture ends.
    """

    def __init__(self, fs: float, top_order: float) -> None:
        self.top_order = top_order
        self.n = round(FRAME_S * fs)
        self._bin_hz = fs / (2 * self.n)
        self._n_bins = int(min(0.47 * fs, 2 * TOP_HZ) / self._bin_hz)
        window = hann(self.n)
        self._window = window.astype(np.float32)
        self._scale = 2.0 / (fs * float(window @ window))

    def levels(self, frame: NDArray[np.floating], spindle_hz: float) -> NDArray[np.float64]:
        """The strongest level in each row, dB re full scale squared per Hz; NaN beyond the spectrum.

        Parameters
        ----------
        frame : shape (n,)
        spindle_hz : float
            The speed at which the spindle turns in it.
        """
        spectrum = np.fft.rfft(frame.astype(np.float32) * self._window, 2 * self.n)[: self._n_bins]
        power = (spectrum.real**2 + spectrum.imag**2) * self._scale
        edges = np.ceil(np.arange(N_ROWS) * (self.top_order / N_ROWS * spindle_hz / self._bin_hz)).astype(
            np.intp
        )
        inside = edges < self._n_bins
        strongest = np.full(N_ROWS, np.nan)
        strongest[inside] = 10 * np.log10(np.maximum(np.maximum.reduceat(power, edges[inside]), 1e-20))
        return strongest


def top_order_of(spindle_rpm: float) -> float:
    """The order at which a picture ends that has no lines to go by."""
    return TOP_HZ / (spindle_rpm / 60)


def as_bytes(over_floor_db: NDArray[np.float64]) -> Column:
    """Levels over the floor, dB, as 0 to 255; what is not known is 0."""
    return np.clip(np.nan_to_num(over_floor_db * PER_DB), 0, 255).astype(np.uint8)


def as_text(columns: NDArray[np.uint8]) -> str:
    """Columns for a JSON message."""
    return base64.b64encode(columns.tobytes()).decode("ascii")


class OrderSpectrogram:
    """The picture of what is heard now; `take` and `turn` come from one thread, `since` from any.

    Parameters
    ----------
    baseline : Baseline
        Gives the learned lines, and the floor that levels are shown over.
    spindle_rpm : float
        Commanded speed.
    fs : float
        Sample rate in Hz.
    """

    def __init__(self, baseline: Baseline, spindle_rpm: float, fs: float) -> None:
        top_hz = min(TOP_HZ, 0.45 * fs)
        heard = [order for order in learned_orders(baseline) if order * spindle_rpm / 60 < top_hz]
        self.lines = heard[:MOST_LINES]
        top = 1.1 * max(self.lines, default=top_order_of(spindle_rpm))
        self._rows = OrderRows(fs, min(top, top_hz / (spindle_rpm / 60)))
        self._floor_db = _floor(baseline, spindle_rpm, self._rows.top_order)
        self._spindle_hz = spindle_rpm / 60
        self._step = round(STEP_S * fs)
        self._recent = np.zeros(self._rows.n, np.float32)
        self._until_next = self._step
        self._columns: deque[str] = deque(maxlen=HISTORY_COLUMNS)
        self._count = 0
        self._lock = threading.Lock()

    @property
    def top_order(self) -> float:
        """The order at which the picture ends."""
        return self._rows.top_order

    def turn(self, speed_rpm: float) -> None:
        """The speed as it is measured now; one that is not known, or 0, leaves the last one."""
        if speed_rpm > 0:
            self._spindle_hz = speed_rpm / 60

    def take(self, x: NDArray[np.floating]) -> None:
        """The next samples, shape (n,), full scale 1."""
        while len(x):
            part, x = x[: self._until_next], x[self._until_next :]
            kept = part[-len(self._recent) :]
            self._recent = np.concatenate([self._recent[len(kept) :], np.nan_to_num(kept).astype(np.float32)])
            self._until_next -= len(part)
            if self._until_next == 0:
                self._until_next = self._step
                levels = self._rows.levels(self._recent, self._spindle_hz)
                column = as_text(as_bytes(levels - self._floor_db))
                with self._lock:
                    self._columns.append(column)
                    self._count += 1

    def since(self, count: int, most: int) -> tuple[list[str], int]:
        """The columns after the first ``count``, the newest ``most`` of them, and how many there were."""
        with self._lock:
            missing = min(max(0, self._count - count), len(self._columns), most)
            return list(islice(self._columns, len(self._columns) - missing, None)), self._count


def picture(
    x: NDArray[np.floating], fs: float, speeds_hz: NDArray[np.float64], top_order: float
) -> NDArray[np.uint8]:
    """The whole picture of a clip, shape (n_columns, `N_ROWS`), over its own quiet floor.

    Parameters
    ----------
    x : shape (n,)
        The sound.
    speeds_hz : shape (n_columns,)
        The spindle's speed in each step of `STEP_S`.
    """
    rows = OrderRows(fs, top_order)
    padded = np.concatenate([np.zeros(rows.n), x])
    ends = [rows.n + round((i + 1) * STEP_S * fs) for i in range(len(speeds_hz))]
    frames = (padded[max(0, end - rows.n) : end] for end in ends if end <= padded.size)
    levels = [rows.levels(frame, hz) for frame, hz in zip(frames, speeds_hz, strict=False)]
    if not levels:
        return np.zeros((0, N_ROWS), np.uint8)
    return as_bytes(np.array(levels) - _quiet_floor(np.array(levels)))


def _quiet_floor(levels: NDArray[np.float64]) -> NDArray[np.float64]:
    """A clip's quiet fifth in each row, shape (N_ROWS,), lines left out: the middle of the rows around."""
    quiet = np.nan_to_num(
        np.quantile(levels, 0.2, axis=0), nan=np.inf
    )  # inf beyond the spectrum: shown as nothing
    around = np.pad(quiet, _AROUND_ROWS, mode="edge")
    rows: NDArray[np.float64] = np.median(sliding_window_view(around, 2 * _AROUND_ROWS + 1), axis=1)
    return rows


def _floor(baseline: Baseline, spindle_rpm: float, top_order: float) -> NDArray[np.float64]:
    """The baseline's floor in each row at the learned speed that is nearest, dB per Hz."""
    nearest = min(range(len(baseline.speeds_rpm)), key=lambda i: abs(baseline.speeds_rpm[i] - spindle_rpm))
    centres_hz = (np.arange(N_ROWS) + 0.5) * top_order / N_ROWS * spindle_rpm / 60
    return np.interp(centres_hz, baseline.floor_hz, baseline.floor_dbfs_hz[nearest])
