"""A pytest plugin: the processor time and the outcome of each test, a JSON line each, into the file that
``TEST_TIMES`` names.

Under emulation a child has to be started through the emulator as well, so ``TEST_PYTHON`` may name the
program to start.
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.executable = os.environ.get("TEST_PYTHON", sys.executable)
_began: dict[str, float] = {}


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Iterator[None]:
    """Time the test itself, without what it shares with others."""
    _began[item.nodeid] = time.process_time()
    try:
        return (yield)
    finally:
        _began[item.nodeid] = time.process_time() - _began[item.nodeid]


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Write it down as soon as it is known: a run may be cut short."""
    if report.when != "call" and report.outcome == "passed":
        return
    line = [report.nodeid, report.outcome, _began.get(report.nodeid, 0.0), report.longreprtext[-2000:]]
    with Path(os.environ["TEST_TIMES"]).open("a", encoding="utf-8") as file:
        file.write(json.dumps(line) + "\n")
