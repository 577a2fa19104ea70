"""Drilling cycles of a program, carried out move by move.

Canned cycles go as RS-274/NGC describes them (Kramer, Proctor and Messina, *The NIST RS274NGC Interpreter,
Version 3*, NISTIR 6556, 2000): the first peck counts from the R plane, every peck is drawn out to it. Lathe
controls of G-code system A differ: R may be a distance from where the cycle begins, Q counts increments, and
G74 drills from the face without leaving the hole (from memory of makers' manuals, and as seen in published
lathe programs).
"""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil

from monitor.planning.program_state import (
    MOST_STEPS,
    Note,
    ProgramError,
    State,
    Step,
    go,
    length_mm,
    on_axis,
    target,
)
from monitor.planning.program_words import Block

CYCLES = ("G73", "G81", "G82", "G83")


def canned_cycle(state: State, block: Block) -> None:
    """Carry out a canned cycle, as often as its repeat says."""
    for letter in "ZRQPW":
        word = block.last(letter)
        if word is not None and letter == "P":
            state.sticky["P"] = word.value if word.point else -1.0
        elif word is not None:
            state.sticky[letter] = length_mm(state, block, word)
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
        state.x, state.y = target(state, block, "x"), target(state, block, "y")
        if not on_axis(state, block, state.x, state.y):
            state.remark(block.line, Note.LEFT_OUT, "cycles off the axis (X or Y not 0)", once=True)
            continue
        _drill(state, block, r, bottom)


def _levels(state: State, block: Block) -> tuple[float, float] | None:
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
        state.remark(block.line, Note.NOT_UNDERSTOOD, f"{block.text}: where it begins or ends is not known")
        return None
    if r < bottom:
        state.remark(block.line, Note.NOT_UNDERSTOOD, f"{block.text}: R lies below Z; left out")
        return None
    return r, bottom


def _lathe_r(state: State, block: Block, start: float | None, r_word: float) -> float | None:
    """The R plane on a lathe: a distance towards the work where it is negative, else a height."""
    if r_word < 0:
        meant = "R below 0: taken for the distance from where the cycle begins; some controls take a height"
    else:
        meant = "R from 0 up: taken for a height over Z0; some controls take a distance from where it begins"
    state.remark(block.line, Note.READ_AS, meant, once=True)
    if r_word >= 0:
        return r_word
    return None if start is None else start + r_word


def face_cycle(state: State, block: Block) -> None:
    """G74 of system A, drilling from the face: a block with R alone says how far it rises between pecks."""
    r_word, q_word = block.last("R"), block.last("Q")
    if r_word is not None:
        state.rise = length_mm(state, block, r_word)
    if not block.has_axis:
        return
    start, x, bottom = state.z, target(state, block, "x"), target(state, block, "z")
    if start is None or bottom is None or bottom >= start or not on_axis(state, block, x, state.y):
        text = f"{block.text}: grooving, or drilling whose start is not known; its moves are left out"
        state.remark(block.line, Note.NOT_UNDERSTOOD, text)
        state.lose()
        return
    state.remark(
        block.line,
        Note.READ_AS,
        "G74: the drill rises a little between pecks but stays in the hole, so all of it counts as one peck",
        once=True,
    )
    q = 0.0 if q_word is None else abs(length_mm(state, block, q_word))
    for depth in _even_depths(block, start, bottom, q):
        go(state, block, depth, "feed", "G74")
        if depth > bottom and state.rise > 0:
            go(state, block, depth + state.rise, "rapid", "G74")
    go(state, block, start, "rapid", "G74")


def _drill(state: State, block: Block, r: float, bottom: float) -> None:
    """One hole of a cycle: down to R, the pecks, and out."""
    clear = r
    if not state.returns_to_r and state.initial_z is not None:
        clear = max(r, state.initial_z)
    if state.z != r:
        go(state, block, r, "rapid")
    last: float | None = None
    for depth in _peck_depths(state, block, r, bottom):
        if last is not None and state.motion == "G83":
            go(state, block, r, "rapid")
            go(state, block, last, "rapid")  # "backed off a bit": how much is the control's own
        go(state, block, depth, "feed")
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
    go(state, block, clear, "rapid")


def _peck_depths(state: State, block: Block, r: float, bottom: float) -> Iterator[float]:
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


def _cycle_wait(state: State, block: Block) -> None:
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
