"""The cost of hearing beside another clone: ``python tests/benchmarks/against.py OTHER [--rounds N]``.

Both hear the same sound in turns of 20 s, one process each, so that a busy computer slows them alike; what
counts is the ratio. Processor time of the listener alone, in the blocks of a microphone and of a replay.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)  # instead of this folder: modules are named from the root

import numpy as np  # noqa: E402
import soundfile  # noqa: E402

from monitor.baseline import save_baseline  # noqa: E402
from monitor.synth.render import SceneStream  # noqa: E402
from tests.benchmarks.behaviour import draw_scene, learn  # noqa: E402
from tests.benchmarks.cost import FS, ONE_THREAD, job_text  # noqa: E402

SECONDS, TURN_S, HOP_S = 120, 20, 0.05
BLOCKS_S = (0.05, 20.0)
WORKER = """
import pathlib, sys, time
import soundfile
from monitor.baseline import load_baseline
from monitor.job import load_job
from monitor.listener import Listener
folder, n, turn = pathlib.Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
x, fs = soundfile.read(folder / "batch.wav", dtype="float32")
listener = Listener(load_baseline(folder / "baseline.json"), load_job(folder / "job.toml"), fs)
at = 0
for _ in sys.stdin:
    blocks = [x[at + i : at + i + n] for i in range(0, turn, n)]
    at = (at + turn) % x.size
    began = time.thread_time()
    for block in blocks:
        listener.feed(block)
    print(time.thread_time() - began, flush=True)
"""


def main() -> int:
    """Print a row for each kind of block."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "other",
        type=Path,
        help="another clone, such as a git worktree of an earlier commit, or a wheel unpacked",
    )
    parser.add_argument("--rounds", type=int, default=25)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        _write_batch(Path(name))
        print("| block, s | other, us a hop | this, us a hop | this / other |\n|---|---|---|---|")
        for block_s in BLOCKS_S:
            other, this = _taken((args.other, ROOT), Path(name), block_s, args.rounds)
            print(
                f"| {block_s:g} | {np.median(other):.0f} | {np.median(this):.0f} "
                f"| {np.median(this / other):.3f} |"
            )
    return 0


def _write_batch(folder: Path) -> None:
    scene = draw_scene(1, blanks=100)
    save_baseline(learn(scene, FS), folder / "baseline.json")
    (folder / "job.toml").write_text(job_text(scene.cycle), encoding="utf-8")
    x = SceneStream(scene, FS, keep_curves=False).read(SECONDS * FS)
    soundfile.write(folder / "batch.wav", x, FS, subtype="PCM_16")


def _taken(clones: tuple[Path, ...], folder: Path, block_s: float, rounds: int) -> np.ndarray:
    """Microseconds a hop of each clone in each round, shape (n_clones, rounds)."""
    sizes = [str(int(block_s * FS)), str(TURN_S * FS)]
    workers = [
        subprocess.Popen(
            [sys.executable, "-c", WORKER, str(folder), *sizes], cwd=folder, text=True,
            env={**os.environ, **ONE_THREAD, "PYTHONPATH": str(clone.resolve())},
            stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        )
        for clone in clones
    ]  # fmt: skip
    took = np.empty((len(workers), rounds + 1))
    for i in range(rounds + 1):
        for k in range(len(workers)) if i % 2 else reversed(range(len(workers))):
            print("go", file=workers[k].stdin, flush=True)
            took[k, i] = float(workers[k].stdout.readline())
    for worker in workers:
        worker.stdin.close()
        worker.wait()
    return 1e6 * took[:, 1:] / (TURN_S / HOP_S)  # the first warms up


if __name__ == "__main__":
    sys.exit(main())
