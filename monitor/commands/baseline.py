"""`spindlebell baseline`: learn a machine's free-running sound from recordings."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path

from monitor.baseline import describe, save_baseline
from monitor.errors import BaselineError
from monitor.recordings import read_recording
from monitor.signal.orders import FreeRun, learn_baseline


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments."""
    parser.add_argument(
        "--rpm",
        action="append",
        nargs=2,
        required=True,
        metavar=("RPM", "FILE"),
        help="a commanded speed and a WAV or FLAC recording of the spindle turning free at it, 10 s or"
        " longer; repeat it for each speed, two or more",
    )
    parser.add_argument(
        "-o", "--output", type=Path, required=True, metavar="BASELINE.json", help="file to write"
    )
    parser.add_argument(
        "--channel", type=int, default=1, metavar="N", help="channel to use, from 1 (default: 1)"
    )


def run(args: argparse.Namespace) -> int:
    """Learn, say what was found, and write the file."""
    recordings = []
    for speed, name in args.rpm:
        rpm = _rpm(speed, name)
        x, fs = read_recording(name, args.channel)
        recordings.append(FreeRun(rpm, x, fs, name))
    created = datetime.now(UTC).isoformat(timespec="seconds")
    baseline = learn_baseline(recordings, created)
    save_baseline(baseline, args.output)
    print(describe(baseline))
    print(f"Written to {args.output}")
    return 0


def _rpm(text: str, name: str) -> float:
    try:
        return float(text.lower().removesuffix("rpm"))
    except ValueError:
        raise BaselineError(
            f'--rpm {text} {name}: "{text}" is not a speed; write for example `--rpm 300 free_300.wav`'
        ) from None
