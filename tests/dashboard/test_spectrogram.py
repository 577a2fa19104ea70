"""The picture by orders: a line that turns with the spindle stays in its row, whatever the speed."""

from __future__ import annotations

import base64
import math

import numpy as np
import pytest

from dashboard.spectrogram import N_ROWS, STEP_S, OrderRows, OrderSpectrogram, picture
from monitor.baseline import Baseline, Line, LineClass

RPM = 900.0
NOISE = 1e-3


def baseline(*orders: float, fs: float = 48_000) -> Baseline:
    lines = [Line(LineClass.ORDER, order, order * 15, (-40.0,), (30.0,), 1.0) for order in orders]
    fixed = Line(LineClass.FIXED, math.nan, 100.0, (-30.0,), (40.0,), 1.0)
    floor = 10 * math.log10(2 * NOISE**2 / fs)  # of white noise of this rms, one-sided
    return Baseline(
        1, "", fs, (RPM,), (1.0,), (-50.0,), (50.0, 20_000.0), ((floor, floor),), (*lines, fixed), 0.001, 1.0
    )


def sound(fs: float, seconds: float, order: float, rpm: float = RPM, amplitude: float = 0.002) -> np.ndarray:
    t = np.arange(round(seconds * fs)) / fs
    noise = np.random.default_rng(1).normal(0, NOISE, t.size)
    return (amplitude * np.sin(2 * np.pi * order * rpm / 60 * t) + noise).astype(np.float32)


def columns(spectrogram: OrderSpectrogram) -> np.ndarray:
    texts, _ = spectrogram.since(0, 10_000)
    return np.array([np.frombuffer(base64.b64decode(text), np.uint8) for text in texts])


@pytest.mark.parametrize("fs", [8_000, 16_000, 44_100, 48_000])
@pytest.mark.parametrize("rpm", [450.0, 900.0, 855.0])
def test_a_line_is_in_the_row_of_its_order_at_any_speed(fs: int, rpm: float) -> None:
    shown = OrderSpectrogram(baseline(106.2, 40.0, fs=fs), RPM, fs)
    shown.turn(rpm)
    shown.take(sound(fs, 2.0, 106.2, rpm))
    row = columns(shown)[-1].argmax()
    assert row == math.floor(106.2 / shown.top_order * N_ROWS)
    assert shown.lines == [106.2, 40.0]
    assert shown.top_order == pytest.approx(1.1 * 106.2)


def test_levels_are_over_the_baselines_floor() -> None:
    shown = OrderSpectrogram(baseline(200.0), RPM, 48_000)
    shown.take(sound(48_000, 3.0, 100.0))
    levels = columns(shown)[5:] / 5.0  # dB
    line = math.floor(100.0 / shown.top_order * N_ROWS)
    # sine over noise density, Hann window of 0.2 s: A^2/2 over (2 sigma^2/fs) 1.5/0.2 (Harris 1978)
    expected = 10 * math.log10((0.002**2 / 2) / (2 * NOISE**2 / 48_000 * 1.5 / 0.2))
    assert np.median(levels[:, line]) == pytest.approx(expected, abs=1.5)
    elsewhere = np.delete(levels, range(line - 2, line + 3), axis=1)
    # the strongest of four independent bins of noise, each exponentially distributed: its median is 2.6 dB
    assert np.median(elsewhere) == pytest.approx(10 * math.log10(-math.log(1 - 0.5 ** (1 / 4))), abs=1.0)


@pytest.mark.parametrize("block", [1, 37, 2400, 4801, 100_000])
def test_blocks_make_no_difference(block: int) -> None:
    x = sound(8_000, 1.5, 50.0)
    whole, parts = (OrderSpectrogram(baseline(50.0, fs=8_000), RPM, 8_000) for _ in range(2))
    whole.take(x)
    for start in range(0, x.size, block):
        parts.take(x[start : start + block])
    assert columns(whole).tolist() == columns(parts).tolist()
    assert len(columns(whole)) == round(1.5 / STEP_S)


def test_what_is_new_is_given_once_and_bounded() -> None:
    shown = OrderSpectrogram(baseline(50.0, fs=8_000), RPM, 8_000)
    shown.take(sound(8_000, 1.0, 50.0))
    first, count = shown.since(0, 100)
    assert (len(first), count) == (10, 10)
    shown.take(sound(8_000, 0.3, 50.0))
    later, count = shown.since(count, 100)
    assert (len(later), count) == (3, 13)
    assert len(shown.since(0, 4)[0]) == 4
    assert shown.since(99, 100) == ([], 13)
    shown.take(np.full(800, np.nan))  # a microphone that gives no numbers breaks nothing
    assert len(columns(shown)) == 14


def test_a_clip_is_pictured_over_its_own_quiet_floor_and_its_steady_lines_stay() -> None:
    fs = 16_000
    x = sound(fs, 3.0, 100.0)
    x[fs : 2 * fs] += np.random.default_rng(2).normal(0, 20 * NOISE, fs).astype(np.float32)  # a cut
    levels = picture(x, fs, np.full(30, RPM / 60), 300.0) / 5.0
    assert levels.shape == (30, N_ROWS)
    line = math.floor(100.0 / 300.0 * N_ROWS)
    assert np.median(levels[:8, line]) > 20
    assert np.median(levels[:8]) < 6
    assert np.median(levels[13:19]) == pytest.approx(26 + np.median(levels[:8]), abs=3)  # 20 times: 26 dB


def test_a_clip_shorter_than_a_column_is_empty() -> None:
    assert picture(np.zeros(10), 16_000, np.zeros(0), 300.0).shape == (0, N_ROWS)


def test_rows_beyond_the_spectrum_are_not_known() -> None:
    rows = OrderRows(8_000, 600.0)
    levels = rows.levels(np.ones(rows.n), 15.0)
    assert np.isnan(levels[-1])
    assert np.isfinite(levels[0])
