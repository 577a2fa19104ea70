"""What an ISO 6983 drilling program does: its blocks carried out on paper, move by move.

Nothing is left out silently: whatever is not understood, or is read in one of several ways, becomes a remark.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.errors import one_line
from monitor.planning.program_cycles import CYCLES, canned_cycle, face_cycle
from monitor.planning.program_state import (
    MOST_STEPS,
    UNIT_MM,
    Note,
    ProgramError,
    ReadingRules,
    Remark,
    State,
    Step,
    on_axis,
    step_to,
    target,
)
from monitor.planning.program_words import Block, read_blocks
from monitor.quantities import MM_PER_INCH, Units


@dataclass(frozen=True)
class Program:
    """The steps of a program in order, its remarks by line, and the person's units."""

    steps: tuple[Step, ...]
    remarks: tuple[Remark, ...]
    units: Units


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
    factor = None if rules.units is None else UNIT_MM[rules.units]
    state = State(rules, factor, rules.feed)
    blocks = read_blocks(text)
    state.waits_for_m6 = rules.codes == "rs274" and any("M6" in block.codes() for block in blocks)
    for block in blocks:
        if state.ended:
            state.remark(block.line, Note.LEFT_OUT, "what stands after the end of the program", once=True)
            break
        _carry_out(state, block)
        if len(state.steps) > MOST_STEPS:
            raise ProgramError(
                f"line {block.line}: more than {MOST_STEPS} moves; look for a peck increment (Q) that is far "
                "too small or a repeat (L, K) that is far too large"
            )
    if state.without_point:
        state.remarks.append(_without_points(state))
    remarks = sorted(state.remarks, key=lambda remark: remark.line)
    units: Units = "in" if state.factor == MM_PER_INCH else "mm"
    return Program(tuple(state.steps), tuple(remarks), units)


# Codes that change nothing about where a hole is drilled or how fast.
_NO_MATTER = {
    "G7", "G8", "G9", "G17", "G40", "G43", "G49", "G54", "G55", "G56", "G57", "G58", "G59", "G59.1", "G59.2",
    "G59.3", "G61", "G61.1", "G64", "G90.1", "G91.1", "M0", "M1", "M3", "M4", "M5", "M6", "M7", "M8",
    "M9", "M48", "M49",
}  # fmt: skip
_OFF_AXIS = "feed moves off the axis (X or Y not 0), such as turning or facing"
_ELSEWHERE = ("G65", "G66", "M96", "M97", "M98", "M99")
_NO_DRILLING = {
    "G2": "an arc", "G3": "an arc", "G32": "thread cutting", "G33": "thread cutting",
    "G74": "drilling from the face on a lathe (then say --codes lathe-a), or left-hand tapping",
    "G76": "a boring or threading cycle", "G84": "tapping",
    "G85": "reaming", "G86": "boring", "G87": "back boring", "G88": "boring", "G89": "reaming",
}  # fmt: skip
_LATHE_A_CYCLES = {"G70", "G71", "G72", "G73", "G75", "G77", "G78", "G79", "G90", "G92", "G94"}


def _carry_out(state: State, block: Block) -> None:
    if block.leftover:
        state.remark(
            block.line,
            Note.NOT_UNDERSTOOD,
            f'"{one_line(block.leftover[:60])}": no plain words and numbers; the whole block is left '
            "out, and where the drill is afterwards is not known until the next absolute move",
        )
        state.lose()
        return
    if block.deletable:
        state.remark(block.line, Note.READ_AS, "a block with a slash: carried out, as with block delete off")
    goes_home = machine_move = shifts = False
    for code in block.codes():
        goes_home |= code in ("G28", "G30")
        machine_move |= code == "G53"
        shifts |= code in ("G10", "G52") or (code in ("G50", "G92") and block.has_axis)
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
            f"{block.text}: a shift of the origin; depths after it may be wrong",
        )
        state.lose()
    elif "G4" in block.codes():
        _wait(state, block)
    elif _is_face_cycle(state, block):
        face_cycle(state, block)
    elif block.has_axis or _repeats_cycle(state, block):
        _move(state, block)


def _modal(state: State, block: Block, code: str) -> None:
    """Take one G or M code."""
    lathe_a = state.rules.codes == "lathe-a"
    if code in ("G20", "G21"):
        state.factor = UNIT_MM["in" if code == "G20" else "mm"]
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
    elif code in CYCLES:
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


def _return_or_feed(state: State, block: Block, code: str, lathe_a: bool) -> None:
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


def _set_words(state: State, block: Block) -> None:
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
            state.next_tool = word.text
        elif word.letter in "UVW" and state.rules.codes != "lathe-a":
            state.remark(
                block.line,
                Note.NOT_UNDERSTOOD,
                f"{word.text}: another axis, or a distance on lathe controls of G-code system A "
                "(then say --codes lathe-a)",
            )
        elif word.letter in "ABCE":
            state.remark(block.line, Note.NOT_UNDERSTOOD, f"{word.text}: taken to move nothing along Z")
    if "M6" in codes or not state.waits_for_m6:
        state.tool = state.next_tool
    programs = [word.text for word in block.words if word.letter == "O"]
    if programs and len(block.words) > 1:
        state.remark(block.line, Note.NOT_UNDERSTOOD, f"{programs[0]}: a subprogram or a jump")


def _repeats_cycle(state: State, block: Block) -> bool:
    """True for a cycle's own block that names no axis: it drills where the drill is."""
    return state.motion in CYCLES and state.motion in block.codes()


def _wait(state: State, block: Block) -> None:
    """Take a dwell: seconds with a decimal point; without one controls differ."""
    word = block.last("P") or block.last("X") or block.last("U") or block.last("F")
    if word is None or not word.point:
        what = (
            "no time" if word is None else f"{word.text} is seconds on some controls, milliseconds on others"
        )
        state.remark(block.line, Note.LEFT_OUT, f"G4: {what}; the dwell is left out")
    elif word.value > 0:
        state.steps.append(Step(block.line, "dwell", state.z, state.z, dwell_s=word.value, tool=state.tool))


def _without_points(state: State) -> Remark:
    line, text = state.without_point[0]
    more = f" and {len(state.without_point) - 1} more" if len(state.without_point) > 1 else ""
    unit, small = ("inches", "0.0001 in") if state.factor == MM_PER_INCH else ("millimetres", "0.001 mm")
    return Remark(
        line,
        Note.READ_AS,
        f"{text}{more}, written without a decimal point: read as whole {unit}; some controls count {small} "
        "instead (then say --without-point increments)",
    )


def _move(state: State, block: Block) -> None:
    if not state.distance_said and state.rules.codes == "rs274":
        state.distance_said = True
        state.remark(
            block.line, Note.READ_AS, "neither G90 nor G91 before the first move: read as absolute positions"
        )
    if state.motion in CYCLES:
        canned_cycle(state, block)
        return
    x, y, z = (target(state, block, axis) for axis in "xyz")
    if state.motion == "other" or not state.motion:
        if not state.motion:
            state.remark(
                block.line,
                Note.NOT_UNDERSTOOD,
                f"{block.text}: a position with no motion code in force; taken for no move",
            )
        state.lose()
        return
    sideways = (block.last("X") or block.last("U")) is not None and x != state.x
    along_z = z != state.z or z is None
    drills = on_axis(state, block, x, y)
    if state.motion == "G1" and (not drills or (sideways and state.x is not None)):
        state.remark(block.line, Note.LEFT_OUT, _OFF_AXIS, once=True)
    elif along_z:
        state.steps.append(step_to(state, block, z))
    state.x, state.y, state.z = x, y, z


def _is_face_cycle(state: State, block: Block) -> bool:
    return state.rules.codes == "lathe-a" and "G74" in block.codes()
