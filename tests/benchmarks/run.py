"""Measure everything and write the table: ``python tests/benchmarks/run.py [--quick] [--output FILE]``.

The full run takes some twelve minutes on two cores, ``--quick`` one to two. Timings are meant
for an otherwise idle computer; they are printed with a yardstick of the same run.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)  # instead of this folder: modules are named from the root
    # One thread in each process; numpy reads this when it is first imported.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np  # noqa: E402

from tests.benchmarks import accuracy, behaviour, comparison, cost  # noqa: E402
from tests.markdown import table  # noqa: E402

SNRS = (20, 10, 6, 3, 0, -3, -6, -10, -15, -20)


def main() -> int:
    """Print each section as it is measured, then write the file."""
    parser = argparse.ArgumentParser(description="Measure accuracy, delay, false holds and cost.")
    parser.add_argument("--quick", action="store_true", help="few draws: does it work, roughly how well")
    parser.add_argument(
        "--jobs", type=int, default=os.cpu_count() or 1, help="processes (default: all cores)"
    )
    parser.add_argument("--output", type=Path, help="write the Markdown here as well")
    args = parser.parse_args()
    command = "python tests/benchmarks/run.py" + (" --quick" if args.quick else "")
    written: list[str] = []
    for line in report(args.quick, args.jobs, command):
        print(line, flush=True)
        written.append(line)
    if args.output:
        args.output.write_text("\n".join(written) + "\n", encoding="utf-8")
    return 0


def report(quick: bool, jobs: int, command: str) -> Iterator[str]:
    """The whole report, line by line."""
    yield "# Benchmarks"
    yield ""
    yield f"Made by `{command}` on Python {platform.python_version()}, numpy {np.__version__}, "
    yield f"{platform.machine()}, {os.cpu_count()} cores. Seeds are fixed; signals are synthetic."
    with ProcessPoolExecutor(jobs) as pool:
        spread: Spread = lambda function, items: pool.map(function, items)  # noqa: E731
        for section in (_cost, _white, _coloured, _search, _ramps, _bindings, _faultless, _comparison):
            yield ""
            yield from section(quick, spread)


Spread = Callable[[Callable, Iterable], Iterable]


def _cost(quick: bool, spread: Spread) -> Iterator[str]:
    """Measured first and alone, before the pool is busy."""
    replays = [cost.replay(minutes) for minutes in ((2, 6) if quick else (6, 20, 60))]
    hop = cost.streaming(10 if quick else 60)
    yield "## Cost, 48 kHz mono on one core"
    yield ""
    yield "Replay reads the file, analyses it and writes the evidence. Targets: 300 times real time, under"
    yield "200 MB and flat, under 1 ms a hop. Start-up is loading Python and its libraries. Times are"
    yield "processor time where the clock is not named; a hop is 50 ms of sound."
    yield ""
    yield from table(
        "minutes | times real time | with start-up | by the clock, with start-up | start-up, s | us a hop",
        (
            (
                f"{r.minutes:.0f}",
                f"{r.factor_cpu:.0f}",
                f"{r.factor_whole:.0f}",
                f"{r.factor_wall:.0f}",
                f"{r.load_s:.2f}",
                f"{50_000 / r.factor_cpu:.0f}",
            )
            for r in replays
        ),
    )
    yield ""
    yield "Memory of the same replays:"
    yield ""
    yield from table(
        "minutes | after loading, MB | peak, MB",
        ((f"{r.minutes:.0f}", f"{r.loaded_mb:.0f}", f"{r.peak_mb:.0f}") for r in replays),
    )
    yield ""
    yield (
        f"Streaming, one 50 ms block at a time: median {hop.median_ms:.2f} ms, 99th percentile"
        f" {hop.p99_ms:.2f} ms of processor time over {hop.hops} blocks;"
        f" a 4800-point real FFT beside it took {hop.yardstick_us:.0f} us, so a block costs"
        f" {1000 * hop.median_ms / hop.yardstick_us:.0f} of them."
    )


def _accuracy_rows(found: Iterable[accuracy.Accuracy]) -> Iterator[tuple[str, ...]]:
    for a in found:
        yield (
            f"{a.snr_db:+.0f}", _finite(a.ratio), _finite(a.ratio_inliers), f"{100 * a.outliers:.1f} %",
            f"{a.bound_pct:.4f} %", str(a.draws),
        )  # fmt: skip


def _standard_error(draws: int) -> str:
    return f"Standard error of a ratio: {100 / np.sqrt(2 * draws):.1f} %."  # of an RMS of normal errors


def _finite(value: float) -> str:
    return f"{value:.2f}" if np.isfinite(value) else "none"  # some draws gave no answer


ACCURACY = "SNR, dB | RMSE / bound | without outliers | outliers | bound (median, of speed) | draws"


def _white(quick: bool, spread: Spread) -> Iterator[str]:
    yield "## Speed error over the Cramer-Rao bound: five known lines, 0.2 s, white noise"
    yield ""
    yield "Random orders, levels, phases and speeds; SNR over the full band (6 kHz). Refinement from a guess"
    yield "up to 0.3 % off. An outlier is an error over 0.5 % of speed. Target: 1.1 from +10 to -6 dB."
    draws = 200 if quick else 2000
    yield f"{_standard_error(draws)} At +20 dB the lines' leakage into each other"
    yield "alone gives 0.9 of the bound (0.3 at +10 dB)."
    yield ""
    yield from table(ACCURACY, _accuracy_rows(spread(Each(accuracy.white, draws), SNRS)))


def _coloured(quick: bool, spread: Spread) -> Iterator[str]:
    yield "## The same in coloured noise with mains hum and crackle"
    yield ""
    yield "The bound is that of the noise density at each line; the floor is estimated from the same 0.2 s."
    draws = 100 if quick else 1000
    yield f"Target: 1.5. {_standard_error(draws)}"
    yield ""
    yield from table(ACCURACY, _accuracy_rows(spread(Each(accuracy.coloured, draws), SNRS)))


def _search(quick: bool, spread: Spread) -> Iterator[str]:
    yield "## Search, track and refinement together: where outliers begin"
    yield ""
    yield "Half a second of steady sound; the commanded speed is known within 10 %, the search covers 0.35 to"
    yield "1.25 of it. The reading is for the newest sample, with an unknown rate of change: its bound is 4"
    yield "times the one given (that of the middle of 0.2 s, as above). No answer counts as an outlier."
    draws = 50 if quick else 400
    for title, in_workshop in (("white noise", False), ("hum, crackle, coloured noise", True)):
        yield ""
        yield f"{title}:"
        yield ""
        task = Searched(draws, in_workshop)
        yield from table(ACCURACY, _accuracy_rows(spread(task, SNRS)))


def _ramps(quick: bool, spread: Spread) -> Iterator[str]:
    rates = (20.0, -20.0) if quick else (-20.0, -10.0, -5.0, 5.0, 10.0, 20.0)
    yield "## Ramps: error of speed at the newest sample, 10 dB over 6 kHz"
    yield ""
    yield "Target: bias under 0.2 % at 20 % a second. Every reading after the first 0.2 s of the ramp."
    yield ""
    yield from table(
        "rate, %/s | bias, % | worst bias of a machine, % | 95th percentile of error, % | no answer",
        (
            (f"{r.rate_pct_s:+.0f}", f"{r.bias_pct:+.4f}", f"{r.worst_bias_pct:.4f}", f"{r.p95_pct:.3f}",
             f"{100 * r.unknown:.1f} %")
            for r in spread(Each(behaviour.ramp, 10 if quick else 100), rates)
        ),
    )  # fmt: skip


def _bindings(quick: bool, spread: Spread) -> Iterator[str]:
    found = list(spread(behaviour.binding, range(6 if quick else 60)))
    crossed = [b for b in found if not b.never_8]
    delay = behaviour.delays(crossed)
    yield "## From the true sag at 8 % to the hold: drawn machines, rooms and jobs, line SNR 10 dB"
    yield ""
    yield "The drill binds in the second peck, falling 8 to 40 % a second. Target: under 0.25 s."
    yield ""
    within = np.mean(delay < 0.25)
    quantiles = np.quantile(delay, [0.0, 0.5, 0.9, 1.0], method="higher")
    yield from table(
        "bindings | crossed 8 % | within 0.25 s | first | median | 90 % | last | missed | held before fault",
        [
            (
                len(found), len(crossed), f"{100 * within:.0f} %", *(f"{q:.3f} s" for q in quantiles),
                int(np.isinf(delay).sum()), sum(b.early_hold for b in found),
            )
        ],
    )  # fmt: skip
    slow = [f"seed {b.seed} ({b.motor}, {b.rate_pct_s:.0f} %/s): {b.delay_s:.2f} s" for b in crossed
            if not b.delay_s < 0.25]  # fmt: skip
    if slow:
        yield ""
        yield "Later than 0.25 s, or missed: " + "; ".join(slow) + "."


def _faultless(quick: bool, spread: Spread) -> Iterator[str]:
    # 86 machines work for a little over ten and a half hours
    seeds = range(1000, 1008 if quick else 1086)
    works = list(spread(Each(behaviour.faultless, 4 if quick else 12), seeds))
    hours = sum(w.hours for w in works)
    holds = [(w.seed, kind, t) for w in works for kind, t in w.holds]
    yield "## Faultless work: false holds"
    yield ""
    yield "Drawn machines, each learned from its own free-running sound, line SNR 10 dB. Target: under one"
    yield "hold in 10 h."
    yield ""
    yield from table(
        "machines | hours | holds | machines with holds | holds an hour | blanks heard (true) | pecks heard",
        [
            (
                len(works), f"{hours:.2f}", len(holds), len({seed for seed, _, _ in holds}),
                f"{len(holds) / hours:.2f}",
                f"{sum(w.blanks_heard for w in works)} of {sum(w.blanks_true for w in works)}",
                f"{sum(w.pecks_heard for w in works)} of {sum(w.pecks_true for w in works)}",
            )
        ],
    )  # fmt: skip
    if holds:
        yield ""
        yield "Holds: " + "; ".join(f"seed {seed} {kind} at {t:.1f} s" for seed, kind, t in holds[:30]) + "."


def _comparison(quick: bool, spread: Spread) -> Iterator[str]:
    yield "## Beside what someone would try first"
    yield ""
    yield "Relative speed after a sag of 0 to 12 % against the method's own free-running reading; frames of"
    yield "0.2 s, a reading each 50 ms. The pitch trackers search 20 % either side of the strongest line."
    yield "Times by processor time, same run."
    for kind in comparison.SIGNALS:
        for snr_db in (20.0, 0.0):
            yield ""
            yield f"{kind}, {snr_db:+.0f} dB:"
            yield ""
            yield from table(
                "method | median error | RMS error | errors over 1 % | times real time",
                (
                    (r.method, f"{r.median_pct:.4f} %", f"{r.rms_pct:.3f} %", f"{100 * r.over_1_pct:.0f} %",
                     f"{r.times_real_time:.0f}")
                    for r in comparison.compare(kind, snr_db, 4 if quick else 25)
                ),
            )  # fmt: skip


class Each:
    """``function(item, count)``: a task that can be sent to another process."""

    def __init__(self, function: Callable, count: int) -> None:
        self.function, self.count = function, count

    def __call__(self, item: object) -> object:
        return self.function(item, self.count)


class Searched:
    """One row of the search table."""

    def __init__(self, draws: int, in_workshop: bool) -> None:
        self.draws, self.in_workshop = draws, in_workshop

    def __call__(self, snr_db: float) -> accuracy.Accuracy:
        return accuracy.searched(snr_db, self.draws, self.in_workshop)


if __name__ == "__main__":
    sys.exit(main())
