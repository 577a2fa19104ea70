"""The synthetic machine that obeys a hold line."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.synth.held import HeldScene
from monitor.synth.scenes import SceneStream, demo_scene, render_scene

FS = 8000
BLOCK = 400


@pytest.fixture(scope="module")
def waiting() -> dict[float, NDArray[np.float32]]:
    """Sounds that cannot be taken for the scene's: one constant for each commanded speed."""
    return {
        rpm: np.full(8 * FS, level, np.float32) for rpm, level in [(0.0, 2.0), (900.0, 3.0), (2000.0, 4.0)]
    }


def play(machine: HeldScene, seconds: float, may_run: bool) -> NDArray[np.float32]:
    return np.concatenate([machine.read(BLOCK, may_run) for _ in range(round(seconds * FS / BLOCK))])


def test_never_held_it_is_the_scene_sample_for_sample(waiting: dict) -> None:
    scene = demo_scene(1)
    machine = HeldScene(SceneStream(scene, FS), waiting)
    parts = []
    while len(x := machine.read(BLOCK, may_run=True)):
        parts.append(x)
    assert np.array_equal(np.concatenate(parts), render_scene(scene, FS).x)


@pytest.mark.parametrize(("at_s", "sounds"), [(20.0, 3.0), (2.5, 4.0), (0.2, 2.0)])
def test_held_it_turns_on_at_the_speed_it_had(waiting: dict, at_s: float, sounds: float) -> None:
    machine = HeldScene(SceneStream(demo_scene(2), FS), waiting)
    play(machine, at_s, True)
    x = play(machine, 3.0, False)
    assert machine.held
    assert (x[BLOCK:] == sounds).all()
    assert np.abs(np.diff(x[:BLOCK])).max() < 1.0  # a cross-fade, no click


def test_after_the_reset_that_blank_is_given_up_and_the_next_one_drilled(waiting: dict) -> None:
    stream = SceneStream(demo_scene(2), FS)
    machine = HeldScene(stream, waiting)
    play(machine, 20.0, True)
    play(machine, 60.0, False)  # however long the person takes
    rest = []
    while len(x := machine.read(BLOCK, may_run=True)):
        rest.append(x)
    blank = stream.truth.blanks[0]
    assert sum(map(len, rest)) / FS == pytest.approx(stream.truth.seconds - blank.end_s + 0.3, abs=0.15)
    assert not machine.held


def test_a_quick_reset_waits_until_the_drill_would_be_out(waiting: dict) -> None:
    machine = HeldScene(SceneStream(demo_scene(2), FS), waiting)
    play(machine, 20.0, True)
    machine.read(BLOCK, may_run=False)
    x = machine.read(BLOCK, may_run=True)
    assert machine.held
    assert (x == 3.0).all()


def test_waiting_for_long_has_no_clicks() -> None:
    scene = demo_scene(1)
    tone = (0.3 * np.sin(2 * np.pi * 97.3 * np.arange(8 * FS) / FS)).astype(
        np.float32
    )  # no whole number of periods
    machine = HeldScene(SceneStream(scene, FS), dict.fromkeys((0.0, 900.0, 2000.0), tone))
    play(machine, 20.0, True)
    play(machine, 0.05, False)  # the cross-fade
    x = play(machine, 30.0, False)
    assert np.abs(np.diff(x)).max() < 1.5 * np.abs(np.diff(tone)).max()
    rms = np.sqrt(np.mean(x.reshape(-1, FS // 4) ** 2, axis=1))
    assert rms.max() < 1.5 * np.sqrt(np.mean(tone**2))
