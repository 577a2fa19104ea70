"""`masked`: told after half a second, a hold only when deaf for long within a blank."""

import pytest

from monitor.faults.masking import (
    EAR_BACK_S,
    HEARD_AGAIN_S,
    HOLD_AFTER_S,
    TOLD_AFTER_S,
    UNHEARD_S,
    MaskingRule,
)
from monitor.measurements import Kind, Severity
from monitor.spindle import SpindleState
from tests.hops import hop, masked, rotation, times

DEAF = {"state": SpindleState.MASKED}


def findings(seconds, *, in_blank, rule=None, begin=0.0, lost=False):
    rule = rule or MaskingRule()
    return [(t, rule.step(masked(t), rotation(**DEAF), in_blank, lost=lost)) for t in times(seconds, begin)]


def test_short_masking_is_not_told():
    assert not any(f for t, f in findings(TOLD_AFTER_S, in_blank=True))


@pytest.mark.parametrize("in_blank", [False, True])
def test_longer_masking_is_only_told(in_blank):
    heard = findings(HOLD_AFTER_S, in_blank=in_blank)
    t, first = next((t, f) for t, f in heard if f)
    assert t == pytest.approx(TOLD_AFTER_S + 0.05)
    assert (first.kind, first.severity, first.onset_s) == (Kind.MASKED, Severity.INFO, pytest.approx(0.05))
    assert {f.severity for _, f in heard if f} == {Severity.INFO}


def test_deaf_for_long_within_a_blank_is_a_hold():
    heard = findings(HOLD_AFTER_S + 1, in_blank=True)
    t, first = next((t, f) for t, f in heard if f and f.severity is Severity.HOLD)
    assert t == pytest.approx(HOLD_AFTER_S + 0.05, abs=0.051)
    assert first.value >= first.limit == HOLD_AFTER_S


def test_deaf_for_long_between_blanks_is_no_hold():
    assert {f.severity for _, f in findings(2 * HOLD_AFTER_S, in_blank=False) if f} == {Severity.INFO}


def test_hearing_again_starts_the_count_anew():
    rule = MaskingRule()
    findings(HOLD_AFTER_S - 1, in_blank=True, rule=rule)
    assert rule.step(masked(14.0 + HEARD_AGAIN_S), rotation(), True, False) is None
    again = findings(HOLD_AFTER_S - 1, in_blank=True, rule=rule, begin=14.0 + HEARD_AGAIN_S)
    assert not any(f and f.severity is Severity.HOLD for _, f in again)


def test_a_speed_found_in_noise_for_a_moment_is_not_hearing_again():
    rule = MaskingRule()
    findings(HOLD_AFTER_S - 1, in_blank=True, rule=rule)
    assert rule.step(masked(14.3), rotation(), True, False) is None
    again = findings(2.0, in_blank=True, rule=rule, begin=14.3)
    assert any(f and f.severity is Severity.HOLD for _, f in again)


def test_a_speed_not_heard_for_long_is_masked_though_its_lines_may_be_there():
    rule = MaskingRule()
    rule.step(hop(0.0), rotation(), True, False)
    said = [(t, rule.step(hop(t, confidence=0.2), rotation(), True, False)) for t in times(30.0)]
    told = next(t for t, f in said if f)
    held = next(t for t, f in said if f and f.severity is Severity.HOLD)
    assert told == pytest.approx(UNHEARD_S + TOLD_AFTER_S, abs=0.11)
    assert held == pytest.approx(UNHEARD_S + HOLD_AFTER_S, abs=0.11)


def test_a_lost_microphone_is_no_other_sound():
    rule = MaskingRule()
    assert not any(f for _, f in findings(2 * HOLD_AFTER_S, in_blank=True, rule=rule, lost=True))
    back = 2 * HOLD_AFTER_S
    heard = [t for t, f in findings(5.0, in_blank=True, rule=rule, begin=back) if f]
    assert heard[0] == pytest.approx(back + EAR_BACK_S + TOLD_AFTER_S, abs=0.051)


def test_a_gap_of_the_microphone_does_not_begin_the_time_deaf_anew():
    rule = MaskingRule()
    findings(HOLD_AFTER_S - 1, in_blank=True, rule=rule)
    findings(0.5, in_blank=True, rule=rule, begin=HOLD_AFTER_S - 1, lost=True)
    heard = findings(1.0, in_blank=True, rule=rule, begin=HOLD_AFTER_S - 0.5)
    assert any(f and f.severity is Severity.HOLD for _, f in heard)
