"""The second bench's results as Markdown."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from statistics import median
from textwrap import wrap

from tests.listening.report import rate, share
from tests.markdown import table
from tests.second_bench.judge import DEADLINES, FAULTLESS, Result
from tests.second_bench.scene import FAULTS, SCORING_FROM


def report(results: Sequence[Result], command: str, versions: str) -> Iterator[str]:
    """The whole report, line by line."""
    for line in _report(results, command, versions):
        prose = len(line) > 110 and not line.startswith("|")
        yield from wrap(line, 110, break_long_words=False, break_on_hyphens=False) if prose else [line]


def _report(results: Sequence[Result], command: str, versions: str) -> Iterator[str]:
    seeds = [r["seed"] for r in results]
    split = "scored, never looked at one by one" if min(seeds) >= SCORING_FROM else "MAY BE LOOKED AT"
    yield "# The ear on a second bench, written apart"
    yield ""
    yield f"Made by `{command}` with {versions}, commit (fill in). Everything is synthetic."
    yield ""
    yield (
        f"Seeds {min(seeds)} to {max(seeds)}: {split}. The bench was written from the design's text and the "
        "physics alone, by somebody who had not read the rules or the other synthesizer; few cases a kind, "
        "so read the intervals (95 %). Line SNR is the power of all spindle lines over the machine's noise "
        "from 100 Hz to 6 kHz, running free, dry; cuts are 5 dB under to 15 dB over lines and noise "
        "together. In six scenes of ten other sound fills a fifth of the time, 10 dB under to 8 dB over the "
        "idling machine."
    )
    faulty = [r for r in results if r["kind"] != FAULTLESS]
    if faulty:
        yield ""
        yield from _faults(faulty)
    yield ""
    yield from _clean([r for r in results if not r["refused"]])
    refused = Counter(r["refused"][:70] for r in results if r["refused"])
    yield ""
    yield (
        f"{sum(refused.values())} of {len(results)} machines were refused from the baseline on and are not "
        "counted" + "".join(f"; {text} {n}" for text, n in refused.most_common()) + "."
    )
    hours = sum(r["duration"] for r in results) / 3600
    cpu_s = sum(r["cpu_s"] for r in results)
    yield (
        f"{len(results)} cases, {hours:.1f} simulated hours, {cpu_s:.0f} s of processor time to learn and "
        "listen (drawing not counted)."
    )


def _faults(results: Sequence[Result]) -> Iterator[str]:
    yield "## Faults"
    yield ""
    yield "In time means told by the deadline:"
    yield ""
    kinds = [kind for kind in FAULTS if any(r["kind"] == kind for r in results)]
    for kind in kinds:
        yield f"- `{kind}`: {DEADLINES[kind]}."
    yield ""
    yield (
        "Audible: an ear that knows the fault's spectrum would have a detectability d' of 6 or more by the "
        "deadline, from the dry sounds, and the fault is fully grown by then. That flatters the knock of a "
        "loosening, which room and microphone smear. Any hold in time: a hold of whatever kind since the "
        "onset. Every scene ends 4 s after its deadline."
    )
    yield ""
    heard = [r for r in results if not r["refused"]]
    rows = [(kind, *_row([r for r in heard if r["kind"] == kind])) for kind in kinds]
    yield from table(
        "fault | in time / cases | share | audible ones | 10 dB | 3 dB | told late | any hold in time "
        "| median told after deadline | after onset",
        [*rows, ("all", *_row(heard))],
    )


def _row(some: Sequence[Result]) -> tuple[object, ...]:
    told = [r for r in some if r["told"] is not None]
    return (
        _count(some),
        share(sum(r["in_time"] for r in some), len(some)),
        _count([r for r in some if r["audible"]]),
        _count([r for r in some if r["snr_db"] == 10.0]),
        _count([r for r in some if r["snr_db"] == 3.0]),
        sum(not r["in_time"] for r in told),
        _count(some, "any_hold_in_time"),
        _seconds([r["told"] - r["deadline"] for r in told]),
        _seconds([r["told"] - r["onset"] for r in told]),
    )


def _count(some: Sequence[Result], what: str = "in_time") -> str:
    return f"{sum(bool(r[what]) for r in some)} / {len(some)}"


def _seconds(values: Sequence[float]) -> str:
    return f"{median(values):+.2f} s" if values else "none"


def _clean(results: Sequence[Result]) -> Iterator[str]:
    """False alarms in faultless batches and before a fault; how pecks and blanks were followed."""
    good = [r for r in results if r["kind"] == FAULTLESS]
    parts = {
        "faultless batches": good,
        "before a fault": [r for r in results if r["kind"] != FAULTLESS],
        "all of it, no other sound in the scene": [r for r in results if not r["backgrounds"]],
        "all of it, other sound in the scene": [r for r in results if r["backgrounds"]],
    }
    yield "## Work without a fault"
    yield ""
    yield (
        "An alarm of sag is not called false where the true speed was 3.5 % (warning) or 7.5 % (hold) below "
        "the fastest that it ran free in the last 10 s. Alarms an hour:"
    )
    yield ""
    yield from table(
        "sound | scenes | hours | false holds | an hour | by kind | false warnings | an hour | by kind",
        [(name, *_alarms(some)) for name, some in parts.items() if some],
    )
    if good:
        matched, true, heard = (
            sum(r[key] for r in good) for key in ("pecks_matched", "pecks_true", "pecks_heard")
        )
        f1 = 2 * matched / (true + heard) if true + heard else math.nan
        yield ""
        yield (
            f"Pecks: F1 {f1:.3f} ({matched} matched of {true} true, {heard} heard). Blanks exact, each "
            f"under a number of its own: {_count(good, 'blanks_exact')} batches."
        )


def _alarms(some: Sequence[Result]) -> tuple[object, ...]:
    hours = sum(r["clean_s"] for r in some) / 3600
    cells: list[object] = [len(some), f"{hours:.2f}"]
    for what in ("false_holds", "false_warnings"):
        kinds = Counter(event["kind"] for r in some for event in r[what])
        total = sum(kinds.values())
        named = ", ".join(f"{kind} {n} ({n / hours:.1f} an hour)" for kind, n in kinds.most_common())
        cells += [total, rate(total, hours), named or "none"]
    return tuple(cells)
