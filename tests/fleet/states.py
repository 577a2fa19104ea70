"""A monitor's state, as a shop receives it."""

from __future__ import annotations

from typing import Any

from dashboard.fleet.words import AlarmSaid, State

HOLD = "The drill is binding: the spindle is 8.7 % below its free speed (hold at 8 %)."
WARNING = "The spindle slows under load: 4.6 % below its free speed (warning at 4 %)."
WHY = {
    "HELD": HOLD,
    "LOOK": WARNING,
    "ALL WELL": "The drill is cutting and the speed holds.",
    "STOPPED": "The spindle stands still.",
    "NO DATA": "The sound has stopped coming.",
}


def alarm(kind: str, severity: str, standing: str = "unacknowledged", message: str = HOLD) -> AlarmSaid:
    """One alarm."""
    return AlarmSaid.model_validate(
        {"kind": kind, "severity": severity, "state": standing, "message": message}
    )


def state(word: str, **changed: Any) -> State:
    """A plausible state with this word."""
    held = word == "HELD"
    said: dict[str, Any] = {
        "run": "ab", "stream": "ab", "seq": 1, "at": 1_764_000_000.0, "since": 1_764_000_000.0 - 70,
        "word": word, "why": WHY[word], "todo": "", "held": held, "unacknowledged": int(held), "alarms": [],
        "job": "cord pulls, cast acrylic", "material": "acrylic", "batch": 3,
        "blanks": 24, "blank": 7, "peck": 3, "blanks_done": 6, "left_s": 400.0,
        "commanded_rpm": 900.0, "speed_rpm": 894.6, "speed_confidence": 0.9,
        "sag_pct": 8.7 if held else 0.6, "sag_warning_pct": 4.0, "sag_hold_pct": 8.0,
        "level_db": -30.0, "cut_level_db": 10.0, "chatter_db": 3.0, "cutting": True,
    }  # fmt: skip
    return State.model_validate(said | changed)
