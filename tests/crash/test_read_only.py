"""A disk that can no longer be written while `listen` writes to it: what Linux makes of a card that fails."""

from __future__ import annotations

import os
import subprocess
import threading
import time
from pathlib import Path

import pytest

from tests.crash import kept
from tests.crash.listening import Told, learn, sounds, start, watch
from tests.crash.power import looped

WATCHED_S = 40.0  # of the clock; it ends by itself before
MEGABYTES = 64
MOUNTS = os.geteuid() == 0 and Path("/dev/loop-control").exists()


@pytest.mark.hardware  # mounts a disk, as root
@pytest.mark.skipif(not MOUNTS, reason="mounts a disk that fails: needs root and loop devices")
def test_a_disk_that_turns_read_only_ends_it_and_what_was_told_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ext4 stops writing after an error of the disk; `abort` is that, for tests (ext4(5))."""
    monkeypatch.setattr("monitor.evidence.space.LEAST_FREE_BYTES", 1_000_000)
    image, baseline = tmp_path / "image", tmp_path / "lamp.json"
    learn(baseline)
    with image.open("wb") as file:
        file.truncate(MEGABYTES * 1_000_000)
    subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], check=True)
    with looped(image, tmp_path / "mount") as mount:
        running = start(mount / "evidence", baseline, sounds())
        os.close(running.release)

        before = Told()

        def fail() -> None:
            until = time.monotonic() + WATCHED_S
            while not running.told.events and time.monotonic() < until:
                time.sleep(0.1)
            before.events = list(running.told.events)
            subprocess.run(["mount", "-o", "remount,abort", str(mount)], check=True)

        failing = threading.Thread(target=fail)
        failing.start()
        ended = watch(running, WATCHED_S)
        failing.join()
        running.end()
        assert ended, running.told.lines
        assert running.told.status == 1
        said = running.told.lines[-1]
        assert "the evidence cannot be written" in said
        assert "replace a card or disk that is worn out" in said
        assert "what was written so far stays readable" in said
        batch = kept.newest(mount / "evidence")
        assert batch
        assert before.events
        kept.look(mount / "evidence", batch, before)
