"""A slice of tests/fuzzing/run.py: honest inputs, changes of them by lot, what was kept of earlier runs."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.fuzzing.mutations import mutated
from tests.fuzzing.run import corpus
from tests.fuzzing.targets import TARGETS

CHANGED = 60  # of each target


@pytest.mark.parametrize("name", TARGETS)
def test_bad_input_is_refused_in_one_line(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SPINDLEBELL_TRACEBACK", "1")
    target = TARGETS[name]
    honest, kept = target.seeds(), corpus(name)
    rng = random.Random(1)
    changed = [mutated(rng.choice(honest), target.words, rng) for _ in range(CHANGED)]
    with target.opened(tmp_path) as take:
        accepted = sum(map(take, honest))
        for data in (*kept, *changed):
            take(data)
    assert accepted > len(honest) / 3  # else what follows tries nothing but the parser
