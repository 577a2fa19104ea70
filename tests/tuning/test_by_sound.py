"""Where no speed is heard the load is told from the sound of the cut: through the store, known truth."""

from datetime import UTC, datetime

import numpy as np
import pytest

from monitor.evidence.archive import Archive
from monitor.evidence.findings import Finder, prior_for
from monitor.evidence.recorder import Evidence
from monitor.evidence.store import BatchInfo
from monitor.measurements import Heard, PeckRow, TraceRow
from monitor.tuning.load_model import packing, trapped_mm

NAN = float("nan")
FLUTES, FEED, CRITICAL = 30.0, 1.0, 4.5
JOB = """
[job]
name = "drawn"
blanks = 6
material = "acrylic"
[spindle]
speed = "900 rpm"
[drill]
diameter = "6 mm"
flutes = 2
flute_length = "30 mm"
feed = "60 mm/min"
[hole]
depth = "50 mm"
pecks = ["32 mm", "6 mm"]
"""
INFO = BatchInfo(datetime(2026, 11, 25, tzinfo=UTC), "given", "drawn", 8000, JOB, "", "0")


def blank(number: int, rng: np.random.Generator, confidence: float) -> Heard:
    """Three pecks below the flutes, whose sound grows with what the chips cost; the sag says nothing."""
    rows, pecks = [], []
    for peck in range(3):
        start, top = 100.0 * number + 20 * peck, 32.0 + 6 * peck
        t = start + (np.arange(120) + 1) / 20
        removed = (t - start) * FEED
        x = trapped_mm(removed, np.full(t.size, top), FLUTES)
        loud = 4.0 * (1 + 0.3 * packing(x, CRITICAL, 2.5)) * np.exp(0.05 * rng.standard_normal(t.size))
        rows += [
            TraceRow(float(a), 900.0, confidence, float(rng.normal(0, 3)), -40.0, float(b), 3.0, 0.0, True)
            for a, b in zip(t, 20 * np.log10(loud), strict=True)
        ]
        pecks.append(PeckRow(number, peck + 2, start, t[-1], top, top + 6.0, NAN, NAN, NAN, 12.0, 0.5, ""))
    return Heard(trace=rows, pecks=pecks)


def test_the_sound_of_the_cut_serves_where_no_speed_is_heard(tmp_path):
    rng = np.random.default_rng(2)
    with Evidence(tmp_path, INFO) as evidence:
        for number in range(1, 7):
            evidence.record(np.zeros(0, np.float32), blank(number, rng, confidence=0.2))
        evidence.finish()
    archive = Archive(tmp_path)
    found = Finder(archive).findings(archive.batches()[0])
    assert (found.load, found.pecks, found.left_out) == ("sound", 18, 0)
    climb = found.climb.given(prior_for(found.job)).mm
    assert climb.value == pytest.approx(CRITICAL, abs=0.05 * 6.0)  # a twentieth of the peck
    assert climb.low <= CRITICAL <= climb.high
    assert Finder(archive, "sag").findings(archive.batches()[0]).climb is None


def test_a_speed_that_is_heard_is_preferred(tmp_path):
    rng = np.random.default_rng(2)
    with Evidence(tmp_path, INFO) as evidence:
        evidence.record(np.zeros(0, np.float32), blank(1, rng, confidence=0.9))
        evidence.finish()
    archive = Archive(tmp_path)
    assert Finder(archive).findings(archive.batches()[0]).load == "sag"
    assert Finder(archive, "sound").findings(archive.batches()[0]).load == "sound"
