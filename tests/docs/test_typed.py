"""Every command that the README and the guides tell people to type is typed here, and does what it should.

Each in a directory as a person would have it by then, so that one does not depend on another. What listens
to a microphone hears a synthetic lathe through a virtual one. Left out is what is not ours (``sudo``, the
shell's own words) and what runs these tests; the examples of the manual pages are only parsed, in
``tests/test_manual.py``.
"""

from __future__ import annotations

import contextlib
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from urllib.request import urlopen

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from monitor import cli
from monitor.job import load_job
from monitor.synth.machines import draw_machine
from monitor.synth.scenes import Scene, cycle_for, fitted, fitted_room, free_running, render_scene
from tests.hardware.sound_server import FS, NAME, SoundServer, sound_server

ROOT = Path(__file__).parents[2]
GUIDES = [ROOT / "README.md", *sorted((ROOT / "monitor/docs").rglob("*.md"))]
PARSED_ONLY = {"commands.md"}
SERVES, HEARS = ("demo", "page", "shop", "listen"), ("check", "listen")
BATCH_S, LIVE_S = 45, 24
LATE_S = 60.0  # a busy machine


def typed() -> Iterator[tuple[str, str, str]]:
    """Guide, directory and line of every command of ours, each only once."""
    seen = set()
    for guide in GUIDES:
        parts = re.split(r"^ *```(\w*)\n", guide.read_text("utf-8"), flags=re.MULTILINE)
        for language, text in zip(parts[1::4], parts[2::4], strict=True):
            at = "."
            for line in textwrap.dedent(text).splitlines() if language == "sh" else ():
                words = shlex.split(line, comments=True)
                if words[0] == "cd":
                    at = os.path.normpath(Path(at) / words[1])
                ours = words[0] == "spindlebell" or words[:3] == ["python3", "-m", "monitor"]
                if ours and guide.name not in PARSED_ONLY and (at, line) not in seen:
                    seen.add((at, line))
                    yield guide.relative_to(ROOT).as_posix(), at, line


TYPED = list(typed())


def words_of(line: str) -> list[str]:
    words = shlex.split(line, comments=True)
    return words[1:] if words[0] == "spindlebell" else words[3:]


def is_live(words: list[str]) -> bool:
    return words[0] in HEARS or "--live" in words


# What a person has by then.


def job_of_the_readme() -> str:
    blocks = re.findall(r"^ *```toml\n(.*?)```", GUIDES[0].read_text("utf-8"), re.MULTILINE | re.DOTALL)
    return textwrap.dedent(blocks[0])


@dataclass
class Lathe:
    """The synthetic machine whose job is the README's."""

    scene: Scene
    sounds: dict[float, NDArray[np.float32]] = field(default_factory=dict)

    def free(self, rpm: float) -> NDArray[np.float32]:
        if rpm not in self.sounds:
            self.sounds[rpm] = free_running(self.scene.machine, self.scene.room, rpm, LIVE_S, 1, FS)
        return self.sounds[rpm]


@pytest.fixture(scope="module")
def lathe(tmp_path_factory: pytest.TempPathFactory) -> Lathe:
    path = tmp_path_factory.mktemp("job") / "job.toml"
    path.write_text(job_of_the_readme(), "utf-8")
    cycle = cycle_for(load_job(path))
    machine = fitted(draw_machine(7, "brushed"), cycle)
    room = replace(fitted_room(7, cycle, 14.0), high_pass_hz=60.0)
    return Lathe(Scene("batch", machine, room, cycle, seed=7, seconds=BATCH_S))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory, lathe: Lathe) -> Path:
    """Recordings, job, baseline, evidence, programs: by the names that the guides give them."""
    home = tmp_path_factory.mktemp("person")
    shutil.copytree(ROOT / "recordings_synthetic", home / "recordings_synthetic")
    (home / "job.toml").write_text(job_of_the_readme(), "utf-8")
    (home / "station.toml").write_text(f'[microphone]\ndevice = "{NAME}"\nrate = "48 kHz"\n', "utf-8")
    (home / "shop.toml").write_text('[broker]\nhost = "127.0.0.1"\nport = 1\n', "utf-8")
    for rpm in (300, 800):
        soundfile.write(home / f"free{rpm}.wav", lathe.free(rpm)[: 12 * FS], FS, subtype="PCM_16")
    soundfile.write(home / "batch.flac", render_scene(lathe.scene, FS).x, FS, subtype="PCM_16")
    scenes = home / "recordings_synthetic"
    (home / "evidence").mkdir()
    before = [
        learn("evidence/lamp.json", {rpm: scenes / f"baseline_lamp_{rpm}rpm.flac" for rpm in (900, 2000)}),
        replay(scenes / "bind", "evidence/lamp.json", "evidence/bind"),
        replay(scenes / "normal_batch", "evidence/lamp.json", "evidence/normal"),
        learn("baseline.json", {rpm: home / f"free{rpm}.wav" for rpm in (300, 800)}),
        ["replay", "batch.flac", "--job", "job.toml", "--baseline", "baseline.json", "--out", "evidence"],
        ["plan", "job.toml", "--clearance", "10 mm", "--retract", "2 mm", "--approach", "0.5 mm", "--program",
         "old.nc"],
    ]  # fmt: skip
    with contextlib.chdir(home):
        for words in before:
            assert cli.main(words) in (cli.EXIT_DONE, cli.EXIT_HELD), words
    return home


def learn(baseline: str, recordings: Mapping[int, Path]) -> list[str]:
    words = ["baseline", "-o", baseline]
    for rpm, path in recordings.items():
        words += ["--rpm", str(rpm), str(path)]
    return words


def replay(scene: Path, baseline: str, out: str) -> list[str]:
    return ["replay", f"{scene}.flac", "--job", f"{scene}.toml", "--baseline", baseline, "--out", out]


@pytest.fixture
def home(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of its own for each command, with keys of its own for the page."""
    copy = tmp_path / "person"
    shutil.copytree(made, copy, copy_function=os.link)
    for path in [
        *copy.rglob("*.db*"),
        *copy.rglob("*.json*"),
        *copy.rglob("*.csv"),
    ]:  # what is written in place
        content = path.read_bytes()
        path.unlink()
        path.write_bytes(content)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    return copy


# Commands that end by themselves.

ENDING = [
    (at, line) for _, at, line in TYPED if words_of(line)[0] not in SERVES and not is_live(words_of(line))
]


@pytest.mark.parametrize(("at", "line"), ENDING, ids=[line for _, line in ENDING])
def test_what_is_typed_ends_well(
    home: Path, at: str, line: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(home / at)
    words = words_of(line)
    assert cli.main(words) == (cli.EXIT_HELD if "bind.flac" in words else cli.EXIT_DONE), (
        capsys.readouterr().err
    )
    for option in ("-o", "--plot", "--job-out", "--program"):
        if option in words:
            assert Path(words[words.index(option) + 1]).stat().st_size > 100


# Commands that go on until somebody ends them.


@pytest.mark.parametrize(
    "line", [line for _, _, line in TYPED if words_of(line)[0] in SERVES and not is_live(words_of(line))]
)
def test_what_serves_a_page_serves_it_until_it_is_ended(home: Path, line: str) -> None:
    with running([*words_of(line), "--port", "0"], home, os.environ) as process:
        look_at_the_page(process)


@pytest.fixture(scope="module")
def microphone(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SoundServer]:
    """The virtual microphone, which is the system's own too."""
    with sound_server(tmp_path_factory.mktemp("sound")) as server:
        alsa = server.run / "asound.conf"
        alsa.write_text(f"{alsa.read_text('utf-8')}\npcm.!default {{ type pulse }}\n", "utf-8")
        yield server


@pytest.fixture
def playing(microphone: SoundServer) -> Iterator[SoundServer]:
    yield microphone
    microphone.silence()


LIVE = [line for _, _, line in TYPED if is_live(words_of(line))]


@pytest.mark.parametrize("line", [line for line in LIVE if words_of(line)[0] == "check"])
def test_check_hears_the_machine(home: Path, line: str, playing: SoundServer, lathe: Lathe) -> None:
    playing.play(lathe.free(800))
    with running(words_of(line), home, playing.env) as process:
        said = rest_of(process)
    assert process.returncode == 0, said
    assert "Ready." in said or NAME in said


@pytest.mark.parametrize("line", [line for line in LIVE if words_of(line)[0] == "baseline"])
def test_the_baseline_is_learned_from_the_microphone(
    home: Path, line: str, playing: SoundServer, lathe: Lathe
) -> None:
    words = words_of(line)
    (home / "baseline.json").unlink()
    with running(words, home, playing.env) as process:
        answered, until = 0, time.monotonic() + 5 * LATE_S
        while process.poll() is None:  # a take in which a busy machine has lost sound is asked for again
            assert time.monotonic() < until, process.said
            asked = re.findall(r"turn free at (\d+) rpm", process.said)
            if len(asked) > answered:
                answered = len(asked)
                playing.silence()
                playing.play(lathe.free(float(asked[-1])))
                time.sleep(1.5)  # what is in the microphone's buffers is of the speed before
                assert process.stdin is not None
                process.stdin.write("\n")
                process.stdin.flush()
            time.sleep(0.1)
        said = rest_of(process)
    assert process.returncode == 0, said
    assert "turn with the spindle" in said
    assert (home / "baseline.json").exists()


@pytest.mark.parametrize("line", [line for line in LIVE if words_of(line)[0] == "listen"])
def test_listen_serves_the_page_held_until_it_is_ended(
    home: Path, line: str, playing: SoundServer, lathe: Lathe
) -> None:
    playing.play(lathe.free(800))
    with running([*words_of(line), "--port", "0"], home, playing.env) as process:
        look_at_the_page(process)
        wait_for(process, "press Reset")
        time.sleep(2.0)
        process.send_signal(signal.SIGTERM)
        said = rest_of(process)
    assert process.returncode in (cli.EXIT_DONE, cli.EXIT_HELD), said
    assert "Listened for" in said


class Running(subprocess.Popen[str]):
    """A command, and what it has said."""

    said = ""
    reader: threading.Thread

    def __exit__(self, *_: object) -> None:
        """End it whatever it waits for: a failed test must not wait with it."""
        self.kill()
        self.reader.join(LATE_S)
        super().__exit__(None, None, None)

    def read_on(self) -> None:
        assert self.stdout is not None
        while character := self.stdout.read(1):  # a prompt is no whole line
            self.said += character


def running(words: list[str], home: Path, env: Mapping[str, str]) -> Running:
    process = Running(
        [sys.executable, "-m", "monitor.cli", *words],
        cwd=home,
        env={
            **env,
            "PYTHONPATH": str(ROOT),
            "PYTHONUNBUFFERED": "1",
            "XDG_CONFIG_HOME": str(home / "settings"),
        },
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    process.reader = threading.Thread(target=process.read_on, daemon=True)
    process.reader.start()
    return process


def wait_for(process: Running, text: str) -> None:
    until = time.monotonic() + LATE_S
    while text not in process.said:
        assert process.poll() is None, process.said
        assert time.monotonic() < until, process.said
        time.sleep(0.05)


def rest_of(process: Running) -> str:
    process.wait(2 * LATE_S)
    time.sleep(0.2)  # the thread reads the last of it
    return process.said


def look_at_the_page(process: Running) -> None:
    wait_for(process, "http://")
    wait_for(process, "Ctrl-C")
    port = re.search(r"http://[^/]+:(\d+)/", process.said)
    assert port is not None
    with urlopen(f"http://127.0.0.1:{port[1]}/", timeout=LATE_S) as answer:
        assert b"spindlebell" in answer.read()
    if "Listening" not in process.said:
        process.send_signal(signal.SIGINT)
        assert process.wait(LATE_S) in (0, 1)
