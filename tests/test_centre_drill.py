"""A centre drill at the drill's own speed, heard: whole chain on drawn machines."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.listener import Listener
from monitor.measurements import Kind
from monitor.synth.faults import LostCut
from tests.drawn import CYCLE, Told, listen, setup

SPOTTED = replace(CYCLE, spot_rpm=CYCLE.spindle_rpm, settle_s=2.0)


def hear(seed: int, named: bool, **changes: object) -> tuple[Told, object]:
    known = setup(seed)
    job = known.job.model_copy(update={"spot_rpm": CYCLE.spindle_rpm if named else None})
    rendered = known.render(cycle=SPOTTED, **changes)
    return listen(Listener(known.baseline, job, known.fs), rendered.x, known.fs), rendered.truth


@pytest.mark.parametrize("named", [True, False])
@pytest.mark.parametrize("seed", [1, 7])
def test_good_blanks_have_the_programs_pecks_whether_or_not_the_job_names_the_centre_drill(
    seed: int, named: bool
) -> None:
    told, _ = hear(seed, named, blanks=3)
    assert [(peck.blank, peck.peck) for peck in told.pecks] == [(b, k) for b in (1, 2, 3) for k in (1, 2, 3)]
    assert [peck.depth_to_mm for peck in told.pecks] == pytest.approx([6.0, 9.0, 12.0] * 3, abs=0.5)
    assert told.count(Kind.SPOT_END) == (3 if named else 2)
    assert not told.holds()


@pytest.mark.parametrize("seed", [1, 7])
def test_a_drill_that_breaks_in_the_first_peck_after_it_is_a_lost_cut_in_time(seed: int) -> None:
    """Within the peck that should have come next."""
    told, truth = hear(seed, True, blanks=2, faults=(LostCut(2, 1, 0.5, "broken"),))
    due_s = next(peck.retract_s for peck in truth.pecks if (peck.blank, peck.peck) == (2, 2))
    ((at_s, kind), *_) = told.holds()
    assert kind is Kind.LOST_CUT
    assert truth.pecks[3].contact_s < at_s <= due_s
