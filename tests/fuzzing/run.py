"""Throw bad input at spindlebell and count: ``python tests/fuzzing/run.py --minutes 10``.

Each target of `tests.fuzzing.targets` gets so many minutes of processor time, one after the other, from a
fuzzer that keeps what reaches new lines of the program (atheris, libFuzzer). Prints and, with ``--output``,
writes a table of inputs tried and crashes found. With ``--work`` several runs add up; what crashed lies there
under ``found``, one file an input with its traceback beside it. ``--keep`` puts some of what
reached new lines into ``corpus``, which the ordinary tests replay.

Needs ``pip install atheris`` (Linux; wheels for x86-64).
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import json
import os
import platform
import random
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from importlib.metadata import version
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from tests.fuzzing.mutations import mutated  # noqa: E402
from tests.markdown import table  # noqa: E402

CORPUS = Path(__file__).parent / "corpus"
OURS = ("monitor", "dashboard")  # what the fuzzer watches
HANGS_S = 60  # of the clock: what takes longer is ended from outside, and is a crash
MOST_BYTES = 20_000
MOST_MB = 2048
AFRESH_MB = 1200  # the fuzzer itself grows by some 5 kB an input (the same inputs without it take no more)
KEPT, KEPT_BYTES = 120, 14_000  # of a target's inputs kept in the repository
MOST_RESTARTS = 50
TOTAL, LATEST = "total.json", "count.json"  # counts of all runs that ended, and of the one going on
AFRESH = 0.4  # share of inputs that begin at an honest one: changes of changes pass no parser in the end
BLIND = 0.2  # share of changes to bytes where the input is text


@dataclass
class Count:
    """What came of one target; each crash is counted once, by its place in the program."""

    tried: int = 0
    accepted: int = 0
    cpu_s: float = 0.0
    crashes: dict[str, str] = field(default_factory=dict)


def corpus(name: str) -> list[bytes]:
    """The inputs of a target that are kept in the repository."""
    path = CORPUS / f"{name}.txt"
    return [ast.literal_eval(line) for line in path.read_text("ascii").splitlines()] if path.exists() else []


def main(argv: Sequence[str] | None = None) -> int:
    """Fuzz the targets asked for; 1 where one of them crashed."""
    parser = argparse.ArgumentParser(description="Throw bad input at spindlebell and count.")
    parser.add_argument(
        "--minutes", type=float, default=10.0, help="of processor time a target (default: 10)"
    )
    parser.add_argument("--target", action="append", metavar="NAME", help="default: all of them")
    parser.add_argument("--work", type=Path, help="where inputs, crashes and counts are kept, to go on later")
    parser.add_argument("--keep", action="store_true", help="keep inputs in the repository")
    parser.add_argument("--output", type=Path, help="write the table here as well")
    parser.add_argument("--child", help=argparse.SUPPRESS)
    args = parser.parse_args(argv)
    if args.child:
        return fuzz_here(args.child, 60 * args.minutes, args.work)
    from tests.fuzzing.targets import TARGETS  # not before the child: the fuzzer has to see it being loaded

    names = args.target or list(TARGETS)
    if unknown := set(names) - set(TARGETS):
        parser.error(f"no target {', '.join(unknown)}; there are {', '.join(TARGETS)}")
    with tempfile.TemporaryDirectory(prefix="fuzzing-") as scratch:
        work = args.work or Path(scratch)
        counts = {}
        for name in names:
            counts[name] = fuzz(name, 60 * args.minutes, work / name)
            one = counts[name]
            print(f"{name}: {one.tried} inputs in {one.cpu_s:.0f} s, {len(one.crashes)} crashes", flush=True)
            for where, what in one.crashes.items():
                print(f"  {where}: {what}", flush=True)
            if args.keep:
                keep(name, work / name)
        lines = list(report(counts, TARGETS))
    print("\n".join(lines))
    if args.output:
        args.output.write_text("\n".join(lines) + "\n", "utf-8")
    return int(any(one.crashes for one in counts.values()))


def fuzz(name: str, seconds: float, work: Path) -> Count:
    """Fuzz one target in processes of its own, started again where one was killed."""
    from tests.fuzzing.targets import TARGETS

    inputs = work / "inputs"
    inputs.mkdir(parents=True, exist_ok=True)
    for data in (*TARGETS[name].seeds(), *corpus(name)):
        (inputs / hashlib.sha256(data).hexdigest()[:16]).write_bytes(data)
    total = counted(work)
    until_s = total.cpu_s + seconds
    for _ in range(MOST_RESTARTS):
        if (left := until_s - total.cpu_s) < 1:
            break
        words = ["--child", name, "--minutes", str(left / 60), "--work", str(work)]
        with (work / "log.txt").open("ab") as log:
            status = subprocess.run(
                [sys.executable, __file__, *words], cwd=work, stdout=log, stderr=log, check=False
            ).returncode
        before, total = total.cpu_s, counted(work)
        total.cpu_s = max(total.cpu_s, before + 1.0)  # a child that dies at once must come to an end, too
        if status:
            ended = (work / "log.txt").read_text("utf-8", "replace").splitlines()
            why = next((line for line in reversed(ended) if "ERROR:" in line), "")
            total.crashes[f"ended by itself, status {status}"] = why
        keep_count(total, work / TOTAL)
    return total


def counted(work: Path) -> Count:
    """What was counted in all, with what a child left that ended, or was killed, since the last sum."""
    kept = (work / name for name in (TOTAL, LATEST))
    total, latest = (Count(**json.loads(path.read_text())) if path.exists() else Count() for path in kept)
    total.tried += latest.tried
    total.accepted += latest.accepted
    total.cpu_s += latest.cpu_s
    total.crashes |= latest.crashes
    keep_count(total, work / TOTAL)
    (work / LATEST).unlink(missing_ok=True)
    return total


def keep_count(count: Count, path: Path) -> None:
    """Write a count so that a kill leaves the old one or the new one."""
    new = path.with_suffix(".new")
    new.write_text(json.dumps(asdict(count)))
    new.replace(path)


def fuzz_here(name: str, seconds: float, work: Path) -> int:
    """Fuzz one target in this process, until so much processor time is gone."""
    import atheris

    with atheris.instrument_imports(include=list(OURS)):
        from tests.fuzzing.targets import LONGEST_S, TARGETS, Broken
    target = TARGETS[name]
    warnings.simplefilter("error")
    os.environ["SPINDLEBELL_TRACEBACK"] = "1"
    seeds = target.seeds()
    count = Count()
    found = work / "found"
    found.mkdir(exist_ok=True)
    words = work / "words"
    escaped = ("".join(f"\\x{byte:02x}" for byte in word.encode("latin-1")) for word in target.words)
    words.write_text("".join(f'"{word}"\n' for word in escaped))
    fast = "/dev/shm" if Path("/dev/shm").is_dir() else None
    with (
        tempfile.TemporaryDirectory(prefix="fuzzing-", dir=fast) as scratch,
        target.opened(Path(scratch)) as take,
    ):
        begun = time.process_time()

        def tell() -> None:
            count.cpu_s = time.process_time() - begun
            keep_count(count, work / LATEST)

        def one(data: bytes) -> None:
            count.tried += 1
            before = time.process_time()
            try:
                count.accepted += take(data)
                if (took := time.process_time() - before) > LONGEST_S:
                    raise Broken(f"took {took:.1f} s")
            except Exception as error:
                where = place(error)
                if where not in count.crashes:
                    count.crashes[where] = f"{type(error).__name__}: {error}"[:300]
                    print(f"CRASH {where}: {error}", flush=True)
                    stem = hashlib.sha256(data).hexdigest()[:16]
                    (found / stem).write_bytes(data)
                    (found / f"{stem}.txt").write_text("".join(traceback.format_exception(error)), "utf-8")
                    tell()
            if count.tried % 200 == 0:
                tell()
                if count.cpu_s > seconds or resident_mb() > AFRESH_MB:
                    leave(Path(scratch))

        def mutate(data: bytes, most: int, seed: int) -> bytes:
            rng = random.Random(seed)
            data = rng.choice(seeds) if rng.random() < AFRESH else data
            if not target.text or rng.random() < BLIND:
                return bytes(atheris.Mutate(data, most))
            return mutated(data, target.words, rng)[:most]

        options = [
            f"-max_len={MOST_BYTES}",
            f"-timeout={HANGS_S}",
            f"-rss_limit_mb={MOST_MB}",
            "-len_control=0",
        ]
        options += [f"-dict={words}", f"-artifact_prefix={found}/", "-mutate_depth=1"]
        atheris.Setup([sys.argv[0], *options, str(work / "inputs")], one, custom_mutator=mutate)
        atheris.Fuzz()
    return 0


def resident_mb() -> float:
    """Memory that this process has now."""
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def leave(scratch: Path) -> None:
    """End now: the fuzzer's loop has no end of its own that leaves the count written."""
    import shutil

    shutil.rmtree(scratch, ignore_errors=True)
    os._exit(0)


def place(error: BaseException) -> str:
    """Where in the program an error came from: the innermost line of ours, or of the target's check."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [
        frame for frame in frames if "/site-packages/" not in frame.filename and str(ROOT) in frame.filename
    ]
    inner = (ours or frames)[-1]
    return f"{type(error).__name__} at {Path(inner.filename).name}:{inner.lineno}"


def keep(name: str, work: Path) -> None:
    """Put some of what reached new lines of the program into the corpus, by lot, honest ones left out."""
    from tests.fuzzing.targets import TARGETS

    found = {path.read_bytes() for path in (work / "inputs").iterdir()} - set(TARGETS[name].seeds())
    CORPUS.mkdir(exist_ok=True)
    lines, room = [], KEPT_BYTES
    for data in sorted(found, key=lambda data: hashlib.sha256(data).digest()):
        line = repr(data) + "\n"
        if len(line) <= room and len(lines) < KEPT:
            room -= len(line)
            lines.append(line)
    (CORPUS / f"{name}.txt").write_text("".join(lines), "ascii")


def report(counts: dict[str, Count], targets: dict) -> Iterator[str]:
    """The result in Markdown."""
    yield "# Bad input, counted"
    yield ""
    yield (
        f"Made by `python tests/fuzzing/run.py` on Python {platform.python_version()}, {platform.machine()}, "
        f"atheris {version('atheris')}. Minutes are of processor time, of all runs that add up. A crash is a "
        "traceback, a hang, a wrong exit status, a message that is not one clear line, or something "
        "half-written."
    )
    yield ""
    rows = (
        (
            targets[name].what,
            thousands(one.tried),
            thousands(one.accepted),
            f"{one.cpu_s / 60:.1f}",
            len(one.crashes),
        )
        for name, one in counts.items()
    )
    yield from table("what is read|inputs tried|accepted|minutes|crashes", rows)


def thousands(n: int) -> str:
    """A number in groups of three."""
    return f"{n:,}".replace(",", " ")


if __name__ == "__main__":
    sys.exit(main())
