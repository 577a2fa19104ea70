"""A slice of tests/crash/kill.py; its whole result stands in tests/crash/KILLED.md."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

KILLS = 8


def test_nothing_that_was_told_is_lost_when_it_is_killed() -> None:
    script = Path(__file__).with_name("kill.py")
    done = subprocess.run(
        [sys.executable, str(script), "--kills", str(KILLS), "--seed", "7"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "| kills after which something was missing | 0 |" in done.stdout
