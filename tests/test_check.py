"""`spindlebell check`, and `baseline --live`: what a person is asked, and what is refused."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from monitor import cli
from monitor.baseline import save_baseline
from monitor.commands import baseline, check
from monitor.errors import InputError
from monitor.job import Job
from monitor.listener import Listener
from monitor.ports import Block, HoldLine
from monitor.signal.orders import FreeRun, learn_baseline
from monitor.synth.scenes import SCENES, free_running, job_toml, scene_job
from monitor.take import measure
from tests.scripted import CountingLine
from tests.signal.free_running import ORDERS, free_run

FS = 16_000
SCENE = SCENES["normal_batch"].make(2)


def machine(rpm: float, seconds: float, seed: int) -> np.ndarray:
    return free_running(SCENE.machine, SCENE.room, rpm, seconds, seed=seed, fs=FS)


@pytest.fixture(scope="module")
def job() -> Job:
    return scene_job(SCENE)


# The sound.


def test_good_sound_is_told_and_nothing_is_wrong(capsys: pytest.CaptureFixture[str]) -> None:
    assert check.check_sound(measure(machine(900, 4.0, 1), FS), "No sound was lost.") == []
    told = capsys.readouterr().out
    assert "level -" in told
    assert "No sound was lost." in told


def test_a_gain_that_turns_by_itself_is_wrong_on_the_microphones_own_card(
    capsys: pytest.CaptureFixture[str],
) -> None:
    [wrong] = check.check_gain(["'AGC' of sound card 1 is on"], "1")
    assert wrong.endswith("'AGC' of sound card 1 is on")
    assert check.check_gain(["'AGC' of sound card 1 is on"], "") == []
    assert "where that is the microphone's card" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("gain_db", "wrong"), [(0.0, False), (15.0, True), (18.0, True), (24.0, True), (-18.0, True)]
)
def test_another_gain_than_the_baselines_is_wrong(
    job: Job, gain_db: float, wrong: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    learned = learn_baseline([FreeRun(rpm, machine(rpm, 6.0, 1), FS) for rpm in (900, 2000)], "")
    x = machine(900, 6.0, 3) * np.float32(10 ** (gain_db / 20))
    found = check.compare(Listener(learned, job, FS, live=True), learned, job, x)
    assert bool(found) is wrong
    assert "Against the baseline: the" in capsys.readouterr().out
    if wrong:
        said_db, how = re.search(r"sounds (\d+) dB (\w+)", found[0]).groups()  # type: ignore[union-attr]
        assert float(said_db) == pytest.approx(abs(gain_db), abs=4)
        assert how == ("louder" if gain_db > 0 else "quieter")


@pytest.mark.parametrize("setup", ["bind_to_stall", "phone_chatter", "lost_cut"])
def test_another_machines_baseline_is_not_taken_for_this_ones(
    job: Job, setup: str, capsys: pytest.CaptureFixture[str]
) -> None:
    scene = SCENES[setup].make(2)
    runs = [
        FreeRun(rpm, free_running(scene.machine, scene.room, rpm, 6.0, seed=1, fs=FS), FS)
        for rpm in SCENES[setup].baseline_rpm
    ]
    learned = learn_baseline(runs, "")
    found = check.compare(Listener(learned, job, FS, live=True), learned, job, machine(900, 8.0, 3))
    told = capsys.readouterr().out
    assert found or "If it was turning, the baseline is another machine's" in told
    assert not found or "the baseline is another machine's" in found[-1]


def test_a_standing_spindle_is_no_fault(job: Job, capsys: pytest.CaptureFixture[str]) -> None:
    learned = learn_baseline([FreeRun(900, machine(900, 6.0, 1), FS)], "")
    noise = 0.001 * np.random.default_rng(1).standard_normal(5 * FS).astype(np.float32)
    assert check.compare(Listener(learned, job, FS, live=True), learned, job, noise) == []
    assert "not heard turning" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("orders", "snr_db", "wrong", "said"),
    [
        ((23.3, 71.2), -13.0, True, "only one line of the spindle is heard: so four in five of all binds"),
        ((23.3, 71.2), 10.0, False, "only two lines of the spindle are heard: so half of all binds"),
        ((46.6, 71.2), 0.0, True, "a cut 2 dB louder than the machine running free drowns"),
        (tuple(ORDERS), 0.0, False, "a cut 5 dB louder than the machine running free drowns"),
        (tuple(ORDERS), 10.0, False, ""),
    ],
)
def test_a_machine_of_which_little_is_heard_is_told_with_how_to_mend_it(
    job: Job, orders: Sequence[float], snr_db: float, wrong: bool, said: str,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    lines = {order: ORDERS[order] for order in orders}
    runs = [FreeRun(rpm, free_run(rpm, 1, orders=lines, snr_db=snr_db), FS) for rpm in (900, 2000)]
    found = check.forewarn(learn_baseline(runs, ""), job, FS)
    told = capsys.readouterr().out
    assert bool(found) is wrong
    assert said in (found[0] if wrong else told)
    assert bool(said) is ("nearer to the headstock" in told + "".join(found))
    assert wrong or told.startswith("Better: at 900 rpm" if said else "")


@pytest.mark.parametrize(("spot_rpm", "told"), [(900.0, True), (870.0, True), (945.0, False), (None, False)])
def test_a_centre_drills_speed_near_the_drills_is_told(
    job: Job, spot_rpm: float | None, told: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    learned = learn_baseline([FreeRun(rpm, machine(rpm, 6.0, 1), FS) for rpm in (900, 2000)], "")
    assert check.forewarn(learned, job.model_copy(update={"spot_rpm": spot_rpm}), FS) == []
    said = capsys.readouterr().out
    assert bool(said) is told
    assert (
        not told or f"centre drill's {spot_rpm:g} rpm and the drill's 900 rpm are less than 5 % apart" in said
    )


NOISE = 0.001 * np.random.default_rng(1).standard_normal(8 * FS).astype(np.float32)


@pytest.mark.parametrize(
    ("x", "status", "last", "not_said"),
    [
        (machine(900, 8.0, 3), 0, "Ready. This shows that it works now, not that it will.", "WRONG"),
        (
            NOISE,
            1,
            "Not ready: nothing is wrong, but the spindle was not compared with the baseline.",
            "WRONG",
        ),
        (np.clip(1000 * NOISE, -1, 1), 1, "Not ready: 1 wrong.", "rpm"),  # one cause, told once
    ],
    ids=["good", "standing", "clipped"],
)
def test_ready_is_said_only_where_the_spindle_was_heard(
    x: np.ndarray,
    status: int,
    last: str,
    not_said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    @contextmanager
    def live(_: object) -> Iterator[SimpleNamespace]:
        yield SimpleNamespace(name='"USB"', fs=FS, losses="No sound was lost.", blocks=lambda: played([x]))

    monkeypatch.setattr("hardware.microphone.live_microphone", live)
    (tmp_path / "job.toml").write_text(job_toml(SCENE), "utf-8")
    runs = [FreeRun(rpm, machine(rpm, 6.0, 1), FS) for rpm in (900, 2000)]
    save_baseline(learn_baseline(runs, "2026-01-01T00:00:00+00:00"), tmp_path / "baseline.json")
    given = ["--job", str(tmp_path / "job.toml"), "--baseline", str(tmp_path / "baseline.json")]
    assert cli.main(["check", *given]) == status
    told = capsys.readouterr().out
    assert told.splitlines()[-1] == last
    assert not_said not in told


# The lines, with a machine that does what its wires say.


@dataclass
class Bench:
    """A machine behind a hold relay and a missing-pulse relay in series, and a person who looks at it."""

    relay_works: bool = True
    misses_pulses_at: tuple[str, ...] = ("high", "low")  # levels of a pin that stands still
    hold: CountingLine = field(default_factory=lambda: CountingLine(closed=False))
    last_beat: float = 0.0
    level: str = "low"
    asked: list[str] = field(default_factory=list)

    def beat(self, at: float) -> None:
        self.last_beat = at
        self.level = "low" if self.level == "high" else "high"

    def rest(self, high: bool) -> None:
        self.level = "high" if high else "low"

    @property
    def held(self) -> bool:
        beating = time.monotonic() - self.last_beat < 0.5 or self.level not in self.misses_pulses_at
        return not (beating and (self.hold.closed or not self.relay_works))

    def answer(self, question: str) -> bool:
        self.asked.append(question)
        time.sleep(0.7 if "heart has stopped" in question else 0.2)  # a person is slower
        if "nothing can start to move" in question:
            return True
        return not self.held if "show no feed hold" in question else self.held


def lines(bench: Bench) -> dict[str, HoldLine]:
    return {"hold": bench.hold}


def test_wires_that_work_are_ready_and_left_open() -> None:
    bench = Bench()
    assert check.check_lines(lines(bench), bench, bench.answer) == []
    assert not bench.hold.closed
    assert len(bench.asked) == 5


def test_a_relay_that_sticks_is_found() -> None:
    bench = Bench(relay_works=False)
    assert check.check_lines(lines(bench), bench, bench.answer) == [
        "open, the hold line does not bring a feed hold"
    ]


@pytest.mark.parametrize(("drops_at", "stays_at"), [("low", "high"), ("high", "low")])
def test_a_missing_pulse_relay_that_looks_at_the_level_is_found(drops_at: str, stays_at: str) -> None:
    bench = Bench(misses_pulses_at=(drops_at,))
    (wrong,) = check.check_lines(lines(bench), bench, bench.answer)
    assert f"without heartbeat, its level {stays_at}, the machine is not held" in wrong


def test_nothing_is_closed_before_the_machine_is_safe() -> None:
    bench = Bench()
    assert check.check_lines(lines(bench), bench, lambda question: False) == ["the lines were not tried"]
    assert bench.hold.acts == []


@pytest.mark.parametrize("through_k2", [True, False])
def test_lamps_are_lit_one_by_one_and_green_goes_out_without_the_heart(through_k2: bool) -> None:
    """Wired as the wiring page says, green shines through a contact of the heartbeat's relay alone."""
    bench, lit = Bench(), [""]

    def answer(question: str) -> bool:
        bench.asked.append(question)
        time.sleep(0.7 if "heart has stopped" in question else 0.2)
        beating = time.monotonic() - bench.last_beat < 0.5
        shines = lit[-1] if beating or lit[-1] != "green" or not through_k2 else ""
        return shines == "" if "gone out" in question else f"the {shines} lamp" in question

    wrong = check.check_lamps(["red", "green"], lit.append, bench, answer)
    assert len(bench.asked) == 3
    assert lit[-1] == ""
    assert [line.startswith("without heartbeat the green lamp shines") for line in wrong] == [True] * (
        not through_k2
    )


def test_a_lamp_that_does_not_shine_is_found() -> None:
    answers = iter([True, False])
    wrong = check.check_lamps(["red", "yellow"], [].append, Bench(), lambda question: next(answers))
    assert wrong == ["the yellow lamp does not shine, or not alone"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--seconds", "0"], "--seconds 0: has to be from 1 to 600"),
        (["--job", "x.toml"], "--job and --baseline are given together"),
    ],
)
def test_wrong_arguments(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", *words]) == 2
    assert said in capsys.readouterr().err


# Learning a baseline live.


def played(sounds: Sequence[np.ndarray]) -> Iterator[Block]:
    """Sound after sound, always just now."""
    for x in sounds:
        for i in range(0, len(x), 800):
            piece = x[i : i + 800]
            yield Block(piece, time.monotonic() + 1.0, True)


def test_takes_that_are_clipped_or_contradict_are_asked_for_again(capsys: pytest.CaptureFixture[str]) -> None:
    seconds = 6.0
    good, good_2 = machine(900, seconds, 1), machine(2000, seconds, 2)
    clipped = np.clip(good * 100, -1, 1).astype(np.float32)
    silence = np.zeros_like(good)
    hiss = 0.01 * np.random.default_rng(1).standard_normal(len(good)).astype(np.float32)
    prompts: list[str] = []
    takes, learned = baseline.record_takes(
        [900.0, 2000.0], played([clipped, silence, good, hiss, good_2]), FS, seconds, prompts.append
    )
    assert [take.rpm for take in takes] == [900.0, 2000.0]
    assert learned.speeds_rpm == (900.0, 2000.0)
    assert ["900 rpm" in prompt for prompt in prompts] == [True, True, True, False, False]
    told = capsys.readouterr().out
    assert told.count("This take is no use") == 3
    assert "clipped" in told
    assert "one unchanging value" in told
    assert "no line" in told


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--live", "--rpm", "300", "free.wav"], "with --live give the speed alone"),
        (["--rpm", "300"], "a speed alone needs --live"),
        (["--live", "--rpm", "fast"], '"fast" is not a speed; write for example `--rpm 300`'),
        (["--live", "--rpm", "300", "--seconds", "1"], "--seconds 1: has to be from 5 to 300"),
    ],
)
def test_wrong_arguments_of_a_live_baseline(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["baseline", *words, "-o", "x.json"]) == 2
    assert said in capsys.readouterr().err


def test_nobody_at_the_keyboard_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody(prompt: str) -> str:
        raise EOFError

    monkeypatch.setattr("builtins.input", nobody)
    with pytest.raises(InputError, match="needs a person"):
        baseline.wait_for_person("Do it.")
    assert not check.ask("Is it so?")
