"""A microphone without a sound card: PulseAudio with a null sink whose monitor is the microphone.

Started by the tests in a directory of their own, so that no sound server of the person's is touched. Seen
working with PortAudio on Debian 12; real hardware behaves otherwise in ways that no test here shows.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from ctypes.util import find_library
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

PACKAGES = "libportaudio2 libasound2-plugins pulseaudio pulseaudio-utils alsa-utils"
FS = 48_000
NAME = "spindlebell_test"

_SCRIPT = f"""\
load-module module-native-protocol-unix socket={{run}}/pulse/native auth-anonymous=1
load-module module-null-sink sink_name=feed rate={FS} channels={{channels}} format=s16le
load-module module-remap-source source_name=virtmic master=feed.monitor channels={{channels}}
set-default-source virtmic
set-default-sink feed
"""
_ALSA = f"""\
</usr/share/alsa/alsa.conf>
pcm.{NAME} {{
  type pulse
  device "virtmic"
  hint {{ show on description "Virtual microphone" }}
}}
"""


def missing() -> str:
    """Why no virtual microphone can be made here; empty when it can."""
    tools = [tool for tool in ("pulseaudio", "paplay", "pactl") if shutil.which(tool) is None]
    if tools:
        return f"{', '.join(tools)} missing; install the Debian packages {PACKAGES}"
    if not list(Path("/usr/lib").glob("**/alsa-lib/libasound_module_pcm_pulse.so")):
        return f"the ALSA plug-in for PulseAudio is missing; install the Debian packages {PACKAGES}"
    if find_library("portaudio") is None:  # not imported: it would look for devices before there are any
        return f"PortAudio is missing; install the Debian packages {PACKAGES}"
    return ""


@dataclass
class SoundServer:
    """A running server; ``env`` is what a process needs to hear it."""

    run: Path
    env: dict[str, str]
    process: subprocess.Popen[bytes]
    players: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def play(self, x: NDArray[np.floating], fs: int = FS) -> None:
        """Play a sound into the microphone, in real time."""
        path = self.run / f"{time.monotonic_ns()}.wav"
        soundfile.write(path, x, fs, subtype="PCM_16")
        command = ["paplay", "--device=feed", "--latency-msec=200", str(path)]
        self.players.append(subprocess.Popen(command, env=self.env, stderr=subprocess.DEVNULL))

    def silence(self) -> None:
        """End whatever still plays."""
        for player in self.players:
            player.kill()
            player.wait()
        self.players.clear()

    def suspend(self, yes: bool) -> None:
        """Let the microphone fall silent without a word: no callback, no error."""
        subprocess.run(["pactl", "suspend-source", "virtmic", str(int(yes))], env=self.env, check=True)

    def signal(self, number: int) -> None:
        """Send the server a signal: SIGKILL unplugs the microphone, SIGSTOP freezes it."""
        self.process.send_signal(number)
        if number == signal.SIGKILL:
            self.process.wait()

    def start(self) -> None:
        """Start it (again)."""
        (self.run / "pulse" / "native").unlink(missing_ok=True)
        self.process = _start(self.run, self.env)

    def stop(self) -> None:
        """End it for good."""
        self.silence()
        for number in (signal.SIGCONT, signal.SIGKILL):
            with suppress(ProcessLookupError):
                self.process.send_signal(number)
        self.process.wait()


@contextmanager
def sound_server(run: Path, channels: int = 1) -> Iterator[SoundServer]:
    """A server of one's own; the test is skipped with the reason where it cannot be."""
    if reason := missing():
        pytest.skip(reason)
    (run / "pulse").mkdir(parents=True)
    (run / "home").mkdir()
    (run / "pulse.pa").write_text(_SCRIPT.format(run=run, channels=channels), "utf-8")
    (run / "asound.conf").write_text(_ALSA, "utf-8")
    env = {
        **os.environ,
        "XDG_RUNTIME_DIR": str(run),
        "PULSE_RUNTIME_PATH": str(run / "pulse"),
        "HOME": str(run / "home"),
        "PULSE_SERVER": f"unix:{run}/pulse/native",
        "ALSA_CONFIG_PATH": str(run / "asound.conf"),
    }
    server = SoundServer(run, env, _start(run, env))
    try:
        yield server
    finally:
        server.stop()


def _start(run: Path, env: dict[str, str]) -> subprocess.Popen[bytes]:
    options = "-n --exit-idle-time=-1 --use-pid-file=no --daemonize=no --realtime=no --high-priority=no"
    log = (run / "pulse.log").open("ab")
    process = subprocess.Popen(
        ["pulseaudio", *options.split(), "-F", str(run / "pulse.pa")], env=env, stdout=log, stderr=log
    )
    log.close()
    until = time.monotonic() + 15
    while subprocess.run(["pactl", "info"], env=env, capture_output=True, check=False).returncode:
        if process.poll() is not None or time.monotonic() > until:
            process.kill()
            process.wait()
            pytest.skip(f"PulseAudio does not start here: {(run / 'pulse.log').read_text('utf-8')[-300:]}")
        time.sleep(0.05)
    return process
