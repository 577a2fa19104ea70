"""Where a program has got to: what is modal, where the drill is, the steps made and what has to be said."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

from monitor.errors import InputError
from monitor.planning.program_words import Block, Word
from monitor.quantities import MM_PER_INCH, Units

Codes = Literal["rs274", "lathe-a"]
Numbers = Literal["whole", "increments"]
FeedUnit = Literal["per-minute", "per-revolution"]

MOST_STEPS = 100_000
"""Moves of one program: a thousand holes of a hundred; more is a slip in a repeat or a peck increment."""

ON_AXIS_MM = 0.01
"""Nearer than this to X0 a feed along Z drills on the axis of a lathe."""


class ProgramError(InputError):
    """The program cannot be read; the message says what to tell the command."""


class Note(StrEnum):
    """What a remark means."""

    NOT_UNDERSTOOD = "not understood"
    LEFT_OUT = "left out"
    READ_AS = "read as"


@dataclass(frozen=True)
class Remark:
    """Something a person has to check: the line in the file (0: the program as a whole) and a sentence."""

    line: int
    note: Note
    text: str


@dataclass(frozen=True)
class ReadingRules:
    """What a program may leave open: ``units`` without G20 or G21, ``feed`` without G94 or G95, ``numbers``
    without a decimal point, and the meaning of codes that differ between controls.
    """

    codes: Codes = "rs274"
    units: Units | None = None
    feed: FeedUnit | None = None
    numbers: Numbers = "whole"


@dataclass(frozen=True)
class Step:
    """One move along Z on the axis, or one wait, in mm; heights above Z0 are positive, None where not known.

    ``feed`` in mm/min or mm/rev as ``per_rev`` tells, None where not known; ``tool`` and ``rpm`` as
    commanded; ``cycle`` the canned cycle that it belongs to.
    """

    line: int
    kind: Literal["rapid", "feed", "dwell"]
    from_z: float | None
    to_z: float | None
    feed: float | None = None
    per_rev: bool | None = None
    rpm: float | None = None
    tool: str = ""
    dwell_s: float = 0.0
    cycle: str = ""


UNIT_MM: dict[Units, float] = {"mm": 1.0, "in": MM_PER_INCH}
INCREMENTS = {1.0: 0.001, MM_PER_INCH: 0.0001}
"""Least input increment in the program's unit, by that unit in mm."""


@dataclass
class State:
    """What is modal, and where the drill is: changed block by block.

    ``factor`` turns the program's unit into mm; ``motion`` is the motion code or cycle in force, ``sticky``
    the cycle's words in mm and ``initial_z`` the height at which it began. ``x``, ``y``, ``z`` are None where
    not known. A tool is changed by M6 where ``waits_for_m6``, else by T. ``without_point`` keeps lengths
    written without a decimal point, with their lines.
    """

    rules: ReadingRules
    factor: float | None
    feed_unit: FeedUnit | None
    absolute: bool = True
    motion: str = ""
    returns_to_r: bool = False
    feed: float | None = None
    rpm: float | None = None
    tool: str = ""
    next_tool: str = ""
    waits_for_m6: bool = False
    x: float | None = None
    y: float | None = None
    z: float | None = None
    sticky: dict[str, float] = field(default_factory=dict)
    initial_z: float | None = None
    rise: float = 0.0
    ended: bool = False
    distance_said: bool = False
    constant_surface: bool = False
    said: set[str] = field(default_factory=set)
    steps: list[Step] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)
    without_point: list[tuple[int, str]] = field(default_factory=list)

    def remark(self, line: int, note: Note, text: str, once: bool = False) -> None:
        """Keep a remark; with ``once`` only the first of its text."""
        if once and text in self.said:
            return
        self.said.add(text)
        self.remarks.append(Remark(line, note, text))

    def lose(self, *axes: str) -> None:
        """Forget where the drill is."""
        for axis in axes or ("x", "y", "z"):
            setattr(self, axis, None)


def length_mm(state: State, block: Block, word: Word) -> float:
    """A length word in mm."""
    if state.factor is None:
        raise ProgramError(
            f"line {block.line}: {word.text} comes before G20 (inch) or G21 (metric); say --units mm or "
            "--units in"
        )
    counted = word.letter == "Q" and state.rules.codes == "lathe-a"
    if not word.point and word.value:
        if counted or state.rules.numbers == "increments":
            return word.value * INCREMENTS[state.factor] * state.factor
        state.without_point.append((block.line, word.text))
    return word.value * state.factor


def target(state: State, block: Block, axis: str) -> float | None:
    """Where an axis goes; where it is when it is not named, None when that is not known."""
    here: float | None = getattr(state, axis)
    by = block.last({"x": "U", "y": "V", "z": "W"}[axis]) if state.rules.codes == "lathe-a" else None
    if by is not None:
        return None if here is None else here + length_mm(state, block, by)
    word = block.last(axis.upper())
    if word is None:
        return here
    value = length_mm(state, block, word)
    if state.absolute:
        return value
    return None if here is None else here + value


def on_axis(state: State, block: Block, x: float | None, y: float | None) -> bool:
    if x is None and state.motion != "G0":
        state.remark(
            block.line,
            Note.READ_AS,
            "drilling with no X said before it: taken to be on the axis, X0",
            once=True,
        )
    return abs(x or 0.0) <= ON_AXIS_MM and abs(y or 0.0) <= ON_AXIS_MM


def step_to(state: State, block: Block, z: float | None, cycle: str = "", kind: str = "") -> Step:
    feeding = kind == "feed" or (not kind and state.motion == "G1")
    if not feeding:
        return Step(block.line, "rapid", state.z, z, rpm=state.rpm, tool=state.tool, cycle=cycle)
    feed, per_rev = feed_now(state, block)
    return Step(block.line, "feed", state.z, z, feed, per_rev, state.rpm, state.tool, cycle=cycle)


def feed_now(state: State, block: Block) -> tuple[float | None, bool | None]:
    if state.feed is None:
        state.remark(block.line, Note.NOT_UNDERSTOOD, "a feed move with no feed (F) in force", once=True)
        return None, None
    if state.feed_unit is None:
        state.remark(
            block.line,
            Note.NOT_UNDERSTOOD,
            f"F{state.feed:g} with neither G94 nor G95: per minute or per revolution? Say --feed per-minute "
            "or --feed per-revolution",
            once=True,
        )
        return None, None
    return state.feed * (state.factor or 1.0), state.feed_unit == "per-revolution"


def go(state: State, block: Block, z: float, kind: Literal["rapid", "feed"], cycle: str = "") -> None:
    if z != state.z:
        state.steps.append(step_to(state, block, z, cycle or state.motion, kind))
        state.z = z
