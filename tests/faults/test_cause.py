"""One cause, one hold."""

import pytest

from monitor.faults.cause import CONSEQUENCES, FAULTS, only_warning, untangled
from monitor.faults.episode import Finding
from monitor.measurements import Kind, Severity


def found(kind, severity=Severity.HOLD):
    return kind, Finding(kind, severity, f"{kind.value}.")


def test_every_fault_says_what_follows_from_it():
    assert set(CONSEQUENCES) == set(FAULTS)
    assert all(kind not in CONSEQUENCES[kind] for kind in FAULTS)


def test_a_bind_with_all_its_signs_is_one_hold_that_names_them():
    findings = dict(map(found, (Kind.SAG, Kind.PACKING, Kind.CHATTER)))
    told = untangled(findings, frozenset())
    assert list(told) == [Kind.SAG]
    assert told[Kind.SAG].message == (
        "sag. Heard with it: load that climbs from peck to peck, a growing tone."
    )


def test_a_warning_takes_nothing_in():
    findings = dict([found(Kind.MIC_FAULT, Severity.WARNING), found(Kind.SAG)])
    assert set(untangled(findings, frozenset())) == {Kind.MIC_FAULT, Kind.SAG}


def test_a_lost_microphone_silences_what_was_measured_through_it():
    findings = dict(map(found, FAULTS))
    assert list(untangled(findings, frozenset())) == [Kind.MIC_FAULT]


@pytest.mark.parametrize("kind", [Kind.LOST_CUT, Kind.CHATTER, Kind.MELTING])
def test_what_follows_a_hold_that_lasts_is_its_consequence(kind):
    assert untangled(dict([found(kind)]), {Kind.SAG}) == {}
    assert list(untangled(dict([found(kind)]), frozenset())) == [kind]


def test_work_that_backs_off_is_told_beside_a_bind():
    """It calls for the spindle to be stopped, which a held feed does not do."""
    assert list(untangled(dict([found(Kind.LOOSENING)]), {Kind.SAG})) == [Kind.LOOSENING]


def test_a_stall_is_told_after_the_sag_that_led_to_it():
    assert list(untangled(dict([found(Kind.STALL)]), {Kind.SAG})) == [Kind.STALL]


def test_what_was_held_first_goes_on_though_a_cause_of_it_is_found_later():
    findings = dict(map(found, (Kind.PACKING, Kind.SAG)))
    assert list(untangled(findings, {Kind.PACKING})) == [Kind.PACKING]


def test_a_microphone_that_hears_again_is_believed():
    assert list(untangled(dict([found(Kind.SAG)]), {Kind.MIC_FAULT})) == [Kind.SAG]


def test_a_kind_that_may_only_warn_holds_nothing_and_takes_nothing_in():
    findings = dict(map(found, (Kind.LOOSENING, Kind.CHATTER)))
    warning = only_warning(findings[Kind.LOOSENING])
    assert warning.severity is Severity.WARNING
    assert "lets loosening only warn" in warning.message
    assert only_warning(warning) is warning
    assert set(untangled({**findings, Kind.LOOSENING: warning}, frozenset())) == {
        Kind.LOOSENING,
        Kind.CHATTER,
    }
