"""What a spindle costs where several are heard by one computer, and how many one core carries.

    python tests/hardware/streams.py [--seconds 40] [--streams 1 2 4] [--threads]

Each stream is a whole monitor: `spindlebell listen` in a process of its own, with page, evidence and
read-outs, fed in real time at 48 kHz through the dealer from a published scene. What is counted is processor
time, which other work on the machine changes little; the dealer's own is counted apart. With ``--threads`` as
many signal cores run in threads of one process instead, as fast as they go, against as many processes: what
sharing an interpreter costs.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from hardware.portaudio import BLOCK_S, OpenInput  # noqa: E402
from hardware.shared import PREFIX, Dealer, listen_at  # noqa: E402
from monitor import cli  # noqa: E402
from monitor.baseline import load_baseline  # noqa: E402
from monitor.job import load_job  # noqa: E402
from monitor.listener import Listener  # noqa: E402

SCENES = ROOT / "recordings_synthetic"
SCENE = "normal_batch"
FS = 48_000
BEGIN_S = 8.0  # until each has loaded, opened its page and learned its first levels
SPARE = 0.6  # of a core: bursts (clips, reports) and the rest of the system have the remainder


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=40.0)
    parser.add_argument("--streams", type=int, nargs="+", default=[1, 2, 4])
    parser.add_argument("--threads", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        baseline = Path(folder) / "lamp.json"
        learn(baseline)
        if args.threads:
            compare_threads(baseline, args.streams)
        else:
            for n in args.streams:
                measure(n, args.seconds, baseline, Path(folder) / f"{n}")
    return 0


def learn(baseline: Path) -> None:
    """The baseline of the scene's machine."""
    words = ["baseline", "-o", str(baseline)]
    for rpm in (900, 2000):
        words += ["--rpm", str(rpm), str(SCENES / f"baseline_lamp_{rpm}rpm.flac")]
    assert cli.main(words) == 0


def scene() -> NDArray[np.float32]:
    """The sound of the scene at 48 kHz."""
    x, fs = soundfile.read(SCENES / f"{SCENE}.flac", dtype="float32")
    if fs == FS:
        sound: NDArray[np.float32] = x
        return sound
    at = np.arange(round(len(x) * FS / fs)) * fs / FS
    return np.interp(at, np.arange(len(x)), x).astype(np.float32)


class Player:
    """A device that plays the scene on each of its channels, in real time, each from a place of its own."""

    def __init__(self, channels: int) -> None:
        x = scene()
        self._x = np.stack([np.roll(x, -i * FS * 3) for i in range(channels)], axis=1)

    def open(self, take: Callable[[NDArray[np.float32], bool], None], ended: Callable[[], None]) -> OpenInput:
        """Begin to play."""
        stop, n = threading.Event(), round(BLOCK_S * FS)

        def play() -> None:
            due, at = time.monotonic(), 0
            while not stop.is_set():
                due += BLOCK_S
                time.sleep(max(0.0, due - time.monotonic()))
                take(self._x[at : at + n], False)
                at = (at + n) % (len(self._x) - n)

        threading.Thread(target=play, daemon=True).start()
        return OpenInput(FS, "scene", stop.set)


def processor_s(pid: int) -> float:
    """Processor time of a process so far, its threads included (proc(5), fields 14 and 15)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident_mb(pid: int) -> float:
    """Memory in use."""
    text = Path(f"/proc/{pid}/status").read_text()
    return int(text.partition("VmRSS:")[2].split()[0]) / 1024


def measure(n: int, seconds: float, baseline: Path, folder: Path) -> None:
    """Run so many monitors for so long, and print what each took."""
    folder.mkdir()
    listening = listen_at(folder / "sound")
    threading.Thread(target=Dealer(Player(n).open, n).serve, args=(listening,), daemon=True).start()
    (folder / "station.toml").write_text('[page]\nport = 0\n[microphone]\nrate = "48 kHz"\n')
    env = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "monitor.cli", "listen", "--station", str(folder / "station.toml")]
    command += ["--job", str(SCENES / f"{SCENE}.toml"), "--baseline", str(baseline)]
    command += ["--device", f"{PREFIX}{folder / 'sound'}"]
    monitors = [
        subprocess.Popen(
            [*command, "--channel", str(i + 1), "--out", str(folder / f"out{i}")],
            env=env,
            stdout=subprocess.PIPE,
            text=True,
        )
        for i in range(n)
    ]
    time.sleep(BEGIN_S)
    began, own = [processor_s(one.pid) for one in monitors], time.process_time()
    start = time.monotonic()
    time.sleep(seconds)
    passed = time.monotonic() - start
    shares = [(processor_s(one.pid) - at) / passed for one, at in zip(monitors, began, strict=True)]
    dealing = (time.process_time() - own) / passed
    memory = [resident_mb(one.pid) for one in monitors]
    for one in monitors:
        one.send_signal(signal.SIGTERM)
    said = [one.communicate(timeout=60)[0] for one in monitors]
    lost = sum("No sound was lost." not in text for text in said)
    share = float(np.mean(shares))
    print(
        f"{n} streams: {100 * share:.1f} % of a core each (most {100 * max(shares):.1f} %), dealing "
        f"{100 * dealing:.1f} % in all, {np.mean(memory):.0f} MB each; {lost} lost sound. One core carries "
        f"{int(SPARE / (share + dealing / n))} at {SPARE:.0%} of its time.",
        flush=True,
    )


def hear(baseline: Path, seconds: float) -> None:
    """The signal core alone, on so much of the scene."""
    listener = Listener(load_baseline(baseline), load_job(SCENES / f"{SCENE}.toml"), FS)
    x = scene()[: round(seconds * FS)]
    for i in range(0, len(x), 960):
        listener.feed(x[i : i + 960])


def compare_threads(baseline: Path, counts: list[int]) -> None:
    """As many cores in threads, and in processes, each on 20 s of sound."""
    for n in counts:
        start = time.monotonic()
        with ThreadPoolExecutor(n) as pool:
            list(pool.map(lambda _: hear(baseline, 20.0), range(n)))
        threads = time.monotonic() - start
        start = time.monotonic()
        with multiprocessing.get_context("spawn").Pool(n) as processes:
            processes.starmap(hear, [(baseline, 1.0)] * n)  # each has loaded
            start = time.monotonic()
            processes.starmap(hear, [(baseline, 20.0)] * n, chunksize=1)
        apart = time.monotonic() - start
        print(f"{n} at once, 20 s each: threads {threads:.1f} s, processes {apart:.1f} s", flush=True)


if __name__ == "__main__":
    sys.exit(main())
