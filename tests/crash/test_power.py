"""What reaches the disk in which order, and a slice of tests/crash/power.py (see tests/crash/POWER.md)."""

from __future__ import annotations

import random
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.crash.disk import FLUSH, HEAD, after_power_cut
from tests.crash.power import missing

ROOT = Path(__file__).parents[2]
CUTS = 5

HOLD = """
import sys
from pathlib import Path
import numpy as np
from monitor.evidence.recorder import Evidence
from monitor.measurements import Heard
from tests.evidence.test_store import INFO
from tests.scripted import event
with Evidence(Path(sys.argv[1]), INFO) as evidence:
    evidence.record(np.zeros(INFO.fs, np.float32), Heard(events=[event(0.5)]))
    print("told", flush=True)
"""


@pytest.mark.skipif(shutil.which("strace") is None, reason="no strace here: apt-get install strace")
def test_a_hold_is_on_the_disk_before_it_is_told(tmp_path: Path) -> None:
    """Sound, its name, the store, events.jsonl: each before what names it, and all before the telling."""
    trace, out = tmp_path / "trace", tmp_path / "out"
    calls = "trace=fsync,fdatasync,rename,renameat,renameat2,write"
    subprocess.run(
        ["strace", "-f", "-y", "-o", str(trace), "-e", calls, sys.executable, "-c", HOLD, str(out)],
        cwd=ROOT,
        check=True,
        stdout=subprocess.DEVNULL,
    )
    lines = trace.read_text("utf-8", "replace").splitlines()
    wanted = [
        r"fsync\(\d+<.*\.part>",
        r"rename.*\.part.*\.flac",
        r"fsync\(\d+<.*/clips>",
        r"f(data)?sync\(\d+<.*evidence\.db-wal>",
        r"fsync\(\d+<.*events\.jsonl>",
        r"write\(1<.*told",
    ]
    at = -1
    for pattern in wanted:
        found = [i for i, line in enumerate(lines) if i > at and re.search(pattern, line)]
        assert found, f"{pattern} does not follow"
        at = found[0]


def test_what_was_flushed_is_there_and_the_rest_by_lot(tmp_path: Path) -> None:
    log = tmp_path / "log"
    entries = [(0, b"a" * 1024), (FLUSH, b""), (1024, b"b" * 51_200)]
    log.write_bytes(b"".join(HEAD.pack(place, len(content)) + content for place, content in entries))
    (_, nothing), (_, flushed) = after_power_cut(
        log, 60_000, [HEAD.size, log.stat().st_size - 1], random.Random(1)
    )
    assert not any(nothing)
    assert flushed[:1024] == b"a" * 1024
    sectors = {bytes(flushed[i : i + 512]) for i in range(1024, 52_224, 512)}
    assert sectors <= {b"\0" * 512, b"b" * 512}
    longer = tmp_path / "longer"
    longer.write_bytes(log.read_bytes() + HEAD.pack(0, 1) + b"c")
    ((_, later),) = after_power_cut(longer, 60_000, [log.stat().st_size], random.Random(1))
    assert {bytes(later[i : i + 512]) for i in range(1024, 52_224, 512)} == {b"\0" * 512, b"b" * 512}


@pytest.mark.hardware  # mounts a disk, as root
@pytest.mark.skipif(missing() != "", reason=missing())
def test_nothing_that_has_to_last_is_lost_when_the_power_is_cut() -> None:
    script = Path(__file__).with_name("power.py")
    done = subprocess.run(
        [sys.executable, str(script), "--cuts", str(CUTS), "--seed", "7"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "| cuts after which something was missing | 0 |" in done.stdout
