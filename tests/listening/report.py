"""The scores as Markdown: what was detected, what was told falsely, how the work was followed."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from textwrap import wrap

import numpy as np

from monitor.tuning.intervals import rate_interval, share_interval
from tests.listening.draws import FAULT_KINDS, SCORING_FROM, SNRS_DB
from tests.listening.hearing import LISTENED_ON_S
from tests.listening.quantiles import quantile
from tests.listening.scoring import BY_WARNING, RIGHT, FaultScore, WorkScore
from tests.markdown import table

CONFIDENCE = 0.95  # of every interval printed

Entry = tuple[FaultScore | WorkScore, float]
"""A score and the processor time it took, s."""

DEADLINES = {
    "bind": "hold before the true sag reaches 1.5 times the hold threshold; delays from the true 8 %",
    "stall": "hold within 0.5 s of the true speed falling under half (this bench's own); delays from there",
    "packing": "warning or hold by the end of the peck after the one in which trapped chips first raise the "
    "torque by a quarter over good work; delays from the contact of that one",
    "melting": "warning or hold by the end of the peck after the onset's; delays from the onset",
    "chatter": "warning or hold within 1 s of the true tone standing 12 dB over the noise in 20 Hz around "
    "it; delays from there",
    "loosening": "hold within 1.5 s of the knock passing twice its normal amplitude; delays from there",
    "lost_cut": "hold by the end of the peck after the one in which the cut was lost; delays from the loss",
    "mic_fault": "hold within 0.5 s; delays from the loss",
}

SHOWN = 40  # misses listed one by one


def report(entries: Sequence[Entry], command: str, versions: str) -> Iterator[str]:
    """The whole report, line by line."""
    faults = [score for score, _ in entries if isinstance(score, FaultScore)]
    works = [score for score, _ in entries if isinstance(score, WorkScore)]
    seeds = [score.seed for score, _ in entries]
    split = "scoring" if min(seeds, default=0) >= SCORING_FROM else "TUNING"
    yield "# The ear on machines drawn from seeds"
    yield ""
    yield from _prose(f"Made by `{command}` with {versions}. Everything is synthetic.")
    yield ""
    yield from _prose(
        f"Machine seeds {min(seeds)} to {max(seeds)}: {split} seeds ({SCORING_FROM} and up are for scoring, "
        "below for tuning; no two seeds share a machine, room, microphone or job). Every machine is learned "
        "from its own free-running sound. Line SNR is the power of all spindle lines over the noise from "
        "100 Hz to 6 kHz, running free. Intervals are 95 %."
    )
    if faults:
        yield ""
        yield from _faults(faults)
    if works:
        yield ""
        yield from _works(works)
    if any(score.moved for score, _ in entries):
        yield ""
        yield from _curves(faults, works)
    yield ""
    yield from _cost(entries)


def _prose(text: str) -> list[str]:
    return wrap(text, 110, break_long_words=False, break_on_hyphens=False)


def _by_snr(scores: Sequence[FaultScore | WorkScore]) -> Iterator[tuple[str, list]]:
    for snr_db in SNRS_DB:
        some = [score for score in scores if score.snr_db == snr_db]
        if some:
            yield f"{snr_db:g} dB", some
    if scores:
        yield "all", list(scores)


def share(count: int, of: int) -> str:
    """A share with its Wilson interval."""
    if not of:
        return "none"
    low, high = share_interval(count, of, CONFIDENCE)
    return f"{100 * count / of:.1f} % ({100 * low:.1f} to {100 * high:.1f})"


def rate(count: int, hours: float) -> str:
    """A count an hour with its exact interval."""
    low, high = rate_interval(count, hours, CONFIDENCE)
    return f"{count / hours:.2f} ({low:.2f} to {high:.2f})" if hours else "none"


def _seconds(value: float) -> str:
    return "none" if math.isnan(value) else "never" if math.isinf(value) else f"{value:.2f} s"


# ---- faults ---------------------------------------------------------------------------------------


def _faults(faults: Sequence[FaultScore]) -> Iterator[str]:
    yield "## Faults"
    yield ""
    yield "In time means told by the deadline:"
    yield ""
    for kind in FAULT_KINDS:
        if any(score.kind == kind for score in faults):
            yield f"- `{kind}`: {DEADLINES[kind]}."
    yield ""
    yield from _prose(
        f"What is told more than {LISTENED_ON_S:g} s after the deadline counts as never told. A warning "
        "meets the deadline of packing, melting and chatter only; held in time asks for a hold of the right "
        "kind, any hold for one of whatever kind. Packing told as sag is counted apart, as kin. Wrong kind "
        "first: the first hold after the onset names another cause. Early: a hold before the onset."
    )
    yield ""
    rows = []
    for kind in FAULT_KINDS:
        for snr, every in _by_snr([score for score in faults if score.kind == kind]):
            some = [score for score in every if not score.not_scored]
            rows.append((kind, snr, *_fault_row(some)))
    yield from table(
        "fault | line SNR | cases | in time | held in time | or told as kin | any hold in time "
        "| median delay | 95 % delay | wrong kind first | early holds",
        rows,
    )
    left_out = Counter((s.kind, s.not_scored.split(":")[0]) for s in faults if s.not_scored)
    if left_out:
        yield ""
        yield (
            "Drawn, but with no deadline to meet: "
            + "; ".join(f"{count} {kind} ({why})" for (kind, why), count in sorted(left_out.items()))
            + "."
        )
    yield ""
    yield from _wrong(faults)
    yield from _missed(faults)


def _fault_row(some: list[FaultScore]) -> tuple[object, ...]:
    n = len(some)
    told = [score.told_s for score in some]
    return (
        n, share(sum(s.in_time for s in some), n), _percent(sum(s.held_in_time for s in some), n),
        _percent(sum(s.akin for s in some), n), _percent(sum(s.any_hold for s in some), n),
        _seconds(quantile(told, 0.5)), _seconds(quantile(told, 0.95)),
        sum(s.wrong_first for s in some), sum(bool(s.early) for s in some),
    )  # fmt: skip


def _percent(count: int, of: int) -> str:
    return f"{100 * count / of:.0f} %" if of else "none"


def _wrong(faults: Sequence[FaultScore]) -> Iterator[str]:
    pairs = Counter((s.kind, s.first) for s in faults if s.wrong_first)
    early = Counter(kind for s in faults for kind in s.early)
    if pairs:
        yield (
            "First hold of a wrong kind: "
            + "; ".join(f"{kind} as {first} {count}" for (kind, first), count in pairs.most_common())
            + "."
        )
        yield ""
    if early:
        hours = sum(s.heard_s for s in faults) / 3600
        yield (
            "Holds before the onset, without any background sound: "
            + ", ".join(f"{kind} {count}" for kind, count in early.most_common())
            + f" in {len(faults)} cases ({hours:.1f} h with what followed)."
        )
        yield ""


def _missed(faults: Sequence[FaultScore]) -> Iterator[str]:
    missed = [s for s in faults if not s.not_scored and not s.in_time and s.told_s < math.inf]
    never = [s for s in faults if not s.not_scored and s.told_s == math.inf]
    for title, some in (("Late", missed), ("Never told", never)):
        if some:
            yield f"{title} ({len(some)}; the first {SHOWN} at most):"
            yield ""
            for s in some[:SHOWN]:
                told = "" if s.told_s == math.inf else f", told {s.told_s - s.allowed_s:.2f} s late"
                first = f", first hold {s.first}" if s.first else ""
                yield f"- {s.kind} seed {s.seed} {s.snr_db:g} dB{told}{first}: {s.note}"
            yield ""


# ---- faultless work -------------------------------------------------------------------------------


def _works(works: Sequence[WorkScore]) -> Iterator[str]:
    refused = [w for w in works if not w.heard_s]
    works = [w for w in works if w.heard_s]
    yield "## Faultless work"
    yield ""
    yield from _prose(
        "Background sound (speech, a radio, tools, other machines, weather; 10 dB under to 10 dB over the "
        "idling machine, blows 12 dB less) in a fifth of the time; the gain is turned once on one machine in "
        "ten. Every hold and warning is false. Pecks match where their overlap is half of their union."
    )
    if refused:
        yield f"{len(refused)} machines were refused from the baseline on and are not counted."
    yield ""
    yield from table(
        "line SNR | machines | hours | false holds | an hour | false warnings | an hour | masked (info) "
        "| pecks F1 | recall | precision | median boundary error | 95 % | blanks exact",
        ((snr, *_work_row(some)) for snr, some in _by_snr(works)),
    )
    yield ""
    hours = sum(w.heard_s for w in works) / 3600
    kinds = Counter(kind for w in works for kind, _, _ in w.holds)
    warned = Counter(kind for w in works for kind, _, _ in w.warnings)
    yield from table(
        "kind | false holds | an hour | false warnings | an hour",
        (
            (kind, kinds[kind], rate(kinds[kind], hours), warned[kind], rate(warned[kind], hours))
            for kind in sorted({*kinds, *warned})
        ),
    )
    told = [(w, *hold, "hold") for w in works for hold in w.holds]
    told += [(w, *warning, "warning") for w in works for warning in w.warnings]
    sounds = Counter((severity, sound or "nothing else") for _, _, _, sound, severity in told)
    if told:
        yield ""
        yield (
            "What else was heard then: "
            + "; ".join(
                f"{severity} with {sound} {count}" for (severity, sound), count in sounds.most_common()
            )
            + "."
        )
        yield ""
        for w, kind, t, sound, severity in told[:SHOWN]:
            beside = f", {sound}" if sound else ""
            yield f"- seed {w.seed} {w.snr_db:g} dB: {kind} {severity} at {t:.1f} s{beside}: {w.note}"
    inexact = [w for w in works if w.blanks_true != w.blanks_heard]
    if inexact:
        yield ""
        yield (
            "Blanks not exact: "
            + "; ".join(
                f"seed {w.seed} {w.snr_db:g} dB {w.blanks_heard} of {w.blanks_true}" for w in inexact[:SHOWN]
            )
            + "."
        )


def _work_row(works: list[WorkScore]) -> tuple[object, ...]:
    hours = sum(w.heard_s for w in works) / 3600
    holds, warnings = sum(len(w.holds) for w in works), sum(len(w.warnings) for w in works)
    matched = sum(w.pecks_matched for w in works)
    true, heard = sum(w.pecks_true for w in works), sum(w.pecks_heard for w in works)
    errors = np.concatenate([np.array(w.errors_s, float) for w in works])
    return (
        len(works), f"{hours:.2f}", holds, rate(holds, hours), warnings, rate(warnings, hours),
        sum(w.masked for w in works), f"{2 * matched / max(true + heard, 1):.3f}",
        f"{matched / max(true, 1):.3f}", f"{matched / max(heard, 1):.3f}", _seconds(quantile(errors, 0.5)),
        _seconds(quantile(errors, 0.95)),
        f"{sum(w.blanks_true == w.blanks_heard for w in works)} of {len(works)} machines",
    )  # fmt: skip


# ---- operating curves -----------------------------------------------------------------------------


def _curves(faults: Sequence[FaultScore], works: Sequence[WorkScore]) -> Iterator[str]:
    faults = [s for s in faults if s.moved and not s.not_scored]
    works = [w for w in works if w.moved]
    hours = sum(w.heard_s for w in works) / 3600
    factors = sorted({1.0, *(factor for s in [*faults, *works] for factor, *_ in s.moved)})
    yield "## Operating curves"
    yield ""
    yield from _prose(
        "The same sound judged again with all thresholds times one factor: the two of sag, and that of every "
        "sequential test. What else a rule asks stays as it is; stall and the microphone have no such "
        "threshold. Each cell is the share in time, all line SNRs together, and the false alarms an hour of "
        f"the kinds that count for it, from {hours:.2f} h of faultless work of the same run."
    )
    yield ""
    rows = []
    for kind in FAULT_KINDS:
        some = [s for s in faults if s.kind == kind]
        if some:
            cells = (_point(kind, factor, some, works, hours) for factor in factors)
            rows.append((kind, len(some), *cells))
    yield from table("fault | cases" + "".join(f" | times {factor:g}" for factor in factors), rows)


def _point(
    kind: str, factor: float, some: Sequence[FaultScore], works: Sequence[WorkScore], hours: float
) -> str:
    in_time = sum(s.in_time if factor == 1 else dict(s.moved)[factor] for s in some)
    false = sum(told == one.value for w in works for told in _alarms(w, kind, factor) for one in RIGHT[kind])
    return (
        f"{100 * in_time / len(some):.0f} %, {false / hours:.2f}" if hours else _percent(in_time, len(some))
    )


def _alarms(work: WorkScore, kind: str, factor: float) -> tuple[str, ...]:
    """Kinds of what was told of faultless work, by the alarms that count for this kind of fault."""
    if factor == 1:
        holds = tuple(told for told, _, _ in work.holds)
        warnings = tuple(told for told, _, _ in work.warnings)
    else:
        holds, warnings = next((h, w) for moved, h, w in work.moved if moved == factor)
    return (*holds, *warnings) if kind in BY_WARNING else holds


def _cost(entries: Sequence[Entry]) -> Iterator[str]:
    heard = sum(score.heard_s for score, _ in entries) / 3600
    cpu = sum(cpu_s for _, cpu_s in entries)
    works = [(score.heard_s / 3600, cpu_s) for score, cpu_s in entries if isinstance(score, WorkScore)]
    yield "## Size and cost of this run"
    yield ""
    yield from _prose(
        f"{len(entries)} cases, {heard:.1f} simulated hours heard, {cpu:.0f} s of processor time (baselines, "
        "synthesis and listening)."
    )
    if works and sum(h for h, _ in works):
        an_hour = sum(c for _, c in works) / sum(h for h, _ in works)
        yield from _prose(f"Faultless work cost {an_hour:.0f} s a simulated hour.")
