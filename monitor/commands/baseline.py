"""`spindlebell baseline`: learn a machine's free-running sound, from recordings or from the microphone."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

from monitor.baseline import Baseline, describe, save_baseline
from monitor.commands.check import show_level
from monitor.commands.listen import add_station_arguments, station_of
from monitor.errors import BaselineError, InputError
from monitor.forewarning import of_hearing
from monitor.manual import Manual
from monitor.ports import Block
from monitor.recordings import flac, read_recording
from monitor.signal.audibility import audibility
from monitor.signal.orders import FreeRun, learn_baseline
from monitor.take import advice, measure, record, trouble
from monitor.whole_file import write_whole

TAKE_S = 15.0  # 10 s or longer is asked of recordings; a person's hand may knock somewhere in it
SHORTEST_S, LONGEST_S = 5.0, 300.0


MANUAL = Manual(
    about="""
    Learns how a machine sounds running free: the lines that turn with the spindle, the tones that stay, and
    the noise floor. Every other reading is taken against it. It says in plain words what it found, or what
    is wrong with a recording.

    Give two commanded speeds or more, some distance apart. From one speed alone, what turns and what merely
    hums cannot be told apart for certain; it works, with less confidence, and says so.

    With --live it records from the microphone, asks for one speed after the other, and asks again for a
    take that is clipped, silent or contradicts the others.
    """,
    examples=[
        (
            "spindlebell baseline --rpm 300 free300.wav --rpm 800 free800.wav -o baseline.json",
            "From two recordings, nothing touching the work:",
        ),
        ("spindlebell baseline --live --rpm 300 --rpm 800 -o baseline.json", "From the microphone:"),
    ],
    files={
        "FILE": "WAV or FLAC, 8 to 192 kHz, 16, 24 or 32 bit or float; 5 s at least",
        "BASELINE.json": "what was learned; an older file stays whole until the new one is complete",
        "DIR/free_*rpm.flac": "with --keep: the recordings",
    },
    caution="The spindle turns while you record: keep the guard shut and your hands away.",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments."""
    parser.add_argument(
        "--rpm",
        action="append",
        nargs="+",
        required=True,
        metavar=("RPM", "FILE"),
        help="a commanded speed and a WAV or FLAC recording of the spindle turning free at it, 10 s or"
        " longer; repeat it for each speed, two or more; with --live the speed alone",
    )
    parser.add_argument(
        "-o", "--output", type=Path, required=True, metavar="BASELINE.json", help="file to write"
    )
    parser.add_argument(
        "--live", action="store_true", help="record from the microphone, asking for one speed after the other"
    )
    parser.add_argument(
        "--seconds",
        type=float,
        default=TAKE_S,
        metavar="S",
        help=f"with --live: length of each recording in seconds, {SHORTEST_S:g} to {LONGEST_S:g} "
        f"(default: {TAKE_S:g})",
    )
    parser.add_argument(
        "--keep",
        type=Path,
        metavar="DIR",
        help="with --live: keep the recordings there, as FLAC (default: they are not kept)",
    )
    add_station_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Learn, say what was found, and write the file."""
    baseline = _live(args) if args.live else learn_baseline(_recordings(args), _now())
    save_baseline(baseline, args.output)
    print(describe(baseline))
    heard = (audibility(baseline, (rpm,), baseline.sample_rate_hz) for rpm in baseline.speeds_rpm)
    if warnings := [warning for one in heard if (warning := of_hearing(one))]:
        for warning in warnings:
            print(f"Note: {warning.what}.")
        print(f"Better: {warnings[0].mend}.")
    print(f"Written to {args.output}")
    return 0


def _recordings(args: argparse.Namespace) -> list[FreeRun]:
    runs = []
    for words in args.rpm:
        if len(words) != 2:
            raise BaselineError(
                f"--rpm {' '.join(words)}: a speed and one recording are needed, such as `--rpm 300 "
                f"free_300.wav`;"
                " a speed alone needs --live"
            )
        speed, name = words
        rpm = _rpm(speed, name)
        x, fs = read_recording(name, args.channel or 1)
        runs.append(FreeRun(rpm, x, fs, name))
    return runs


def _live(args: argparse.Namespace) -> Baseline:
    from hardware.automatic_gain import cautions
    from hardware.microphone import live_microphone

    for words in args.rpm:
        if len(words) != 1:
            raise BaselineError(
                f"--rpm {' '.join(words)}: with --live give the speed alone, such as `--rpm 300`"
            )
    speeds = [_rpm(words[0]) for words in args.rpm]
    if not SHORTEST_S <= args.seconds <= LONGEST_S:
        raise InputError(f"--seconds {args.seconds:g}: has to be from {SHORTEST_S:g} to {LONGEST_S:g}")
    if args.keep:
        args.keep.mkdir(parents=True, exist_ok=True)
    with live_microphone(station_of(args).microphone) as microphone:
        print(f"Recording from {microphone.name} at {microphone.fs / 1000:g} kHz. Switch automatic gain off.")
        for line in cautions(microphone.name):
            print(line)
        takes, baseline = record_takes(
            speeds, microphone.blocks(), microphone.fs, args.seconds, wait_for_person
        )
    if args.keep:
        for take in takes:
            path = args.keep / f"free_{take.rpm:g}rpm.flac"
            write_whole(path, flac(take.x, round(take.fs), "PCM_24"))
            print(f"Kept: {path}")
    return baseline


def record_takes(
    speeds: Sequence[float], blocks: Iterator[Block], fs: int, seconds: float, ready: Callable[[str], None]
) -> tuple[list[FreeRun], Baseline]:
    """Record one speed after the other; a take that cannot be used, or contradicts the others, is asked for
    again.

    Parameters
    ----------
    ready : callable
        Tells a person what to do and returns when it is done.

    Returns
    -------
    tuple
        The takes, and the baseline learned from them.
    """
    takes: list[FreeRun] = []
    baseline = None
    while len(takes) < len(speeds):
        rpm = speeds[len(takes)]
        ready(
            f"Let the spindle turn free at {rpm:g} rpm, nothing touching the work, nobody talking. "
            f"When its speed is steady press Enter; {seconds:g} s are recorded."
        )
        x = record(blocks, fs, seconds, time.monotonic(), show_level)
        print()
        take = measure(x, fs)
        print(f"Level {take.level_dbfs:.1f} dBFS, peaks {take.peak_dbfs:.1f} dBFS.")
        if wrong := trouble(take):
            print(f"This take is no use: {wrong}. Again.")
            continue
        if better := advice(take):
            print(f"Note: {better}.")
        try:
            baseline = learn_baseline([*takes, FreeRun(rpm, x, fs, f"the take at {rpm:g} rpm")], _now())
        except BaselineError as error:
            print(f"This take is no use: {error}. Again.")
            continue
        takes.append(FreeRun(rpm, x, fs, f"the take at {rpm:g} rpm"))
    assert baseline is not None
    return takes, baseline


def wait_for_person(what_to_do: str) -> None:
    """Tell, and wait for Enter."""
    try:
        input(f"{what_to_do} ")
    except EOFError:
        raise InputError("--live: needs a person at the keyboard; run it at a terminal") from None


def _rpm(text: str, name: str = "") -> float:
    try:
        return float(text.lower().removesuffix("rpm"))
    except ValueError:
        example = "--rpm 300 free_300.wav" if name else "--rpm 300"
        raise BaselineError(
            f'--rpm {text} {name}: "{text}" is not a speed; write for example `{example}`'
        ) from None


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
