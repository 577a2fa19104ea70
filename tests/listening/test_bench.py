"""The bench itself, and a small slice of it: the targets on drawn machines, with the slack of few cases.

The slice has machines of its own (seeds 9000 to 9999), neither tuned on nor scored in the full table.
"""

import json
import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.special import i0e
from scipy.stats import binom

from monitor.measurements import Event, Kind, PeckRow, Severity
from monitor.signal.cusum import Cusum
from monitor.synth.truth import FaultTruth, PeckTruth, SpanTruth, Truth
from tests.benchmarks.behaviour import job_for
from tests.listening import bound
from tests.listening.draws import FAULT_KINDS, FAULTLESS, FULLEST, SCORING_FROM, _fills, draw_case
from tests.listening.hearing import hear, learn, score
from tests.listening.quantiles import quantile
from tests.listening.report import report
from tests.listening.run import plan, read
from tests.listening.scoring import (
    Deadline,
    FaultScore,
    WorkScore,
    deadline,
    match_pecks,
    score_fault,
    score_work,
)
from tests.listening.thresholds import sums_of

SLICE_FROM = 9_000


# ---- drawing --------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [*FAULT_KINDS, FAULTLESS])
def test_cases_are_reproducible_different_and_possible(kind):
    cases = [draw_case(kind, seed, 3.0) for seed in range(SLICE_FROM, SLICE_FROM + 12)]
    assert draw_case(kind, SLICE_FROM, 3.0) == cases[0]
    assert len({case.scene.machine for case in cases}) == len(cases)
    for case in cases:
        cycle = case.scene.cycle
        assert 300 <= cycle.spindle_rpm <= 3000
        assert 3 <= cycle.drill_diameter_mm <= 12
        assert max(_fills(cycle)) <= FULLEST + 1e-9
        assert case.snr_db == 3.0
        assert case.baseline_rpm[0] == cycle.spindle_rpm
        speeds = sorted(case.baseline_rpm)
        assert all(b / a > 1.1 for a, b in pairwise(speeds))
        assert len(case.scene.faults) + len(case.scene.mic_faults) == (kind != FAULTLESS) or kind == FAULTLESS


def test_tuning_and_scoring_machines_are_never_mixed():
    assert all(task[1] >= SCORING_FROM for task in plan(FAULT_KINDS, 1.0, 4, SCORING_FROM))
    with pytest.raises(SystemExit, match="mix tuning and scoring"):
        plan(FAULT_KINDS, 1.0, 4, SCORING_FROM - 3)


# ---- scoring --------------------------------------------------------------------------------------


def event(t, kind, severity=Severity.HOLD):
    return Event(t, kind, severity, "")


DUE = Deadline(onset_s=10.0, zero_s=10.5, by_s=12.0)


def test_a_hold_of_the_right_kind_by_the_deadline_is_in_time():
    found = score_fault("lost_cut", 1, 3.0, DUE, [event(11.0, Kind.LOST_CUT)])
    assert (found.in_time, found.held_in_time, found.any_hold) == (True, True, True)
    assert (found.told_s, found.wrong_first, found.early) == (0.5, False, ())


def test_a_hold_after_the_deadline_is_late_and_one_before_the_onset_is_false():
    found = score_fault("lost_cut", 1, 3.0, DUE, [event(9.0, Kind.LOST_CUT), event(12.1, Kind.LOST_CUT)])
    assert (found.in_time, found.early) == (False, ("lost_cut",))
    assert found.told_s == pytest.approx(1.6)


def test_a_warning_is_enough_for_chatter_and_not_for_loosening():
    told = [event(11.0, kind, Severity.WARNING) for kind in (Kind.CHATTER, Kind.LOOSENING)]
    chatter, loosening = (score_fault(kind, 1, 3.0, DUE, told) for kind in ("chatter", "loosening"))
    assert (chatter.in_time, chatter.held_in_time) == (True, False)
    assert (loosening.in_time, loosening.told_s) == (False, math.inf)


def test_a_hold_that_names_another_cause_is_told_as_such():
    wrong = score_fault("chatter", 1, 3.0, DUE, [event(11.0, Kind.SAG), event(11.5, Kind.CHATTER)])
    assert (wrong.in_time, wrong.wrong_first, wrong.first) == (True, True, "sag")
    packed = score_fault("packing", 1, 3.0, DUE, [event(11.0, Kind.SAG)])
    assert (packed.in_time, packed.akin, packed.wrong_first) == (False, True, False)


def peck(number, start, end, fill=0.0):
    return PeckTruth(1, number, start, end, 0.0, 5.0, 1.0, 0.1, fill)


def truth_with(kind, onset_s, facts, pecks, end_s=30.0):
    truth = Truth("made up", 1, 24_000, seconds=30.0, pecks=pecks)
    truth.faults.append(FaultTruth(kind, onset_s, end_s, 1, 1, facts))
    return truth


PECKS = [peck(1, 10.0, 12.0), peck(2, 14.0, 16.0), peck(3, 18.0, 20.0)]


def test_deadlines_follow_from_the_truth():
    scene = draw_case("melting", SLICE_FROM, 3.0).scene
    melting = deadline("melting", truth_with("melting", 11.0, {}, PECKS), scene)
    assert melting == Deadline(11.0, 11.0, 16.0)
    chatter = deadline("chatter", truth_with("chatter", 10.5, {"over_12_db_s": 11.0}, PECKS), scene)
    assert chatter == Deadline(10.5, 11.0, 12.0)
    too_short = truth_with("chatter", 10.5, {"over_12_db_s": 11.5}, PECKS, end_s=12.0)
    assert isinstance(deadline("chatter", too_short, scene), str)


def test_a_knock_out_of_the_cut_passes_twice_its_level_at_the_next_contact_or_by_itself():
    scene = draw_case("loosening", SLICE_FROM, 3.0).scene
    for growth, double_s, zero in ((4.0, 11.5, 11.5), (4.0, 12.5, 13.614), (0.5, 12.5, 14.0)):
        truth = truth_with("loosening", 11.0, {"double_s": double_s, "growth_db_s": growth}, PECKS)
        assert deadline("loosening", truth, scene).zero_s == pytest.approx(zero, abs=0.01)


def row(start, end):
    return PeckRow(1, 1, start, end, 0.0, 5.0, 1.0, 1.0, math.nan, 10.0, 0.0, "")


def test_pecks_match_by_half_of_their_union():
    pairs = match_pecks(PECKS, [row(10.1, 12.1), row(14.0, 15.1), row(15.2, 16.0), row(19.1, 22.0)])
    assert [(p.peck, r.start_s) for p, r in pairs] == [(1, 10.1), (2, 14.0)]


def test_faultless_work_counts_every_alarm_and_says_what_else_was_heard():
    truth = Truth("made up", 1, 24_000, seconds=30.0, pecks=PECKS, blanks=[SpanTruth("blank", 1, 1.0, 25.0)])
    truth.backgrounds.append(SpanTruth("radio", 0, 13.0, 15.0))
    told = [event(14.0, Kind.SAG), event(29.0, Kind.CHATTER, Severity.WARNING)]
    found = score_work(1, 3.0, truth, told, [row(10.1, 12.1)])
    assert found.holds == (("sag", 14.0, "radio"),)
    assert found.warnings == (("chatter", 29.0, ""),)
    assert (found.pecks_true, found.pecks_heard, found.pecks_matched) == (3, 1, 1)
    assert found.errors_s == (0.1, 0.1)
    assert (found.blanks_true, found.blanks_heard) == (1, 0)


def test_quantiles_count_what_was_never_told():
    assert quantile([0.1, 0.2, math.inf], 0.5) == 0.2
    assert quantile([0.1, 0.2, math.inf], 0.95) == math.inf


def test_results_are_read_back_and_reported(tmp_path):
    fault = score_fault("bind", SCORING_FROM, 10.0, DUE, [event(11.0, Kind.SAG)])
    work = WorkScore(SCORING_FROM, 3.0, 3600.0, (("sag", 1.0, ""),), (), 1, 10, 10, 9, (0.1,), 2, 2, "a note")
    path = tmp_path / "results.jsonl"
    for found in (fault, replace(fault, seed=SCORING_FROM + 1, in_time=False, told_s=math.inf), work):
        fields = {name: getattr(found, name) for name in found.__dataclass_fields__}
        with path.open("a") as file:
            file.write(json.dumps({"cpu_s": 1.0, **fields}) + "\n")
    known = read(path)
    assert known[("bind", SCORING_FROM, 10.0)] == (fault, 1.0)
    assert known[(FAULTLESS, SCORING_FROM, 3.0)] == (work, 1.0)
    text = "\n".join(report([entry for _, entry in sorted(known.items())], "the command", "the versions"))
    assert "| bind | 10 dB | 2 | 50.0 % (9.5 to 90.5) |" in text
    assert "| all | 1 | 1.00 | 1 | 1.00 (0.03 to 5.57) |" in text
    assert "`the command`" in text


# ---- a slice of it --------------------------------------------------------------------------------

FEW, FEW_DB = 5, 10.0
UNLIKELY = 0.001  # how rarely chance alone may fail a slice that meets its target


def fewest(cases, target):
    """The smallest count in time that is not unlikely where the target is met."""
    return int(binom.ppf(UNLIKELY, cases, target))


NOT_YET = pytest.mark.xfail(reason="told too rarely in time, see the table", strict=False)


@pytest.mark.listening
@pytest.mark.parametrize(
    "kind",
    [
        "bind",
        "mic_fault",
        "melting",
        "lost_cut",
        "chatter",
        *(pytest.param(kind, marks=NOT_YET) for kind in ("packing", "loosening")),
    ],
)
def test_faults_are_told_in_time(kind):
    found = [score(kind, SLICE_FROM + i, FEW_DB) for i in range(FEW)]
    scored = [one for one in found if isinstance(one, FaultScore) and not one.not_scored]
    assert len(scored) >= FEW - 3
    in_time = sum(one.in_time for one in scored)
    assert in_time >= fewest(len(scored), 0.99), [one for one in scored if not one.in_time]


@pytest.fixture(scope="module")
def works():
    return [score(FAULTLESS, SLICE_FROM + i, FEW_DB) for i in range(2)]


@pytest.mark.listening
def test_faultless_work_is_silent(works):
    assert [work.holds for work in works] == [()] * 2
    assert sum(len(work.warnings) for work in works) <= 1
    assert [work.blanks_heard for work in works] == [work.blanks_true for work in works]


@pytest.mark.listening
@pytest.mark.xfail(reason="pecks of cuts hardly louder than the idling machine are missed", strict=False)
def test_pecks_of_faultless_work_are_followed(works):
    matched = sum(work.pecks_matched for work in works)
    total = sum(work.pecks_true + work.pecks_heard for work in works)
    assert 2 * matched / total >= 0.98
    assert quantile([error for work in works for error in work.errors_s], 0.5) < 0.15


# ---- operating curve ------------------------------------------------------------------------------


def test_thresholds_that_are_moved_by_nothing_tell_the_same_and_moved_ones_later():
    case = draw_case("bind", SLICE_FROM + 2, 10.0)
    job = job_for(case.scene.cycle, case.scene.blanks)
    heard = hear(case, learn(case), job, factors=(1.0, 1.5))
    same, later = (events for _, events in heard.moved)
    assert same == [e for e in heard.events if e.t <= same[-1].t]
    first, moved = (
        next(e for e in told if e.kind is Kind.SAG and e.severity is Severity.HOLD) for told in (same, later)
    )
    assert (first.limit, moved.limit) == (8.0, 12.0)
    assert first.t < moved.t


def test_every_cumulative_sum_of_a_rule_is_moved():
    @dataclass
    class Rule:
        one: Cusum
        more: list[Cusum]

    rule = Rule(Cusum(0.5, 1.0), [Cusum(0.5, 2.0), Cusum(0.5, 3.0)])
    assert [total.threshold for total in sums_of(rule)] == [1.0, 2.0, 3.0]


# ---- what can be told at all ----------------------------------------------------------------------


@pytest.mark.parametrize(("known", "true"), [(1.0, 1.0), (3.0, 3.0), (3.0, 0.0), (10.0, 9.0)])
def test_the_mean_of_what_a_line_says_is_that_of_drawn_ones(known, true):
    rng = np.random.default_rng(1)
    z = true + (rng.standard_normal(200_000) + 1j * rng.standard_normal(200_000)) / math.sqrt(2)
    drawn = np.log(i0e(2 * known * np.abs(z))) + 2 * known * np.abs(z)
    mean = bound._mean_log_i0(np.array([known]), np.array([true]))[0]
    assert mean == pytest.approx(drawn.mean(), rel=0.01, abs=0.01)


def test_a_bind_in_more_noise_holds_less():
    """And always more to who knows the phases."""
    held = [bound.held(draw_case("bind", 5797, snr_db)) for snr_db in (10.0, 0.0)]
    assert held[0].lines > held[1].lines > bound.ENOUGH_NATS
    assert all(0 < one.lines < one.phases for one in held)
    assert all(one.beat > 0 for one in held)
