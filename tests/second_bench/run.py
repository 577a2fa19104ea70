"""Score the ear on the second bench, 16 cases of each fault and 30 batches without one.

    python tests/second_bench/run.py --first 1000 --jobs 2 --output tests/second_bench/RESULTS.md

Every case is a task of its own; with ``--results`` each is written as soon as it is done, so a run that was
stopped goes on where it was, and pieces (other ``--first``, other ``--kinds``) add up in one file. The report
is made from all that the file holds. Some 3 s of processor time a case.
"""

from __future__ import annotations

import argparse
import json
import os
import shlex
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)  # instead of this folder: modules are named from the root
    # One thread in each process; numpy reads this when it is first imported.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from tests.listening.run import versions  # noqa: E402
from tests.second_bench.judge import FAULTLESS, Result, judge_case  # noqa: E402
from tests.second_bench.scene import FAULTS, SCORING_FROM, make_scene  # noqa: E402
from tests.second_bench.table import report  # noqa: E402

Task = tuple[str, int]
"""A kind and a seed."""


def main() -> int:
    """Run what is missing, print as it goes, write the report."""
    args = _arguments()
    tasks = plan(args.kinds, args.first, args.cases, args.batches)
    known = read(args.results) if args.results else {}
    missing = [task for task in tasks if task not in known]
    begun = time.monotonic()
    with ProcessPoolExecutor(args.jobs) as pool:
        waiting = {pool.submit(run, task): task for task in missing}
        for done, future in enumerate(as_completed(waiting), start=1):
            result = known[waiting[future]] = future.result()
            if args.results:
                with args.results.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(result) + "\n")
            print(f"[{done}/{len(missing)} {time.monotonic() - begun:.0f} s] {line(result)}", flush=True)
    command = shlex.join(["python", "tests/second_bench/run.py", *sys.argv[1:]])
    lines = list(report([known[task] for task in sorted(known)], command, versions()))
    print("\n".join(lines))
    if args.output:
        args.output.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Score the ear on machines of the second bench.")
    parser.add_argument(
        "--first", type=int, default=SCORING_FROM,
        help=f"first seed; {SCORING_FROM} and up for scoring (default), below to be looked at",
    )  # fmt: skip
    parser.add_argument("--cases", type=int, default=16, help="of each fault (default: %(default)s)")
    parser.add_argument("--batches", type=int, default=30, help="without a fault (default: %(default)s)")
    every = (*FAULTS, FAULTLESS)
    parser.add_argument("--kinds", nargs="+", choices=every, default=every, help="default: all")
    parser.add_argument(
        "--jobs", type=int, default=os.cpu_count() or 1, help="processes (default: all cores)"
    )
    parser.add_argument("--results", type=Path, help="each case is kept here, a line of JSON each")
    parser.add_argument("--output", type=Path, help="write the Markdown here as well")
    return parser.parse_args()


def plan(kinds: Sequence[str], first: int, cases: int, batches: int) -> list[Task]:
    """The tasks in the order in which they are begun: all kinds advance together.

    Raises
    ------
    SystemExit
        Seeds to be looked at and seeds to be scored would be mixed, or there is nothing to do.
    """
    counts = {kind: batches if kind == FAULTLESS else cases for kind in kinds}
    placed = [(i / count, (kind, first + i)) for kind, count in counts.items() for i in range(count)]
    if not placed or first < 0:
        raise SystemExit("nothing to do: give one case or batch at least, and no seed below 0")
    last = first + max(counts.values()) - 1
    if first < SCORING_FROM <= last:
        raise SystemExit(f"seeds {first} to {last} mix looking and scoring; keep them below {SCORING_FROM}")
    return [task for _, task in sorted(placed, key=lambda entry: entry[0])]


def run(task: Task) -> Result:
    """One case: drawn, heard, judged."""
    kind, seed = task
    return judge_case(make_scene(kind, seed), seed)


def read(path: Path) -> dict[Task, Result]:
    """What a results file holds, by task; nothing where there is no file yet."""
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    return {(r["kind"], r["seed"]): r for r in map(json.loads, lines)}


def line(result: Result) -> str:
    """A case in one line; of a scoring seed only that it is done."""
    head = f"{result['kind']} {result['seed']}"
    if result["seed"] >= SCORING_FROM:
        return head
    if result["refused"]:
        return f"{head} REFUSED {result['refused'][:100]}"
    alarms = [*result["false_holds"], *result["false_warnings"]]
    false = " ".join(f"{event['severity']}:{event['kind']}@{event['t']}" for event in alarms)
    if result["kind"] == FAULTLESS:
        return (
            f"{head} {result['duration']} s, pecks {result['pecks_matched']}/{result['pecks_true']} heard "
            f"{result['pecks_heard']}, blanks {result['blanks_started']}/{result['blanks_true']} "
            f"{'exact' if result['blanks_exact'] else 'NOT exact'}, false [{false}]"
        )
    verdict = "in time" if result["in_time"] else "late" if result["told"] is not None else "MISSED"
    return (
        f"{head} [{result['detail']}] onset {result['onset']}, deadline {result['deadline']}, told "
        f"{result['told']}, {verdict}{'' if result['audible'] else ' (not audible)'}, d' "
        f"{result['detectability']}, after {result['after'][:4]}, false [{false}]"
    )


if __name__ == "__main__":
    sys.exit(main())
