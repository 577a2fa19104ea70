"""Hears every scene of `recordings_synthetic` by the `monitor` that is found first, and writes what it heard.

    PYTHONPATH=FOLDER python tests/release/hear_all.py OUTPUT.txt

Every row, event and peck to the last bit, so that what was compiled can be compared with its sources.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import monitor.hop
from monitor import cli
from monitor.baseline import load_baseline
from monitor.job import load_job
from monitor.listener import Listener
from monitor.recordings import read_recording

SCENES = Path(__file__).resolve().parents[2] / "recordings_synthetic"
BLOCKS_S = (20.0, 0.05)  # of a replay and of a microphone
STREAMED_S = 12.0  # heard in short blocks as well: the beginning


def main(output: str) -> int:
    """Write the file, whose first line says which `monitor` heard."""
    scenes = json.loads((SCENES / "manifest.json").read_text("utf-8"))["scenes"]
    with tempfile.TemporaryDirectory() as folder, Path(output).open("w", encoding="utf-8") as file:
        print(monitor.hop.__file__, file=file)
        for scene in scenes:
            for line in hear(scene, Path(folder) / "baseline.json"):
                print(scene["name"], line, file=file)
    return 0


def hear(scene: dict, baseline: Path) -> Iterator[str]:
    words = [
        word for one in scene["baseline"]
        for word in ("--rpm", str(one["rpm"]), str(SCENES / one["file"]))
    ]  # fmt: skip
    assert cli.main(["baseline", *words, "-o", str(baseline)]) == cli.EXIT_DONE
    x, fs = read_recording(SCENES / scene["file"])
    for block_s in BLOCKS_S:
        n, until = round(block_s * fs), len(x) if block_s > 1 else round(STREAMED_S * fs)
        listener = Listener(load_baseline(baseline), load_job(SCENES / scene["job"]), fs)
        heard = [listener.feed(x[i : i + n]) for i in range(0, min(until, len(x)), n)]
        for one in (*heard, listener.finish()):
            yield from map(repr, (*one.trace, *one.events, *one.pecks))
            yield str(sorted(one.active))


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
