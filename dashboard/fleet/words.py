"""What a monitor says to its shop: three topics, and what stands on each, as JSON.

    TOPIC/NAME/presence   retained: here, ended in good order, or lost (the last will)
    TOPIC/NAME/state      retained, once a second and at each change: everything a page shows, the newest only
    TOPIC/NAME/records    events, alarms, pecks, batches and curves, each once and in order
    TOPIC/NAME/again      asked of a monitor: send the records from this one on again

TOPIC and NAME are the station file's. A record carries its number in its monitor's stream; whoever receives
it knows by that number whether it came twice, and whether one before it is missing. Messages come from a
network: they are checked as strictly as a file that a person writes.
"""

from __future__ import annotations

import json
from enum import StrEnum
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from monitor.errors import one_line

PRESENCE, STATE, RECORDS, AGAIN = "presence", "state", "records", "again"

# A state with every alarm and long sentences has under 8 kB, five seconds of curves 2 kB.
MAX_MESSAGE_BYTES = 64_000
NAME = r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,39}$"  # as `monitor.station` has it


class RecordKind(StrEnum):
    """What a record tells."""

    BATCH = "batch"
    ALARM = "alarm"
    EVENT = "event"
    PECK = "peck"
    CURVES = "curves"
    DROPPED = "dropped"


class _Said(BaseModel):
    """Something received: unknown keys are another version's and are let be; nothing is converted."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", allow_inf_nan=False)


_Text = Annotated[str, StringConstraints(max_length=2000), AfterValidator(one_line)]
_Short = Annotated[str, StringConstraints(max_length=200), AfterValidator(one_line)]
_Id = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{1,32}$")]
MAX_COUNT = 2**53  # what a page's numbers hold
_Count = Annotated[int, Field(ge=0, le=MAX_COUNT)]
_Time = Annotated[float, Field(ge=0, le=1e11)]  # seconds since the epoch
_Value = Annotated[float, Field(ge=-1e9, le=1e9)] | None


class Presence(_Said):
    """Whether a monitor is there."""

    here: Literal["here", "ended", "lost"]
    run: _Id
    at: _Time | None = None


class AlarmSaid(_Said):
    """One alarm that is not normal, with its state by IEC 62682."""

    kind: _Short
    severity: Literal["warning", "hold"]
    state: _Short
    message: _Text


class State(_Said):
    """Everything a page shows of one spindle; None where a value is not known."""

    run: _Id
    stream: _Id
    seq: _Count
    at: _Time
    word: Literal["ALL WELL", "LOOK", "HELD", "STOPPED", "NO DATA"]
    why: _Text
    todo: _Text
    since: _Time
    held: bool
    over: bool = False
    unacknowledged: _Count
    alarms: Annotated[list[AlarmSaid], Field(max_length=40)]
    job: _Short
    material: _Short
    synthetic: bool = False
    batch: _Count
    blanks: _Count
    blank: _Count
    peck: _Count
    blanks_done: _Count
    left_s: _Value
    commanded_rpm: _Value
    speed_rpm: _Value
    speed_confidence: _Value
    sag_pct: _Value
    sag_warning_pct: _Value
    sag_hold_pct: _Value
    level_db: _Value
    cut_level_db: _Value
    chatter_db: _Value
    cutting: bool
    page: _Short = ""


class Record(_Said):
    """One record: its number, the first one that it stands for, and the oldest that its monitor still has."""

    stream: _Id
    seq: Annotated[int, Field(ge=1, le=2**53)]
    first: Annotated[int, Field(ge=1, le=2**53)]
    oldest: Annotated[int, Field(ge=1, le=2**53)]
    at: _Time
    kind: RecordKind
    body: dict[str, Any]


class Again(_Said):
    """A receiver misses records: send them from ``seq`` on."""

    stream: _Id
    seq: Annotated[int, Field(ge=1, le=2**53)]


Said = TypeVar("Said", bound=_Said)


def read(kind: type[Said], payload: bytes) -> Said | None:
    """What was received, or None where it is not what it should be."""
    if len(payload) > MAX_MESSAGE_BYTES:
        return None
    try:
        return kind.model_validate_json(payload)
    except (ValidationError, ValueError, RecursionError):
        return None


def write(said: _Said | dict[str, Any]) -> bytes:
    """What is sent: compact JSON without numbers that are none."""
    content = said if isinstance(said, dict) else said.model_dump(mode="json")
    return json.dumps(content, separators=(",", ":"), allow_nan=False, ensure_ascii=False).encode()
