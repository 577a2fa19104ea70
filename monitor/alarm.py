"""Alarm states and the latched hold, after IEC 62682 / ANSI/ISA-18.2 (state names from memory).

Detectors report the present; only this file remembers. Each kind of alarm is in one of the four
states of the standard's non-latching alarm:

====================================  ==================  =================  ==============
state                                 cause begins        cause ends         acknowledged
====================================  ==================  =================  ==============
normal                                unacknowledged      --                 --
unacknowledged                        --                  returned to normal acknowledged
                                                          unacknowledged
acknowledged                          -- [1]              normal             --
returned to normal unacknowledged     unacknowledged      --                 normal
====================================  ==================  =================  ==============

[1] A warning that turns into a hold is a new alarm of higher priority: unacknowledged again.

The hold is kept apart from them, because it must outlive its cause: it latches with the first
hold event and ends only by a named person's reset, which is refused while a cause of it lasts.
Everything here is pure: a transition returns a new board, and times are passed in.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from enum import StrEnum

from monitor.errors import ResetRefused
from monitor.measurements import Event, Kind, Severity

_SOON = "wait for a moment"
_OUT = "it ends when the drill is out of the work"
_ENDS = {
    Kind.SAG: "it ends when the spindle is back at its speed; retract the drill",
    Kind.STALL: "it ends when the spindle is heard turning; free the drill with the drive off, then start "
    "the spindle: the feed stays held",
    Kind.PACKING: _OUT,
    Kind.MELTING: _OUT,
    Kind.CHATTER: _OUT,
    Kind.LOOSENING: "it ends when the knock is gone; stop the spindle",
    Kind.LOST_CUT: "it ends when the spindle is stopped, or the drill is heard to cut",
    Kind.MIC_FAULT: "it ends when the microphone has been heard as before for some seconds; look at "
    "plug, gain and place",
    Kind.MASKED: "it ends when the other sound does, so that the spindle is heard",
}
"""What a person has to do or to wait for, by kind of a hold that lasts: those that the core finds."""

MAX_NAME = 80  # characters of a name that a reset is signed with


class AlarmState(StrEnum):
    """States of one alarm."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned to normal unacknowledged"


@dataclass(frozen=True, slots=True)
class Alarm:
    """One kind of alarm that is not normal; ``since_s`` is when it entered its state."""

    state: AlarmState
    since_s: float
    event: Event

    @property
    def active(self) -> bool:
        """True while its cause lasts."""
        return self.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


@dataclass(frozen=True, slots=True)
class AlarmBoard:
    """Every alarm that is not normal, and the hold.

    ``first_up`` is the event that raised the present hold: in a cascade of alarms, the one to look
    at first. None while nothing is held. All times are seconds of signal.
    """

    alarms: tuple[Alarm, ...] = ()
    first_up: Event | None = None
    last_reset_by: str = ""
    last_reset_s: float | None = None

    @property
    def held(self) -> bool:
        """True from the first hold event until a person's reset."""
        return self.first_up is not None

    def state(self, kind: Kind) -> AlarmState:
        """The state of one kind of alarm."""
        alarm = self._alarm(kind)
        return alarm.state if alarm else AlarmState.NORMAL

    def raised(self, event: Event) -> AlarmBoard:
        """The board after an event; information is no alarm and changes nothing."""
        if event.severity is Severity.INFO:
            return self
        board = self
        if event.severity is Severity.HOLD and not self.held:
            board = replace(board, first_up=event)
        known = self._alarm(event.kind)
        if known is not None and known.active and not _grown(known.event, event):
            return board
        return board._with(event.kind, Alarm(AlarmState.UNACKNOWLEDGED, event.t, event))

    def cleared(self, kind: Kind, t: float) -> AlarmBoard:
        """The board after the cause of one kind has ended."""
        alarm = self._alarm(kind)
        if alarm is None or not alarm.active:
            return self
        if alarm.state is AlarmState.ACKNOWLEDGED:
            return self._with(kind, None)
        return self._with(kind, replace(alarm, state=AlarmState.RETURNED, since_s=t))

    def settled(self, active: Collection[Kind], t: float) -> AlarmBoard:
        """The board after all causes but the ``active`` ones have ended."""
        board = self
        for alarm in self.alarms:
            if alarm.event.kind not in active:
                board = board.cleared(alarm.event.kind, t)
        return board

    def acknowledged(self, t: float) -> AlarmBoard:
        """The board after a person has said that the alarms were seen; the hold stays."""
        board = self
        for alarm in self.alarms:
            if alarm.state is AlarmState.UNACKNOWLEDGED:
                seen = replace(alarm, state=AlarmState.ACKNOWLEDGED, since_s=t)
                board = board._with(alarm.event.kind, seen)
            elif alarm.state is AlarmState.RETURNED:
                board = board._with(alarm.event.kind, None)
        return board

    def refusal(self) -> str:
        """Why a reset would be refused now; empty when it would not be."""
        lasting = [a.event.kind for a in self.alarms if a.active and a.event.severity is Severity.HOLD]
        if not self.held or not lasting:
            return ""
        return f"the cause of the hold is still there ({', '.join(lasting)}): {_ENDS.get(lasting[0], _SOON)}"

    def reset(self, by: str, t: float) -> AlarmBoard:
        """The board after a named person's deliberate reset; unchanged when nothing is held.

        Whoever resets has looked at the machine, so everything on the board is acknowledged too.

        Raises
        ------
        ResetRefused
            When nobody is named, or a cause of the hold lasts.
        """
        by = by.strip()
        if not by or len(by) > MAX_NAME or not by.isprintable():
            raise ResetRefused(f"a reset has to be signed; give your name, 1 to {MAX_NAME} characters")
        if not self.held:
            return self
        if reason := self.refusal():
            raise ResetRefused(reason)
        return replace(self.acknowledged(t), first_up=None, last_reset_by=by, last_reset_s=t)

    def _alarm(self, kind: Kind) -> Alarm | None:
        return next((alarm for alarm in self.alarms if alarm.event.kind is kind), None)

    def _with(self, kind: Kind, alarm: Alarm | None) -> AlarmBoard:
        """Replace one kind's alarm in place, keeping the order in which they came up."""
        others = [a for a in self.alarms if a.event.kind is not kind]
        if alarm is None:
            return replace(self, alarms=tuple(others))
        if len(others) == len(self.alarms):
            return replace(self, alarms=(*others, alarm))
        return replace(self, alarms=tuple(alarm if a.event.kind is kind else a for a in self.alarms))


def _grown(before: Event, now: Event) -> bool:
    return before.severity is Severity.WARNING and now.severity is Severity.HOLD
