"""The alarm board against the state names of IEC 62682 / ANSI/ISA-18.2 (from memory), and its latch."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.alarm import AlarmBoard, AlarmState
from monitor.errors import ResetRefused
from monitor.measurements import Event, Kind, Severity

NORMAL, UNACK, ACK, RETURNED = AlarmState


def event(kind: Kind = Kind.SAG, severity: Severity = Severity.HOLD, t: float = 1.0) -> Event:
    return Event(t=t, kind=kind, severity=severity, message=f"{kind} {severity}")


def board_in(state: AlarmState) -> AlarmBoard:
    """A board whose chatter warning is in the given state; warnings leave the hold out of it."""
    board = AlarmBoard()
    if state is NORMAL:
        return board
    board = board.raised(event(Kind.CHATTER, Severity.WARNING))
    if state is ACK:
        return board.acknowledged(2.0)
    return board.cleared(Kind.CHATTER, 2.0) if state is RETURNED else board


TRANSITIONS = {
    (NORMAL, "raise"): UNACK,
    (NORMAL, "clear"): NORMAL,
    (NORMAL, "acknowledge"): NORMAL,
    (UNACK, "raise"): UNACK,
    (UNACK, "clear"): RETURNED,
    (UNACK, "acknowledge"): ACK,
    (ACK, "raise"): ACK,
    (ACK, "clear"): NORMAL,
    (ACK, "acknowledge"): ACK,
    (RETURNED, "raise"): UNACK,
    (RETURNED, "clear"): RETURNED,
    (RETURNED, "acknowledge"): NORMAL,
}


def act(board: AlarmBoard, action: str, t: float) -> AlarmBoard:
    if action == "raise":
        return board.raised(event(Kind.CHATTER, Severity.WARNING, t))
    if action == "clear":
        return board.cleared(Kind.CHATTER, t)
    return board.acknowledged(t)


@pytest.mark.parametrize(("start", "action"), TRANSITIONS)
def test_transition_table_of_the_standard(start, action):
    before = board_in(start)
    after = act(before, action, 5.0)
    assert after.state(Kind.CHATTER) is TRANSITIONS[start, action]
    if after.state(Kind.CHATTER) is start:
        assert after == before
    elif after.alarms:
        assert after.alarms[0].since_s == 5.0


def test_the_transition_table_is_complete():
    assert len(TRANSITIONS) == len(AlarmState) * 3


def test_a_warning_does_not_hold_and_information_is_no_alarm():
    assert not AlarmBoard().raised(event(severity=Severity.WARNING)).held
    assert AlarmBoard().raised(event(severity=Severity.INFO)) == AlarmBoard()


def test_a_warning_that_turns_into_a_hold_is_unacknowledged_again():
    board = AlarmBoard().raised(event(severity=Severity.WARNING)).acknowledged(2.0).raised(event(t=3.0))
    assert board.state(Kind.SAG) is UNACK
    assert board.held
    assert board.raised(event(severity=Severity.WARNING, t=4.0)) == board


def test_first_up_stays_the_first_cause_in_a_cascade():
    board = AlarmBoard().raised(event(Kind.PACKING, t=1.0)).raised(event(Kind.SAG, t=1.2))
    assert board.first_up is not None
    assert board.first_up.kind is Kind.PACKING
    assert [alarm.event.kind for alarm in board.alarms] == [Kind.PACKING, Kind.SAG]


def test_the_hold_outlives_its_cause_and_ends_with_a_signed_reset():
    board = AlarmBoard().raised(event()).settled([], 2.0)
    assert board.state(Kind.SAG) is RETURNED
    assert board.held
    board = board.reset(" Ada ", 3.0)
    assert not board.held
    assert board.state(Kind.SAG) is NORMAL
    assert (board.last_reset_by, board.last_reset_s) == ("Ada", 3.0)


def test_acknowledging_everything_does_not_end_the_hold():
    board = AlarmBoard().raised(event()).acknowledged(2.0).cleared(Kind.SAG, 3.0)
    assert board.alarms == ()
    assert board.held


def test_reset_is_refused_while_the_cause_lasts_and_says_which():
    board = AlarmBoard().raised(event()).raised(event(Kind.CHATTER)).cleared(Kind.CHATTER, 2.0)
    with pytest.raises(ResetRefused, match=r"still there \(sag\): it ends when the spindle is back"):
        board.reset("Ada", 3.0)
    assert board.refusal()


def test_a_lasting_warning_does_not_stand_in_the_way_of_a_reset():
    board = AlarmBoard().raised(event()).cleared(Kind.SAG, 2.0)
    board = board.raised(event(Kind.CHATTER, Severity.WARNING, 2.5)).reset("Ada", 3.0)
    assert not board.held
    assert board.state(Kind.CHATTER) is ACK


@pytest.mark.parametrize("nobody", ["", "   ", "\n", "a\x00b", "x" * 81])
def test_reset_has_to_be_signed(nobody):
    board = AlarmBoard().raised(event()).cleared(Kind.SAG, 2.0)
    with pytest.raises(ResetRefused, match="give your name"):
        board.reset(nobody, 3.0)


def test_reset_with_nothing_held_changes_nothing():
    board = AlarmBoard().raised(event(severity=Severity.WARNING))
    assert board.reset("Ada", 3.0) is board


def test_settled_clears_all_but_what_is_still_heard():
    board = AlarmBoard().raised(event(Kind.SAG)).raised(event(Kind.CHATTER)).settled({Kind.SAG}, 4.0)
    assert (board.state(Kind.SAG), board.state(Kind.CHATTER)) == (UNACK, RETURNED)


ALARM_KINDS = [Kind.SAG, Kind.STALL, Kind.CHATTER]
ACTIONS = st.one_of(
    st.tuples(st.just("raise"), st.sampled_from(ALARM_KINDS), st.sampled_from(Severity)),
    st.tuples(st.just("clear"), st.sampled_from(ALARM_KINDS)),
    st.tuples(st.just("acknowledge")),
    st.tuples(st.just("reset"), st.sampled_from(["", "Ada"])),
)


@given(st.lists(ACTIONS, max_size=40))
def test_only_a_granted_reset_ends_a_hold_and_none_is_granted_while_a_cause_lasts(actions):
    board = AlarmBoard()
    holding: set[Kind] = set()  # hold causes that last, kept independently of the board
    for t, (action, *details) in enumerate(actions):
        before = board
        if action == "raise":
            kind, severity = details
            board = board.raised(event(kind, severity, float(t)))
            if severity is Severity.HOLD:
                holding.add(kind)
                assert board.held
        elif action == "clear":
            board = board.cleared(details[0], float(t))
            holding.discard(details[0])
        elif action == "acknowledge":
            board = board.acknowledged(float(t))
        else:
            refused = not details[0] or (before.held and bool(holding))
            if refused:
                with pytest.raises(ResetRefused):
                    board.reset(details[0], float(t))
            else:
                board = board.reset(details[0], float(t))
                assert not board.held
        if before.held and action != "reset":
            assert board.held
            assert board.first_up == before.first_up
        assert len({alarm.event.kind for alarm in board.alarms}) == len(board.alarms)
