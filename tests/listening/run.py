"""Score the ear on machines that it was not tuned on: ``python tests/listening/run.py --hours 20``.

Any size. Every case is a task of its own; each is written to the results file as soon as it is done, so a
run that was stopped goes on where it was when started again with the same ``--results``, and pieces
(other ``--seed``, other ``--kinds``) add up in one file. The report is made from all that the file holds.

Processor time, 24 kHz mostly: see the end of the report.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shlex
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)  # instead of this folder: modules are named from the root
    # One thread in each process; numpy reads this when it is first imported.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np  # noqa: E402
import scipy  # noqa: E402

from monitor import __version__  # noqa: E402
from tests.listening.draws import FAULT_KINDS, FAULTLESS, FAULTLESS_S, SCORING_FROM, SNRS_DB  # noqa: E402
from tests.listening.hearing import score  # noqa: E402
from tests.listening.report import report  # noqa: E402
from tests.listening.scoring import FaultScore, WorkScore  # noqa: E402

Task = tuple[str, int, float]
CASES_AN_HOUR = 5
"""Cases of each fault and line SNR for an hour of faultless work, unless ``--cases`` says otherwise."""

CURVE_EVERY = 4  # no multiple of the number of line SNRs, which take turns


def main() -> int:
    """Run what is missing, print as it goes, write the report."""
    args = _arguments()
    tasks = plan(args.kinds, args.hours, args.cases, args.seed)
    known = read(args.results) if args.results else {}
    missing = [task for task in tasks if task not in known]
    begun = time.monotonic()
    with ProcessPoolExecutor(args.jobs) as pool:
        waiting = {pool.submit(_timed, task, task[1] % args.curve == 0): task for task in missing}
        for done, future in enumerate(as_completed(waiting), start=1):
            task = waiting[future]
            found, cpu_s = future.result()
            known[task] = (found, cpu_s)
            if args.results:
                _append(args.results, found, cpu_s)
            print(f"[{done}/{len(missing)} {time.monotonic() - begun:.0f} s] {_line(found)}", flush=True)
    command = shlex.join(["python", "tests/listening/run.py", *sys.argv[1:]])
    lines = list(report([entry for _, entry in sorted(known.items())], command, versions()))
    print("\n".join(lines))
    if args.output:
        args.output.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Score the ear on machines drawn from seeds.")
    parser.add_argument("--hours", type=float, default=1.0, help="of faultless work (default: 1)")
    parser.add_argument(
        "--cases", type=int, help=f"of each fault and line SNR (default: {CASES_AN_HOUR} an hour of --hours)"
    )
    parser.add_argument(
        "--seed", type=int, default=SCORING_FROM,
        help=f"first machine; {SCORING_FROM} and up for scoring (default), below for tuning",
    )  # fmt: skip
    parser.add_argument(
        "--jobs", type=int, default=os.cpu_count() or 1, help="processes (default: all cores)"
    )
    every = (*FAULT_KINDS, FAULTLESS)
    parser.add_argument("--kinds", nargs="+", choices=every, default=every, help="default: all")
    parser.add_argument(
        "--curve", type=int, default=CURVE_EVERY,
        help="operating curve from every so many machines (default: %(default)s; it costs rules only)",
    )  # fmt: skip
    parser.add_argument("--results", type=Path, help="each case's score is kept here, a line of JSON each")
    parser.add_argument("--output", type=Path, help="write the Markdown here as well")
    return parser.parse_args()


def plan(kinds: Sequence[str], hours: float, cases: int | None, seed: int) -> list[Task]:
    """The tasks in the order in which they are begun: all kinds and line SNRs advance together."""
    machines = max(1, round(hours * 3600 / FAULTLESS_S))
    number = max(1, round(CASES_AN_HOUR * hours)) if cases is None else cases
    placed: list[tuple[float, Task]] = []
    for kind in kinds:
        count = machines if kind == FAULTLESS else len(SNRS_DB) * number
        for i in range(count):
            placed.append((i / count, (kind, seed + i, SNRS_DB[i % len(SNRS_DB)])))
    tasks = [task for _, task in sorted(placed, key=lambda entry: entry[0])]
    last = max(task[1] for task in tasks)
    if seed < SCORING_FROM <= last:
        raise SystemExit(f"seeds {seed} to {last} mix tuning and scoring; keep them below {SCORING_FROM}")
    return tasks


def _timed(task: Task, curve: bool) -> tuple[FaultScore | WorkScore, float]:
    begun = time.process_time()
    found = score(*task, curve=curve)
    return found, time.process_time() - begun


def _append(path: Path, found: FaultScore | WorkScore, cpu_s: float) -> None:
    with path.open("a", encoding="utf-8") as file:
        file.write(json.dumps({"cpu_s": round(cpu_s, 3), **asdict(found)}) + "\n")


def read(path: Path) -> dict[Task, tuple[FaultScore | WorkScore, float]]:
    """What a results file holds, by task; nothing where there is no file yet."""
    known: dict[Task, tuple[FaultScore | WorkScore, float]] = {}
    for line in path.read_text(encoding="utf-8").splitlines() if path.exists() else ():
        fields = json.loads(line)
        cpu_s = fields.pop("cpu_s")
        fields = {key: _tuples(value) for key, value in fields.items()}
        found = FaultScore(**fields) if "kind" in fields else WorkScore(**fields)
        known[_task(found)] = (found, cpu_s)
    return known


def _tuples(value: object) -> object:
    return tuple(_tuples(item) for item in value) if isinstance(value, list) else value


def _task(found: FaultScore | WorkScore) -> Task:
    return (found.kind if isinstance(found, FaultScore) else FAULTLESS, found.seed, found.snr_db)


def _line(found: FaultScore | WorkScore) -> str:
    kind, seed, snr_db = _task(found)
    head = f"{kind} {seed} {snr_db:g} dB: "
    if isinstance(found, WorkScore):
        return head + f"{found.heard_s:.0f} s, holds {list(found.holds)}, warnings {list(found.warnings)}"
    if found.not_scored:
        return head + found.not_scored
    told = f"in time after {found.told_s:.2f} s" if found.in_time else f"MISSED ({found.told_s:.2f} s)"
    return (
        head
        + told
        + (f", first {found.first}" if found.wrong_first else "")
        + (f", early {list(found.early)}" if found.early else "")
    )


def versions() -> str:
    """What the numbers were made with."""
    return (
        f"spindlebell {__version__}, Python {platform.python_version()}, numpy {np.__version__}, "
        f"scipy {scipy.__version__}, {platform.machine()}"
    )


if __name__ == "__main__":
    sys.exit(main())
