"""What it costs: replay against real time, one streaming hop, memory of an hour-long file."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy.fft
import soundfile

from monitor.baseline import save_baseline
from monitor.listener import Listener
from monitor.synth.cycle import Cycle
from monitor.synth.render import SceneStream
from tests.benchmarks.behaviour import draw_scene, job_for, learn

FS = 48_000
JOB = """[job]
name = "benchmark (synthetic)"
blanks = {blanks}
material = "{material}"
[spindle]
speed = "{rpm:g} rpm"
[drill]
diameter = "{diameter:g} mm"
flutes = {flutes}
flute_length = "{flute:g} mm"
feed = "{feed:g} mm/rev"
[hole]
depth = "{depth:g} mm"
pecks = [{pecks}]
"""


ONE_THREAD = {f"{library}_NUM_THREADS": "1" for library in ("OMP", "OPENBLAS", "MKL")}

# The command, then what it took: this program's own peak of memory (VmHWM: a child's ru_maxrss starts with
# its parent's) and processor time, after loading Python and the libraries and at the end.
REPLAY = """
import json, pathlib, sys, time
import monitor.cli, monitor.commands.replay
def peak_mb():
    lines = pathlib.Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024
loaded = {"load_s": time.process_time(), "loaded_mb": peak_mb()}
status = monitor.cli.main(["replay", *sys.argv[1:]])
print()
print(json.dumps({**loaded, "peak_mb": peak_mb()}))
sys.exit(status)
"""


@dataclass(frozen=True)
class Replay:
    """One ``spindlebell replay`` as a process of its own; ``load_s`` is the start-up within ``cpu_s``.

    Memory: after loading Python and the libraries, and the most at any time.
    """

    minutes: float
    wall_s: float
    cpu_s: float
    load_s: float
    loaded_mb: float
    peak_mb: float

    @property
    def factor_cpu(self) -> float:
        """Times real time by processor time, start-up left out: what an hour tends to."""
        return self.minutes * 60 / (self.cpu_s - self.load_s)

    @property
    def factor_whole(self) -> float:
        """Times real time by processor time, start-up counted."""
        return self.minutes * 60 / self.cpu_s

    @property
    def factor_wall(self) -> float:
        return self.minutes * 60 / self.wall_s


def job_text(cycle: Cycle) -> str:
    """The job file of a long batch in this cycle."""
    return JOB.format(
        blanks=100, material=cycle.material, rpm=cycle.spindle_rpm, diameter=cycle.drill_diameter_mm,
        flutes=cycle.flutes, flute=cycle.flute_length_mm, feed=round(cycle.feed_mm_per_rev, 4),
        depth=round(cycle.depth_mm, 2),
        pecks=", ".join(f'"{to - begin:.2f} mm"' for begin, to in cycle.peck_depths()),
    )  # fmt: skip


def replay(minutes: float, seed: int = 1) -> Replay:
    """Replay a synthetic batch of the given length, 48 kHz mono 16-bit WAV, evidence written.

    The batch is rendered for three minutes and repeated: rendering an hour would take longer than hearing it.
    """
    scene = draw_scene(seed, blanks=100)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        save_baseline(learn(scene, FS), folder / "baseline.json")
        (folder / "job.toml").write_text(job_text(scene.cycle), encoding="utf-8")
        rendered = SceneStream(scene, FS, keep_curves=False).read(int(min(3.0, minutes) * 60 * FS))
        with soundfile.SoundFile(folder / "batch.wav", "w", FS, 1, "PCM_16") as file:
            for _ in range(max(1, round(minutes * 60 * FS / rendered.size))):
                file.write(rendered)
        actual = soundfile.info(folder / "batch.wav").duration / 60
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        start = time.monotonic()
        done = subprocess.run(
            [
                sys.executable, "-c", REPLAY, str(folder / "batch.wav"), "--job", str(folder / "job.toml"),
                "--baseline", str(folder / "baseline.json"), "--out", str(folder / "evidence"),
            ],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env={**os.environ, **ONE_THREAD},
            check=False,
        )  # fmt: skip
        wall = time.monotonic() - start
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        if done.returncode not in (0, 10):
            raise RuntimeError(f"replay ended with status {done.returncode}")
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    report = json.loads(done.stdout.splitlines()[-1])
    return Replay(actual, wall, cpu, **report)


@dataclass(frozen=True)
class Streaming:
    """Processor time of one 50 ms block through the listener alone, milliseconds.

    ``yardstick_us`` is a 4800-point real FFT on the same computer in the same seconds, so that a slow or
    busy computer can be told from slow code.
    """

    median_ms: float
    p99_ms: float
    hops: int
    yardstick_us: float


def streaming(seconds: int = 30, seed: int = 1) -> Streaming:
    """Feed 50 ms blocks as a microphone does."""
    scene = draw_scene(seed, blanks=5)
    listener = Listener(learn(scene, FS), job_for(scene.cycle, 5), FS)
    x = SceneStream(scene, FS, keep_curves=False).read(seconds * FS)
    block = FS // 20
    took, yardstick = [], []
    for begin in range(0, x.size - block + 1, block):
        start = time.thread_time()
        listener.feed(x[begin : begin + block])
        middle = time.thread_time()
        scipy.fft.rfft(x[:4800])
        took.append(1e3 * (middle - start))
        yardstick.append(1e6 * (time.thread_time() - middle))
    return Streaming(
        float(np.median(took)), float(np.quantile(took, 0.99)), len(took), float(np.median(yardstick))
    )
