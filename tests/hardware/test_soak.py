"""A short slice of the long day: `listen` on varied sound, faster than real time, two shifts of it.

The whole day is `python tests/hardware/soak.py`; what came of it stands in tests/hardware/SOAK.md.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from gpiozero import Device

from tests.hardware import soak


def test_a_slice_of_the_day(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(soak, "GONE_EVERY_S", 150.0)
    before = Device.pin_factory
    try:
        day = soak.spend(0.07, 4, tmp_path, every_h=0.01, shift_h=0.035, limit_mb=10)
    finally:
        Device.pin_factory = before
    delays, gone, _ = soak.judged(day)
    assert len(day.shifts) == 2
    assert delays
    assert not [d for d in delays if d != d], "a bind that was never held"
    assert len(gone) == 2
    assert max(gone) < 1.5, (
        "a microphone that was unplugged and not held"
    )  # the clock goes five times too fast
    assert day.worst_drift_s <= soak.BLOCK / soak.FS  # an event's time is that of its sample
    assert day.beats == pytest.approx(0.07 * 3600 * soak.FS / soak.BLOCK, rel=0.1)
    assert day.resets > len(delays) / 2
    assert day.told > 10
    assert day.clips_lost == 0
    taken = [one for one in day.taken if one.hours > 0.005]
    assert max(one.files for one in taken) <= taken[0].files + 3
    assert max(one.threads for one in taken) <= taken[0].threads + 3
    grown = [one.megabytes for one in taken if one.shift == 0]
    assert grown[-1] - grown[0] < 20.0  # megabytes in two minutes: what is kept by the second would show
