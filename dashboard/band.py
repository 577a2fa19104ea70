"""The band on top of the page: one word, why, and what to do."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from monitor.alarm import AlarmBoard
from monitor.measurements import Kind, Severity, TraceRow

# Speed may drop out for a few frames under a knock or an air gun; a second without it means that
# "all well" could no longer be justified.
SPEED_UNKNOWN_S = 1.0


class Word(StrEnum):
    """The one word that the page shows largest."""

    WELL = "ALL WELL"
    LOOK = "LOOK"
    HELD = "HELD"
    NO_DATA = "NO DATA"
    STOPPED = "STOPPED"


# What a person does about each kind. Words only: nothing here moves a machine, and a held feed leaves
# the spindle turning, which in acrylic melts the wall of the hole: so it is stopped first.
ON_HOLD = {
    Kind.SAG: "Stop the spindle, back the drill out, clear the chips and look at its edges.",
    Kind.STALL: "Stop the spindle. Free the drill before anything turns again.",
    Kind.PACKING: "Stop the spindle, back the drill out and clear the flutes. Shorten the pecks.",
    Kind.MELTING: "Stop the spindle and back the drill out: it is rubbing. Let it cool, look at its edges.",
    Kind.CHATTER: "Stop the spindle. Look at the drill's overhang, the work holding and the feed.",
    Kind.LOOSENING: "Stop the spindle and keep clear: the blank may be coming loose.",
    Kind.LOST_CUT: "Stop the spindle. Look for a broken drill, a spun blank or a missing one.",
    Kind.MIC_FAULT: "Nothing is being heard. Look at the microphone, its cable and its place.",
    Kind.MASKED: "Look at the machine yourself. Silence the other sound.",
    Kind.HOLD_NOW: "Look at the machine.",
}
ON_WARNING = {
    Kind.SAG: "Look at the chips and the drill; be ready to stop.",
    Kind.PACKING: "Look whether the flutes come out full. Shorten the pecks for the next blank.",
    Kind.MELTING: "Look whether chips still come, and whether the work smears; be ready to stop.",
    Kind.CHATTER: "Look at the drill's overhang, the work holding and the feed.",
    Kind.MIC_FAULT: "Look at the microphone, its cable and its place.",
    Kind.MASKED: "Something else may be louder than the machine. Look at the machine yourself.",
    Kind.LOW_SPACE: "Judge old holds, or move old evidence away. A full disk stops the monitor, held.",
}
LOOK = "Look at the machine."
END_OF_HOLD = "Then press and keep Reset. It ends the hold; it starts no motion."


@dataclass(frozen=True, slots=True)
class Seen:
    """What the word is judged by.

    ``stale``: no sound came for a while; ``last`` the newest row, None before the first; ``speed_known_t``
    the time of the newest row with a speed; ``note`` what is going on when there is nothing to judge.
    """

    held: bool
    board: AlarmBoard
    over: bool
    note: str
    stale: bool
    last: TraceRow | None
    speed_known_t: float


def judge(seen: Seen) -> tuple[Word, str, str]:
    """The word, why, and what to do; the first rule that fits wins."""
    if seen.held:
        return _judge_hold(seen.board)
    if seen.over:
        return Word.STOPPED, seen.note, ""
    if seen.last is None:
        return Word.NO_DATA, seen.note, ""
    if seen.stale:
        return (
            Word.NO_DATA,
            "The sound has stopped coming.",
            "Look at the machine yourself, then at the microphone and the computer.",
        )
    if seen.board.alarms:
        worst = max(seen.board.alarms, key=lambda a: (a.event.severity is Severity.HOLD, a.active))
        gone = "" if worst.active else " It has passed by itself."
        return Word.LOOK, worst.event.message + gone, ON_WARNING.get(worst.event.kind, LOOK)
    if seen.last.speed_rpm == 0:
        return Word.STOPPED, "The spindle stands still.", ""
    if seen.last.t - seen.speed_known_t > SPEED_UNKNOWN_S:
        return (
            Word.LOOK,
            "The spindle is not heard clearly enough to know its speed.",
            ON_WARNING[Kind.MASKED],
        )
    doing = "The drill is cutting and the speed holds." if seen.last.cutting else "The spindle turns free."
    return Word.WELL, doing, ""


def _judge_hold(board: AlarmBoard) -> tuple[Word, str, str]:
    event = board.first_up
    if event is None:
        return Word.HELD, "The feed is held.", END_OF_HOLD
    return Word.HELD, event.message, f"{ON_HOLD.get(event.kind, LOOK)} {END_OF_HOLD}"
