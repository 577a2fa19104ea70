"""A piece of live sound: measured against arithmetic, refused with what to do about it."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pytest

from monitor.ports import Block
from monitor.take import advice, measure, record, trouble

FS = 8_000
T = np.arange(4 * FS) / FS
RNG = np.random.default_rng(1)
HUM = (0.1 * np.sin(2 * np.pi * 100 * T) + 0.001 * RNG.standard_normal(T.size)).astype(np.float32)


def test_a_sine_measures_what_arithmetic_says() -> None:
    take = measure(HUM, FS)
    assert take.level_dbfs == pytest.approx(20 * math.log10(0.1) - 3.01, abs=0.02)
    assert take.peak_dbfs == pytest.approx(-20.0, abs=0.3)
    assert take.quiet_dbfs == pytest.approx(take.level_dbfs, abs=0.1)
    assert (trouble(take), advice(take)) == ("", "")


def test_the_quietest_tenth_is_what_is_there_all_the_time() -> None:
    knocks = HUM * np.where((T % 0.5) < 0.3, 1.0, 0.01).astype(np.float32)
    take = measure(knocks, FS)
    assert take.quiet_dbfs == pytest.approx(measure(HUM * np.float32(0.01), FS).level_dbfs, abs=0.5)


@pytest.mark.parametrize(
    ("x", "said"),
    [
        (np.clip(HUM * 30, -1, 1), "clipped"),
        (np.zeros(FS, np.float32), "one unchanging value"),
        (HUM * np.float32(1e-4), "next to nothing"),
        (np.where(T < 1.0, np.float32("nan"), HUM), "1.00 s of the sound did not come"),
        (np.full(FS, np.nan, np.float32), "did not come"),
    ],
)
def test_what_is_no_use_says_why(x: np.ndarray, said: str) -> None:
    assert said in trouble(measure(x.astype(np.float32), FS))


def test_sound_near_full_scale_is_used_with_advice() -> None:
    take = measure(HUM * np.float32(8.0), FS)
    assert trouble(take) == ""
    assert "leave 10 dB" in advice(take)


def test_what_came_before_is_thrown_away() -> None:
    def blocks() -> Iterator[Block]:
        for i in range(1000):
            yield Block(np.full(80, i, np.float32), (i + 1) / 100, True)

    levels: list[float] = []
    x = record(blocks(), FS, 2.0, after=3.0, show=levels.append)
    assert (len(x), x[0], x[-1]) == (2 * FS, 300.0, 499.0)
    assert 7 <= len(levels) <= 9
