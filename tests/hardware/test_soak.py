"""A short slice of the long day: the loop of `listen` on varied sound, faster than real time.

The whole day is `python tests/hardware/soak.py`; what came of it stands in tests/hardware/SOAK.md.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from gpiozero import Device

from tests.hardware import soak


def test_a_slice_of_the_day(tmp_path: Path) -> None:
    before = Device.pin_factory
    try:
        day = soak.spend(0.05, 4, tmp_path, every_h=0.01)
    finally:
        Device.pin_factory = before
    delays, _ = soak.judged(day)
    assert delays
    assert not [d for d in delays if d != d], "a bind that was never held"
    assert day.worst_drift_s <= 0.05  # an event's time is that of its sample
    assert day.beats == pytest.approx(0.05 * 3600 * 20, rel=0.05)
    assert day.resets > len(delays) / 2
    grown = day.memory[-1][1] - day.memory[1][1]
    assert grown < 20.0  # megabytes in two and a half minutes of sound: what is kept by the second would show
