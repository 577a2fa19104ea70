"""The sound kept in memory: the newest ten seconds, and those around a hold."""

from __future__ import annotations

import io
import wave

import numpy as np
import pytest
from numpy.typing import NDArray

from dashboard.sound import AFTER_HOLD_S, RECENT_S, SoundMemory

FS = 1000


def read(content: bytes) -> NDArray[np.int16]:
    with wave.open(io.BytesIO(content)) as file:
        return np.frombuffer(file.readframes(file.getnframes()), "<i2")


def ramp(t_from: float, t_to: float) -> NDArray[np.float64]:
    return np.arange(round(t_from * FS), round(t_to * FS)) / 32767  # sample i has the value i


@pytest.mark.parametrize("block_s", [0.05, 0.73, 4.0])
def test_the_newest_seconds_are_kept_in_order(block_s: float) -> None:
    sound, t = SoundMemory(FS), 0.0
    while t < 25:
        sound.take(ramp(t, t + block_s))
        t += block_s
    heard = read(sound.recent())
    assert (np.diff(heard) == 1).all()
    assert heard[-1] == round(t * FS) - 1
    assert RECENT_S * FS <= len(heard) < (RECENT_S + block_s) * FS


def test_a_hold_is_kept_with_what_followed_it_while_time_goes_on() -> None:
    sound = SoundMemory(FS)
    for i in range(400):
        sound.take(ramp(i * 0.05, (i + 1) * 0.05), hold=i == 200)
        if i == 200:
            at_once = sound.hold()
    assert at_once is not None
    assert read(at_once)[-1] == round(10.05 * FS) - 1  # there is something to hear at once
    kept = sound.hold()
    assert kept is not None
    assert read(kept)[-1] == pytest.approx((10.05 + AFTER_HOLD_S) * FS, abs=51)
    assert read(sound.recent())[-1] == 20 * FS - 1


def test_sound_that_is_no_number_or_too_loud_is_no_trouble() -> None:
    sound = SoundMemory(FS)
    assert len(read(sound.recent())) == 0
    sound.take(np.array([np.nan, np.inf, -np.inf, 2.0, -2.0, 0.0]))
    assert read(sound.recent()).tolist() == [0, 32767, -32767, 32767, -32767, 0]
