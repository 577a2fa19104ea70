"""Hear so many seconds of a recording, by the ear alone or through all of `listen`: what is counted on two
machines.

``python hear.py ear|listen SECONDS BASELINE OUTPUT``; the ear's rows and events go into OUTPUT, the evidence
of `listen` into that folder.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from unittest.mock import patch

import numpy as np

from monitor import cli
from monitor.baseline import load_baseline
from monitor.job import load_job
from monitor.listener import Listener
from monitor.ports import Block
from monitor.recordings import read_recording

SCENES = Path(__file__).parents[2] / "recordings_synthetic"
JOB = SCENES / "bind.toml"


def main(how: str, seconds: str, baseline: str, output: str) -> int:
    """Hear it."""
    x, fs = read_recording(SCENES / "bind.flac")
    x = np.tile(x, int(float(seconds) * fs / len(x)) + 1)[: round(float(seconds) * fs)]
    blocks = x.reshape(-1, fs // 50)  # 20 ms, as PortAudio gives them
    if how == "listen":
        words = ["--job", str(JOB), "--baseline", baseline, "--out", output, "--port", "0"]
        with patch("hardware.microphone.live_microphone", lambda choice: Played(fs, blocks)):
            return cli.main(["listen", *words])
    listener = Listener(load_baseline(baseline), load_job(JOB), fs, live=True)
    heard = [listener.feed(block) for block in blocks]
    rows = [list(row) for one in heard for row in one.trace]
    events = [[event.t, event.kind, event.severity, event.message] for one in heard for event in one.events]
    pecks = [[peck.start_s, peck.end_s, peck.max_sag_pct] for one in heard for peck in one.pecks]
    Path(output).write_text(json.dumps({"rows": rows, "events": events, "pecks": pecks}), "utf-8")
    return 0


class Played:
    """A microphone that gives what it has as fast as it is taken, and then asks to stop."""

    name, losses = "played", type("None", (), {"overflows": 0, "__str__": lambda self: "Nothing was lost."})()

    def __init__(self, fs: int, blocks: np.ndarray) -> None:
        self.fs, self._given = fs, blocks

    def __enter__(self) -> Played:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def blocks(self) -> Iterator[Block]:
        """See `hardware.microphone.Microphone`."""
        for x in self._given:
            yield Block(x, time.monotonic(), True)
        os.kill(os.getpid(), signal.SIGTERM)
        yield Block(x, time.monotonic(), True)


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
