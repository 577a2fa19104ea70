"""Once a cause, again after five seconds of normal signal, and at each rise of severity."""

import math

from monitor.faults.episode import NORMAL_FOR_S, Episode, Finding, Place
from monitor.measurements import Kind, Severity


class Somewhere:
    place = Place(2, 3, 14.5)


def found(severity=Severity.HOLD, **changes):
    return Finding(Kind.SAG, severity, "The spindle is slow.", **changes)


def test_an_event_carries_the_finding_and_the_place():
    event = Episode().step(1.25, found(value=9.0, limit=8.0, unit="%", onset_s=0.5), Somewhere())
    assert (event.t, event.kind, event.severity, event.message) == (
        1.25, Kind.SAG, Severity.HOLD, "The spindle is slow.",
    )  # fmt: skip
    assert (event.value, event.limit, event.unit, event.onset_s) == (9.0, 8.0, "%", 0.5)
    assert (event.blank, event.peck, event.depth_mm) == (2, 3, 14.5)


def test_a_place_outside_a_blank_is_nowhere():
    assert (Place().blank, Place().peck) == (0, 0)
    assert math.isnan(Place().depth_mm)


def told(findings, step_s=0.5):
    """Indices of the steps at which an event was made, with its severity."""
    episode = Episode()
    events = [(k, episode.step(k * step_s, finding, Somewhere())) for k, finding in enumerate(findings)]
    return [(k, event.severity) for k, event in events if event is not None]


def test_one_event_while_the_cause_lasts():
    assert told([found()] * 100) == [(0, Severity.HOLD)]


def test_each_rise_of_severity_is_told_and_no_fall():
    info, warning, hold = (found(s) for s in (Severity.INFO, Severity.WARNING, Severity.HOLD))
    assert told([info, warning, info, hold, warning, hold]) == [
        (0, Severity.INFO), (1, Severity.WARNING), (3, Severity.HOLD),
    ]  # fmt: skip


def test_a_gap_under_five_seconds_is_the_same_cause():
    gap = int(NORMAL_FOR_S / 0.5) - 1
    assert told([found(), *[None] * gap, found()]) == [(0, Severity.HOLD)]


def test_after_five_normal_seconds_it_may_be_told_again():
    gap = int(NORMAL_FOR_S / 0.5)
    assert told([found(), *[None] * gap, found()]) == [(0, Severity.HOLD), (gap + 1, Severity.HOLD)]


def test_a_warning_after_five_normal_seconds_is_told_though_a_hold_was_before():
    gap = int(NORMAL_FOR_S / 0.5)
    warning = found(Severity.WARNING)
    assert told([found(), *[None] * gap, warning]) == [(0, Severity.HOLD), (gap + 1, Severity.WARNING)]


def test_active_while_found_within_half_a_second():
    episode = Episode()
    assert not episode.active(0.0)
    episode.step(10.0, found(), Somewhere())
    assert episode.active(10.5)
    assert not episode.active(10.55)
