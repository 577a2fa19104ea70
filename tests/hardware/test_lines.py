"""The simulated hold line: fail-safe from the start, and an honest history."""

from __future__ import annotations

from hardware.lines import SimulatedHoldLine, Transition
from monitor.ports import HoldLine


def test_it_begins_open_and_remembers_changes_only() -> None:
    times = iter([1.0, 3.0, 5.0])
    line: HoldLine = SimulatedHoldLine(lambda: next(times))
    assert not line.closed
    for change in (line.open, line.close, line.close, line.open, line.open, line.close):
        change()
    assert isinstance(line, SimulatedHoldLine)
    assert line.history == (Transition(1.0, True), Transition(3.0, False), Transition(5.0, True))
    assert line.closed
