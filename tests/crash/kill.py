"""Kill `listen` and see that nothing that it told is lost: ``python tests/crash/kill.py --kills 200``.

Half of the kills come at a random moment, half within a random system call that writes (strace). The process
is real, so are its evidence, its page and a client there who moves thresholds, sees alarms and judges holds;
only the microphone is a recording, heard faster than time. After each kill everything that was printed, was
told to the client or stands in an export is looked for in the store and in the exports, and `report` and
`pecks` read the directory. The next `listen` goes into the same directory; every tenth runs to its end. Exit
status 1 where something was missing.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import random
import shutil
import sys
import tempfile
import time
import urllib.request
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np  # noqa: E402

from tests.crash import kept  # noqa: E402
from tests.crash.listening import Told, killed_at_random, killed_in_a_call, learn, sounds, start  # noqa: E402
from tests.markdown import table  # noqa: E402

RUNS_A_DIRECTORY = 10  # killed one after the other into the same directory
MOST_S = 5.0  # of listening: some minutes of sound
STARTING = 0.25  # share of the random moments that lie in its start
MOST_CALLS = 400
SHORT_S = 20.0  # of sound for the run that goes on with the batch: in it a blank begins


@dataclass
class Result:
    """What was done, and what was missing, in words."""

    kills: Counter[str] = field(default_factory=Counter)
    told: Counter[str] = field(default_factory=Counter)
    missing: list[str] = field(default_factory=list)


def main(argv: Sequence[str] | None = None) -> int:
    """Kill so often, print and write what came of it."""
    parser = argparse.ArgumentParser(description="Kill `listen`, and see that nothing that it told is lost.")
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--output", type=Path, help="write the table here as well")
    args = parser.parse_args(argv)
    with tempfile.TemporaryDirectory(prefix="kills-") as scratch:
        result = kill(args.kills, args.seed, Path(scratch))
    lines = list(report(result, args.kills))
    print("\n".join(lines))
    for said in result.missing:
        print(said)
    if args.output:
        args.output.write_text("\n".join(lines) + "\n", "utf-8")
    return int(bool(result.missing))


def kill(kills: int, seed: int, scratch: Path) -> Result:
    """Kill so often, and look each time."""
    rng, result = random.Random(seed), Result()
    baseline, x = scratch / "lamp.json", sounds()
    learn(baseline)
    traced = shutil.which("strace") is not None
    for i in range(kills):
        directory = scratch / f"evidence{i // RUNS_A_DIRECTORY}"
        before = kept.newest(directory)
        running = start(directory, baseline, x, held_back=True)
        try:
            if traced and i % 2:
                died = killed_in_a_call(running, rng.randrange(1, MOST_CALLS))
                result.kills["killed within a system call" if died else "killed at a random moment"] += 1
            else:
                starting = rng.random() < STARTING
                killed_at_random(running, rng.uniform(0.0, 2.0 if starting else MOST_S), starting)
                result.kills["killed at a random moment"] += 1
            after(directory, before, running.told, result)
            if (i + 1) % RUNS_A_DIRECTORY == 0 or i == kills - 1:
                go_on(directory, baseline, x)
                page_shows(directory)
        except (AssertionError, OSError, ValueError) as error:
            said = f"kill {i + 1}: {type(error).__name__}: {error}"
            result.missing.append(said)
            print(said, flush=True)
        if (i + 1) % 10 == 0:
            print(f"{i + 1} kills, {len(result.missing)} with something missing", flush=True)
    return result


def after(directory: Path, before: int, told: Told, result: Result) -> None:
    """Look at a directory whose process was killed; ``before`` is the newest batch before that process."""
    batch = kept.newest(directory)
    result.told["events told to a client"] += len(told.events)
    result.told["acts answered"] += told.acknowledged
    result.told["verdicts answered"] += len(told.verdicts)
    if batch == before:
        result.told["kills before a batch was begun"] += 1
        kept.check(not (told.events or told.acknowledged or told.verdicts), "told, and no batch is there")
        return
    kept.look(directory, batch, told)
    kept.read_by_commands(directory, batch)
    if before:
        kept.set_aside_whole(directory, before)


def go_on(directory: Path, baseline: Path, x: np.ndarray) -> None:
    """A new run goes on with the killed batch, counts its blanks on, and completes what was left."""
    before = kept.newest(directory)
    run_to_its_end(directory, baseline, x[: int(SHORT_S * 48_000)], goes_on=before > 0)
    kept.set_aside_whole(directory, before)
    kept.read_by_commands(directory, before + 1)
    if before:
        kept.goes_on(directory, before)


def run_to_its_end(directory: Path, baseline: Path, x: np.ndarray, goes_on: bool) -> None:
    """Listen to a short sound and stop in good order."""
    running = start(directory, baseline, x, once=True, goes_on=goes_on)
    os.close(running.release)
    until = time.monotonic() + 60
    while running.read(0.5):
        kept.check(time.monotonic() < until, f"the next run does not end: {running.told.lines}")
    running.end()
    kept.check(running.told.status in (0, 10), f"the next run: {running.told.status}, {running.told.lines}")


def page_shows(directory: Path) -> None:
    """The page of past batches serves it."""
    from dashboard.app import create_app
    from dashboard.serve import listen, serving
    from monitor.evidence.archive import Archive

    archive = Archive(directory)
    with (
        closing(listen("127.0.0.1", 0)) as listening,
        serving(create_app(None, None, archive=archive), listening),
    ):
        url = f"http://127.0.0.1:{listening.getsockname()[1]}/api/batches"
        with urllib.request.urlopen(url) as answer:
            batches = json.load(answer)["batches"]
        for batch in batches:
            for what in ("", "/events.jsonl", "/trace.csv", "/clips.zip"):
                with urllib.request.urlopen(f"{url}/{batch['number']}{what}") as answer:
                    answer.read()


def report(result: Result, kills: int) -> Iterator[str]:
    """The result in Markdown."""
    yield "# Killed while it writes"
    yield ""
    yield (
        f"Made by `python tests/crash/kill.py --kills {kills}` on Python {platform.python_version()}, "
        f"{platform.machine()}, with other work on the machine."
    )
    yield ""
    rows = [
        *result.kills.items(),
        *result.told.items(),
        ("kills after which something was missing", len(result.missing)),
    ]
    yield from table("what|number", rows)


if __name__ == "__main__":
    sys.exit(main())
