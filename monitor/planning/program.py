"""What an ISO 6983 drilling program does: its blocks carried out on paper, move by move.

Canned cycles are carried out as RS-274/NGC describes them (Kramer, Proctor and Messina, *The NIST RS274NGC
Interpreter, Version 3*, NISTIR 6556, 2000): the first peck counts from the R plane, every peck is drawn out
to it. Lathe controls of G-code system A differ: there G98 and G99 choose the feed's unit, R may be a distance
from where the cycle begins, Q counts increments, and G74 drills from the face without leaving the hole (from
memory of makers' manuals, and as seen in published lathe programs).

Nothing is left out silently: whatever is not understood, or is read in one of several ways, becomes a remark.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from math import ceil
from typing import Literal

from monitor.errors import InputError
from monitor.planning.program_words import Block, Word, read_blocks
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


@dataclass(frozen=True)
class Program:
    """The steps of a program in order, its remarks by line, and the person's units."""

    steps: tuple[Step, ...]
    remarks: tuple[Remark, ...]
    units: Units


@dataclass
class _State:
    """What is modal, and where the drill is."""

    rules: ReadingRules
    factor: float | None
    feed_unit: FeedUnit | None
    absolute: bool = True
    motion: str = ""
    returns_to_r: bool = False
    feed: float | None = None
    rpm: float | None = None
    tool: str = ""
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
    pointless: list[tuple[int, str]] = field(default_factory=list)

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


def read_program(text: str, rules: ReadingRules | None = None) -> Program:
    """Carry out a program on paper.

    Raises
    ------
    ProgramError
        The units are neither said nor given, or the program moves without end.

    Examples
    --------
    >>> program = read_program("G21 G95 S900 M3\\nG0 X0 Z2\\nG1 Z-5 F.1\\nG0 Z2\\nM30")
    >>> [(step.kind, step.to_z) for step in program.steps]
    [('rapid', 2.0), ('feed', -5.0), ('rapid', 2.0)]
    """
    rules = rules or ReadingRules()
    factor = None if rules.units is None else _FACTORS[rules.units]
    state = _State(rules, factor, rules.feed)
    for block in read_blocks(text):
        if state.ended:
            state.remark(block.line, Note.LEFT_OUT, "what stands after the end of the program", once=True)
            break
        _carry_out(state, block)
        if len(state.steps) > MOST_STEPS:
            raise ProgramError(
                f"line {block.line}: more than {MOST_STEPS} moves; look for a peck increment (Q) that is far "
                "too small or a repeat (L, K) that is far too large"
            )
    if state.pointless:
        state.remarks.append(_without_points(state))
    remarks = sorted(state.remarks, key=lambda remark: remark.line)
    units: Units = "in" if state.factor == MM_PER_INCH else "mm"
    return Program(tuple(state.steps), tuple(remarks), units)


_FACTORS: dict[Units, float] = {"mm": 1.0, "in": MM_PER_INCH}
_INCREMENTS = {1.0: 0.001, MM_PER_INCH: 0.0001}  # least input increment, mm and inch

# Codes that change nothing about where a hole is drilled or how fast.
_NO_MATTER = {
    "G7", "G8", "G9", "G17", "G40", "G43", "G49", "G54", "G55", "G56", "G57", "G58", "G59", "G59.1", "G59.2",
    "G59.3", "G61", "G61.1", "G64", "G90.1", "G91.1", "M0", "M1", "M3", "M4", "M5", "M6", "M7", "M8",
    "M9", "M48", "M49",
}  # fmt: skip
_ELSEWHERE = ("G65", "G66", "M96", "M97", "M98", "M99")
_CYCLES = ("G73", "G81", "G82", "G83")
_NO_DRILLING = {
    "G2": "an arc", "G3": "an arc", "G32": "thread cutting", "G33": "thread cutting",
    "G74": "drilling from the face on a lathe (then say --codes lathe-a), or left-hand tapping",
    "G76": "a boring or threading cycle", "G84": "tapping",
    "G85": "reaming", "G86": "boring", "G87": "back boring", "G88": "boring", "G89": "reaming",
}  # fmt: skip
_LATHE_A_CYCLES = {"G70", "G71", "G72", "G73", "G75", "G77", "G78", "G79", "G90", "G92", "G94"}
_LENGTHS = "XYZUVWRQIJK"


def _carry_out(state: _State, block: Block) -> None:
    if block.leftover:
        state.remark(
            block.line,
            Note.NOT_UNDERSTOOD,
            f'"{block.leftover[:60]}": no plain words and numbers; the whole block is left out, and where '
            "the drill is afterwards is not known until the next absolute move",
        )
        state.lose()
        return
    if block.deletable:
        state.remark(block.line, Note.READ_AS, "a block with a slash: carried out, as with block delete off")
    goes_home = machine_move = shifts = False
    for code in block.codes():
        goes_home |= code in ("G28", "G30")
        machine_move |= code == "G53"
        shifts |= code in ("G10", "G52") or (code in ("G50", "G92") and _has_axis(block))
        _modal(state, block, code)
    _set_words(state, block)
    if goes_home:
        state.lose()
    elif machine_move:
        state.remark(
            block.line,
            Note.LEFT_OUT,
            "a move in machine coordinates (G53): its height over the work is not known",
        )
        state.lose()
    elif shifts:
        state.remark(
            block.line,
            Note.NOT_UNDERSTOOD,
            f"{_text(block)}: a shift of the origin; depths after it may be wrong",
        )
        state.lose()
    elif "G4" in block.codes():
        _wait(state, block)
    elif _is_face_cycle(state, block):
        _face_cycle(state, block)
    elif _has_axis(block) or _repeats_cycle(state, block):
        _move(state, block)


def _modal(state: _State, block: Block, code: str) -> None:
    """Take one G or M code."""
    lathe_a = state.rules.codes == "lathe-a"
    if code in ("G20", "G21"):
        state.factor = _FACTORS["in" if code == "G20" else "mm"]
    elif lathe_a and code == "G74":
        return  # not modal: carried out with its block
    elif lathe_a and code in _LATHE_A_CYCLES:
        state.motion = "other"
        state.remark(block.line, Note.NOT_UNDERSTOOD, f"{code}: a turning cycle; its moves are left out")
    elif code in ("G90", "G91"):
        state.absolute, state.distance_said = code == "G90", True
    elif code in ("G94", "G95"):
        state.feed_unit = "per-minute" if code == "G94" else "per-revolution"
    elif code in ("G98", "G99"):
        _return_or_feed(state, block, code, lathe_a)
    elif code == "G93":
        state.feed_unit, state.feed = None, None
        state.remark(block.line, Note.NOT_UNDERSTOOD, "G93: feed as inverse time; the feed is then not known")
    elif code == "G96":
        state.rpm, state.constant_surface = None, True
        state.remark(
            block.line,
            Note.NOT_UNDERSTOOD,
            "G96: constant surface speed; at the centre the spindle then turns as fast as its limit allows",
        )
    elif code == "G97":
        state.constant_surface = False
    elif code in _ELSEWHERE:
        state.remark(block.line, Note.NOT_UNDERSTOOD, f"{code}: another program or a jump, not followed")
        state.lose()
    elif code == "G80":
        state.motion, state.sticky = "", {}
    elif code in ("G0", "G1"):
        state.motion, state.sticky = code, {}
    elif code in _CYCLES:
        if state.motion != code:
            state.sticky, state.initial_z = {}, state.z
        state.motion = code
    elif lathe_a and code == "G18":
        return  # the plane of every lathe
    elif code in ("G18", "G19"):
        state.remark(
            block.line,
            Note.READ_AS,
            f"{code}: cycles are read as drilling along Z all the same, as lathe controls do; RS-274/NGC "
            "would drill along another axis",
            once=True,
        )
    elif code in _NO_DRILLING:
        state.motion = "other"
        state.remark(block.line, Note.NOT_UNDERSTOOD, f"{code}: {_NO_DRILLING[code]}; its moves are left out")
    elif code in ("M2", "M30"):
        state.ended = True
    elif code not in _NO_MATTER and code not in ("G4", "G28", "G30", "G53", "G10", "G52", "G50", "G92"):
        state.remark(block.line, Note.NOT_UNDERSTOOD, f"{code}: taken to move nothing")


def _return_or_feed(state: _State, block: Block, code: str, lathe_a: bool) -> None:
    if lathe_a:
        state.feed_unit = "per-minute" if code == "G98" else "per-revolution"
        return
    state.returns_to_r = code == "G99"
    state.remark(
        block.line,
        Note.READ_AS,
        "G98 or G99: the level to which a cycle returns; on lathe controls of G-code system A it is the "
        "feed's unit (then say --codes lathe-a)",
        once=True,
    )


def _set_words(state: _State, block: Block) -> None:
    """Take speed, feed and tool, and tell of words that mean nothing here."""
    codes = block.codes()
    for word in block.words:
        if word.letter == "S":
            if "G50" in codes or "G92" in codes:
                state.remark(block.line, Note.LEFT_OUT, f"{word.text}: a limit of the spindle speed")
            elif not state.constant_surface and word.value > 0:
                state.rpm = word.value
        elif word.letter == "F":
            state.feed = None if word.value <= 0 else word.value
        elif word.letter == "T":
            state.tool = word.text
        elif word.letter in "UVW" and state.rules.codes != "lathe-a":
            state.remark(
                block.line,
                Note.NOT_UNDERSTOOD,
                f"{word.text}: another axis, or a distance on lathe controls of G-code system A "
                "(then say --codes lathe-a)",
            )
        elif word.letter in "ABCE":
            state.remark(block.line, Note.NOT_UNDERSTOOD, f"{word.text}: taken to move nothing along Z")
    programs = [word.text for word in block.words if word.letter == "O"]
    if programs and len(block.words) > 1:
        state.remark(block.line, Note.NOT_UNDERSTOOD, f"{programs[0]}: a subprogram or a jump")


def _has_axis(block: Block) -> bool:
    return any(word.letter in "XYZUVW" for word in block.words)


def _repeats_cycle(state: _State, block: Block) -> bool:
    """True for a cycle's own block that names no axis: it drills where the drill is."""
    return state.motion in _CYCLES and state.motion in block.codes()


def _wait(state: _State, block: Block) -> None:
    """Take a dwell: seconds with a decimal point; without one controls differ."""
    word = block.last("P") or block.last("X") or block.last("U") or block.last("F")
    if word is None or not word.point:
        what = (
            "no time" if word is None else f"{word.text} is seconds on some controls, milliseconds on others"
        )
        state.remark(block.line, Note.LEFT_OUT, f"G4: {what}; the dwell is left out")
    elif word.value > 0:
        state.steps.append(Step(block.line, "dwell", state.z, state.z, dwell_s=word.value, tool=state.tool))


def _length(state: _State, block: Block, word: Word) -> float:
    """A length word in mm."""
    if state.factor is None:
        raise ProgramError(
            f"line {block.line}: {word.text} comes before G20 (inch) or G21 (metric); say --units mm or "
            "--units in"
        )
    counted = word.letter == "Q" and state.rules.codes == "lathe-a"
    if not word.point and word.value:
        if counted or state.rules.numbers == "increments":
            return word.value * _INCREMENTS[state.factor] * state.factor
        state.pointless.append((block.line, word.text))
    return word.value * state.factor


def _without_points(state: _State) -> Remark:
    line, text = state.pointless[0]
    more = f" and {len(state.pointless) - 1} more" if len(state.pointless) > 1 else ""
    unit, small = ("inches", "0.0001 in") if state.factor == MM_PER_INCH else ("millimetres", "0.001 mm")
    return Remark(
        line,
        Note.READ_AS,
        f"{text}{more}, written without a decimal point: read as whole {unit}; some controls count {small} "
        "instead (then say --without-point increments)",
    )


def _target(state: _State, block: Block, axis: str) -> float | None:
    """Where an axis goes; where it is when it is not named, None when that is not known."""
    here: float | None = getattr(state, axis)
    by = block.last({"x": "U", "y": "V", "z": "W"}[axis]) if state.rules.codes == "lathe-a" else None
    if by is not None:
        return None if here is None else here + _length(state, block, by)
    word = block.last(axis.upper())
    if word is None:
        return here
    value = _length(state, block, word)
    if state.absolute:
        return value
    return None if here is None else here + value


def _move(state: _State, block: Block) -> None:
    if not state.distance_said and state.rules.codes == "rs274":
        state.distance_said = True
        state.remark(
            block.line, Note.READ_AS, "neither G90 nor G91 before the first move: read as absolute positions"
        )
    if state.motion in _CYCLES:
        _cycle(state, block)
        return
    x, y, z = (_target(state, block, axis) for axis in "xyz")
    if state.motion == "other" or not state.motion:
        if not state.motion:
            state.remark(
                block.line,
                Note.NOT_UNDERSTOOD,
                f"{_text(block)}: a position with no motion code in force; taken for no move",
            )
        state.lose()
        return
    sideways = (block.last("X") or block.last("U")) is not None and x != state.x
    along_z = z != state.z or z is None
    on_axis = _on_axis(state, block, x, y)
    if state.motion == "G1" and (not on_axis or (sideways and state.x is not None)):
        state.remark(block.line, Note.LEFT_OUT, _off_axis(state), once=True)
    elif along_z:
        state.steps.append(_step(state, block, z))
    state.x, state.y, state.z = x, y, z


def _on_axis(state: _State, block: Block, x: float | None, y: float | None) -> bool:
    if x is None and state.motion != "G0":
        state.remark(
            block.line,
            Note.READ_AS,
            "drilling with no X said before it: taken to be on the axis, X0",
            once=True,
        )
    return abs(x or 0.0) <= ON_AXIS_MM and abs(y or 0.0) <= ON_AXIS_MM


def _off_axis(state: _State) -> str:
    return "feed moves off the axis (X or Y not 0), such as turning or facing"


def _step(state: _State, block: Block, z: float | None, cycle: str = "", kind: str = "") -> Step:
    feeding = kind == "feed" or (not kind and state.motion == "G1")
    if not feeding:
        return Step(block.line, "rapid", state.z, z, rpm=state.rpm, tool=state.tool, cycle=cycle)
    feed, per_rev = _feed(state, block)
    return Step(block.line, "feed", state.z, z, feed, per_rev, state.rpm, state.tool, cycle=cycle)


def _feed(state: _State, block: Block) -> tuple[float | None, bool | None]:
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


def _cycle(state: _State, block: Block) -> None:
    """Carry out a canned cycle, as often as its repeat says."""
    for letter in "ZRQPW":
        word = block.last(letter)
        if word is not None and letter == "P":
            state.sticky["P"] = word.value if word.point else -1.0
        elif word is not None:
            state.sticky[letter] = _length(state, block, word)
    repeat = block.last("L") or block.last("K")
    times = int(repeat.value) if repeat is not None else 1
    if repeat is not None and (repeat.value != times or not 1 <= times <= 1000):
        state.remark(block.line, Note.NOT_UNDERSTOOD, f"{repeat.text}: no repeat from 1 to 1000; left out")
        return
    levels = _levels(state, block)
    if levels is None:
        state.lose("z")
        return
    r, bottom = levels
    for _ in range(times):
        state.x, state.y = _target(state, block, "x"), _target(state, block, "y")
        if not _on_axis(state, block, state.x, state.y):
            state.remark(block.line, Note.LEFT_OUT, "cycles off the axis (X or Y not 0)", once=True)
            continue
        _drill(state, block, r, bottom)


def _levels(state: _State, block: Block) -> tuple[float, float] | None:
    """Heights of the R plane and of the bottom, mm over Z0; None, with a remark, where they are not known."""
    lathe_a = state.rules.codes == "lathe-a"
    relative = not state.absolute and not lathe_a
    start, r_word, z_word = state.initial_z, state.sticky.get("R"), state.sticky.get("Z")
    r = start if r_word is None else r_word
    if relative and r_word is not None:
        r = None if start is None else start + r_word
    elif lathe_a and r_word is not None:
        r = _lathe_r(state, block, start, r_word)
    if r_word is None:
        state.remark(
            block.line,
            Note.READ_AS,
            f"{state.motion} without R: taken to begin where the drill is",
            once=True,
        )
    if z_word is None and "W" in state.sticky and lathe_a:
        bottom = None if r is None else r + state.sticky["W"]
    elif relative and z_word is not None:
        bottom = None if r is None else r + z_word
    else:
        bottom = z_word
    if r is None or bottom is None:
        state.remark(block.line, Note.NOT_UNDERSTOOD, f"{_text(block)}: where it begins or ends is not known")
        return None
    if r < bottom:
        state.remark(block.line, Note.NOT_UNDERSTOOD, f"{_text(block)}: R lies below Z; left out")
        return None
    return r, bottom


def _lathe_r(state: _State, block: Block, start: float | None, r_word: float) -> float | None:
    """The R plane on a lathe: a distance towards the work where it is negative, else a height."""
    if r_word < 0:
        meant = "R below 0: taken for the distance from where the cycle begins; some controls take a height"
    else:
        meant = "R from 0 up: taken for a height over Z0; some controls take a distance from where it begins"
    state.remark(block.line, Note.READ_AS, meant, once=True)
    if r_word >= 0:
        return r_word
    return None if start is None else start + r_word


def _is_face_cycle(state: _State, block: Block) -> bool:
    return state.rules.codes == "lathe-a" and "G74" in block.codes()


def _face_cycle(state: _State, block: Block) -> None:
    """G74 of system A, drilling from the face: a block with R alone says how far it rises between pecks."""
    r_word, q_word = block.last("R"), block.last("Q")
    if r_word is not None:
        state.rise = _length(state, block, r_word)
    if not _has_axis(block):
        return
    start, x, bottom = state.z, _target(state, block, "x"), _target(state, block, "z")
    if start is None or bottom is None or bottom >= start or not _on_axis(state, block, x, state.y):
        text = f"{_text(block)}: grooving, or drilling whose start is not known; its moves are left out"
        state.remark(block.line, Note.NOT_UNDERSTOOD, text)
        state.lose()
        return
    state.remark(
        block.line,
        Note.READ_AS,
        "G74: the drill rises a little between pecks but stays in the hole, so all of it counts as one peck",
        once=True,
    )
    q = 0.0 if q_word is None else abs(_length(state, block, q_word))
    for depth in _even_depths(block, start, bottom, q):
        _go(state, block, depth, "feed", "G74")
        if depth > bottom and state.rise > 0:
            _go(state, block, depth + state.rise, "rapid", "G74")
    _go(state, block, start, "rapid", "G74")


def _drill(state: _State, block: Block, r: float, bottom: float) -> None:
    """One hole of a cycle: down to R, the pecks, and out."""
    clear = r
    if not state.returns_to_r and state.initial_z is not None:
        clear = max(r, state.initial_z)
    if state.z != r:
        _go(state, block, r, "rapid")
    last: float | None = None
    for depth in _peck_depths(state, block, r, bottom):
        if last is not None and state.motion == "G83":
            _go(state, block, r, "rapid")
            _go(state, block, last, "rapid")  # "backed off a bit": how much is the control's own
        _go(state, block, depth, "feed")
        if state.motion == "G82":
            _cycle_wait(state, block)
        last = depth
    if state.motion == "G73":
        state.remark(
            block.line,
            Note.READ_AS,
            "G73: the drill breaks chips but stays in the hole, so all of it counts as one peck",
            once=True,
        )
    _go(state, block, clear, "rapid")


def _peck_depths(state: _State, block: Block, r: float, bottom: float) -> Iterator[float]:
    """Where each peck of a cycle ends, from the R plane down."""
    q = state.sticky.get("Q")
    if state.motion in ("G81", "G82"):
        yield bottom
        return
    if q is None or q <= 0:
        state.remark(
            block.line, Note.READ_AS, f"{state.motion} without a Q above 0: drilled in one go", once=True
        )
        yield bottom
        return
    yield from _even_depths(block, r, bottom, q)


def _even_depths(block: Block, top: float, bottom: float, q: float) -> Iterator[float]:
    """Depths in steps of ``q`` from the top down, the last one the bottom; in one go where ``q`` is 0."""
    count = max(1, ceil((top - bottom) / q - 1e-6)) if q > 0 else 1
    if count > MOST_STEPS:
        raise ProgramError(
            f"line {block.line}: {count} pecks; Q is far too small: a decimal point is missing, or the units "
            "are others"
        )
    yield from (top - q * k for k in range(1, count))
    yield bottom


def _cycle_wait(state: _State, block: Block) -> None:
    seconds = state.sticky.get("P", 0.0)
    if seconds < 0:
        state.remark(
            block.line,
            Note.LEFT_OUT,
            "P without a decimal point: seconds on some controls, milliseconds on others; the dwell is left "
            "out",
            once=True,
        )
    elif seconds > 0:
        state.steps.append(Step(block.line, "dwell", state.z, state.z, dwell_s=seconds, tool=state.tool))


def _go(state: _State, block: Block, z: float, kind: Literal["rapid", "feed"], cycle: str = "") -> None:
    if z != state.z:
        state.steps.append(_step(state, block, z, cycle or state.motion, kind))
        state.z = z


def _text(block: Block) -> str:
    return " ".join(word.text for word in block.words)[:60]
