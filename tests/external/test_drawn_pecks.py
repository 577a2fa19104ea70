"""The climb depth through the whole chain: sound of a drawn machine, the ear, the store, the pooled fit."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from monitor.evidence.archive import Archive
from monitor.evidence.findings import Finder
from monitor.evidence.recorder import Evidence
from monitor.evidence.store import BatchInfo
from monitor.listener import Listener
from monitor.planning.flutes import FLUTE_AREA_FRACTION
from monitor.synth.cutting import FILL_FREE
from monitor.synth.cycle import Cycle
from monitor.synth.scenes import SceneStream, job_toml
from monitor.tuning.bulking import MATERIAL_SD
from monitor.tuning.load_model import Prior
from tests.drawn import setup

pytestmark = pytest.mark.external  # some 15 s

FLUTES = 24.0
CRITICAL = FILL_FREE * FLUTE_AREA_FRACTION * FLUTES / 2.4  # of the synthesis, whose acrylic bulks to 2.4


def test_what_was_drilled_is_what_is_told(tmp_path):
    cycle = Cycle("acrylic", 900.0, 6.0, 2, FLUTES, 0.08, 36.0, (14.0, 8.0, 1.55 * CRITICAL), reload_s=1.0)
    drawn = setup(41, snr_db=10.0, cycle=cycle)
    scene = replace(drawn.scene, blanks=6)
    info = BatchInfo(
        datetime(2026, 11, 20, tzinfo=UTC), "given", "synthetic", drawn.fs, job_toml(scene), "", "0"
    )
    stream = SceneStream(scene, drawn.fs)
    listener = Listener(drawn.baseline, drawn.job, drawn.fs)
    with Evidence(tmp_path, info) as evidence:
        for x in stream.blocks(10 * drawn.fs):
            evidence.record(x, listener.feed(x))
        evidence.record(np.zeros(0, np.float32), listener.finish())
        evidence.finish()
    archive = Archive(tmp_path)
    found = Finder(archive).findings(archive.batches()[0])
    # Nothing of the truth is given away: the prior is wrong by a quarter.
    climb = found.climb.given(Prior(1.25 * CRITICAL, MATERIAL_SD))
    assert climb.mm.value == pytest.approx(CRITICAL, rel=0.1)
    assert climb.mm.low <= CRITICAL <= climb.mm.high
    assert climb.told > 0.7
