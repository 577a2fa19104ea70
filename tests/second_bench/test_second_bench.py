"""The second bench itself, and a small slice of its development seeds heard through the whole chain."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from tests.second_bench.judge import FAULTLESS, Heard, blanks_exact, earned, judge_case, match_pecks
from tests.second_bench.run import line, plan, read, run
from tests.second_bench.scene import CONTROL, FAULTS, SCORING_FROM, TAIL, Truth, draw_scene, make_scene
from tests.second_bench.table import report

# ---- what is drawn --------------------------------------------------------------------------------


def test_a_seed_is_one_scene():
    one, again = draw_scene("bind", 7), draw_scene("bind", 7)
    assert (one.machine, one.work, one.cycle) == (again.machine, again.work, again.cycle)
    np.testing.assert_array_equal(one.motion.speed, again.motion.speed)
    other = draw_scene("bind", 8)
    assert other.machine != one.machine
    assert other.work != one.work


@pytest.mark.parametrize("kind", FAULTS)
def test_deadlines_come_after_onsets_and_the_scene_ends_after_them(kind):
    for seed in range(12):
        drawn = draw_scene(kind, seed)
        truth = drawn.truth
        assert 0 < truth.onset < truth.deadline
        assert truth.duration == pytest.approx(truth.deadline + TAIL, abs=2 / CONTROL)
        good = [peck for peck in truth.pecks if peck[1] < truth.onset]
        assert len(good) >= len(drawn.work.pecks)  # a whole good blank at least, to learn from
        assert drawn.machine.snr_db in (10.0, 3.0)


def test_binds_and_stalls_have_their_true_speed_by_the_deadline():
    for seed in range(12):
        bind = draw_scene("bind", seed)
        assert bind.truth.sag_before(bind.truth.onset) < 0.06
        assert bind.truth.sag_before(bind.truth.deadline) >= 0.08
        stall = draw_scene("stall", seed)
        assert stall.truth.sag_before(stall.truth.deadline) >= 0.5


def test_faultless_work_has_no_onset_and_all_its_pecks():
    drawn = draw_scene(FAULTLESS, 0)
    assert math.isnan(drawn.truth.onset)
    assert len(drawn.truth.blanks) == drawn.work.blanks
    assert len(drawn.truth.pecks) >= drawn.work.blanks * len(drawn.work.pecks)
    assert float(np.max(drawn.truth.sag[: drawn.motion.t.size])) >= 0
    assert np.all(drawn.motion.fault == 0)


# ---- how it is judged -----------------------------------------------------------------------------


def test_pecks_match_by_more_than_half_of_their_union():
    truth = Truth(FAULTLESS, pecks=[(0.0, 2.0, 0), (3.0, 5.0, 0), (9.0, 11.0, 1)], blanks=[(0, 6), (8, 12)])
    start = [{"t": t, "kind": "blank_start", "severity": "info", "message": ""} for t in (0.0, 9.0)]
    heard = Heard(start, [(0.1, 2.0, 1), (4.1, 5.0, 1), (9.0, 11.2, 2)])
    pairs = match_pecks(truth, heard)
    assert pairs == [(0, 0), (2, 2)]
    assert blanks_exact(truth, heard, pairs)
    assert not blanks_exact(truth, Heard(start[:1], heard.pecks), pairs)
    assert not blanks_exact(truth, Heard(start, [(a, b, 1) for a, b, _ in heard.pecks]), pairs)


def test_an_alarm_of_sag_is_earned_by_the_true_speed_alone():
    truth = Truth(FAULTLESS, sag=np.repeat([0.0, 0.05], int(10 * CONTROL)))
    told = {"t": 12.0, "kind": "sag", "severity": "warning"}
    assert earned(told, truth)
    assert not earned({**told, "t": 9.0}, truth)
    assert not earned({**told, "severity": "hold"}, truth)
    assert not earned({**told, "kind": "stall"}, truth)


def test_looking_and_scoring_are_not_mixed():
    tasks = plan(["bind", FAULTLESS], SCORING_FROM, 2, 4)
    assert sorted(tasks) == [
        *(("bind", SCORING_FROM + i) for i in range(2)),
        *((FAULTLESS, SCORING_FROM + i) for i in range(4)),
    ]
    with pytest.raises(SystemExit, match="mix looking and scoring"):
        plan(["bind"], SCORING_FROM - 1, 2, 0)


# ---- a slice --------------------------------------------------------------------------------------

SLICE = {"mic_fault": 0, "stall": 1, "bind": 3}


@pytest.fixture(scope="module")
def results():
    return {kind: run((kind, seed)) for kind, seed in (SLICE | {FAULTLESS: 0}).items()}


@pytest.mark.listening
@pytest.mark.parametrize("kind", SLICE)
def test_clear_faults_are_held_in_time(results, kind):
    result = results[kind]
    assert not result["refused"]
    assert result["audible"]
    assert result["onset"] <= result["told"] <= result["deadline"]
    assert result["false_holds"] == []


@pytest.mark.listening
def test_faultless_work_is_followed_in_silence(results):
    result = results[FAULTLESS]
    assert result["false_holds"] == result["false_warnings"] == []
    assert result["pecks_matched"] == result["pecks_true"] == result["pecks_heard"] == 20
    assert result["blanks_exact"]


@pytest.mark.listening
def test_the_report_counts_what_the_results_file_keeps(results, tmp_path):
    path = tmp_path / "scores.jsonl"
    path.write_text("".join(json.dumps(r) + "\n" for r in results.values()), encoding="utf-8")
    kept = read(path)
    assert set(kept) == set((SLICE | {FAULTLESS: 0}).items())
    text = "\n".join(report(list(kept.values()), "a command", "versions"))
    assert "| all | 3 / 3 | 100.0 % (43.9 to 100.0) |" in text
    assert "| faultless batches | 1 | 0.03 | 0 |" in text
    assert "F1 1.000 (20 matched of 20 true, 20 heard)" in text
    assert "in time" in line(kept["stall", 1])


@pytest.mark.listening
def test_what_is_told_is_judged_by_the_truth_and_nothing_else():
    """The same machine with the sound of the fault cut off is told nothing, and counts as missed."""
    scene = make_scene("stall", 1)
    scene.x = scene.x[: int((scene.truth.onset - 1.0) * scene.work.fs)]
    result = judge_case(scene, 1)
    assert result["told"] is None
    assert not result["in_time"]
    assert result["false_holds"] == []


@pytest.mark.parametrize("seed", [36, 53, 65])
def test_a_blank_that_spins_and_rubs_faintly_is_held_though_contact_comes(seed):
    """Looked at for the rule: 5 to 17 dB under a cut, and 2 to 8 dB over the idle machine."""
    result = run(("lost_cut", seed))
    assert result["in_time"]
    assert not result["false_holds"]
