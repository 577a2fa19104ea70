"""A drawn scene heard through the whole chain, and what was told against what is true.

The design says what a fault does and how the hands react, hardly in how many seconds. `DEADLINES` are this
bench's own reading of it: by kind stricter or looser than the other bench's (`tests/listening`).
"""

from __future__ import annotations

import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from monitor.errors import InputError
from monitor.job import load_job
from monitor.listener import Listener
from monitor.signal.orders import FreeRun, learn_baseline
from tests.second_bench.scene import SCORING_FROM, Machine, Scene, Truth, Work

FAULTLESS = "faultless"

DEADLINES = {
    "bind": "hold (sag or stall) within 0.5 s of the true sag reaching 8 %",
    "stall": "hold (stall or sag) within 1 s of the true speed falling under half",
    "packing": "warning or hold (packing or sag) within 0.5 s of a true sag of 8 % or a load 2.5 times a "
    "good peck's",
    "melting": "hold within 4 s of cutting from the crackle being down to a fifth",
    "chatter": "warning or hold within 2 s of cutting from the line being within 10 dB of its final level",
    "loosening": "hold within 4 s of work from the knock being within 10 dB of its final level",
    "lost_cut": "hold within 1 s of the end of the first peck that is missing entirely",
    "mic_fault": "hold within 1.5 s of the loss, 3 s where the microphone was unplugged",
}

WANTED: dict[str, tuple[tuple[str, ...], bool]] = {
    "bind": (("sag", "stall"), False),
    "stall": (("stall", "sag"), False),
    "packing": (("packing", "sag"), True),
    "melting": (("melting",), False),
    "chatter": (("chatter",), True),
    "loosening": (("loosening",), False),
    "lost_cut": (("lost_cut",), False),
    "mic_fault": (("mic_fault",), False),
}
"""Of each fault: the kinds of alarm that tell it, and whether a warning is enough."""

EARNED_SAG = {"warning": 0.035, "hold": 0.075}
"""True sag from which an alarm of sag is right: half a per cent under the thresholds."""

Result = dict[str, Any]
"""What a case came to, as it is kept: a line of JSON."""


@dataclass(frozen=True)
class Heard:
    """What was told of one scene."""

    events: list[dict[str, Any]]
    pecks: list[tuple[float, float, int]]  # start, end (s), blank
    refused: str = ""
    cpu_s: float = 0.0


def judge_case(scene: Scene, seed: int) -> Result:
    """The scene heard, and judged."""
    return judge(scene, listen(scene), seed)


def job_text(work: Work) -> str:
    """The job file, with nothing that a machinist would not write."""
    spot = f'spot_speed = "{work.spot_rpm:g} rpm"\n' if work.spot else ""
    pecks = ", ".join(f'"{p} mm"' for p in work.pecks)
    return (
        f'[job]\nname = "second bench"\nblanks = {work.blanks}\nmaterial = "{work.material}"\n'
        f'[spindle]\nspeed = "{work.rpm:g} rpm"\n{spot}'
        f'[drill]\ndiameter = "{work.diameter} mm"\nflutes = {work.flutes}\n'
        f'flute_length = "{round(10 * work.diameter)} mm"\nfeed = "{work.feed} mm/rev"\n'
        f'[hole]\ndepth = "{round(sum(work.pecks), 1)} mm"\npecks = [{pecks}]\n'
    )


def listen(scene: Scene) -> Heard:
    """Learn the machine from its free runs, then hear the batch in blocks of a second."""
    begun = time.process_time()
    fs = scene.work.fs
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "job.toml"
        path.write_text(job_text(scene.work), encoding="utf-8")
        job = load_job(path)
    try:
        free = [FreeRun(rpm, x.astype(float), fs) for rpm, x in scene.free]
        listener = Listener(learn_baseline(free, "2026-01-01T00:00:00"), job, fs)
    except InputError as error:
        return Heard([], [], f"{type(error).__name__}: {error}")
    block = int(fs)
    parts = [
        *(listener.feed(scene.x[k : k + block].astype(float)) for k in range(0, scene.x.size, block)),
        listener.finish(),
    ]
    events = [
        {
            "t": round(event.t, 2),
            "kind": str(getattr(event.kind, "value", event.kind)),
            "severity": event.severity.value,
            "message": event.message,
        }
        for part in parts
        for event in part.events
    ]
    pecks = [(round(p.start_s, 2), round(p.end_s, 2), p.blank) for part in parts for p in part.pecks]
    return Heard(events, pecks, cpu_s=time.process_time() - begun)


def match_pecks(truth: Truth, heard: Heard) -> list[tuple[int, int]]:
    """Pairs (true, heard) that overlap by more than half of their union, one to one."""
    pairs: list[tuple[int, int]] = []
    used: set[int] = set()
    for i, (a, b, _) in enumerate(truth.pecks):
        for j, (c, d, _) in enumerate(heard.pecks):
            if j not in used and min(b, d) - max(a, c) > 0.5 * (max(b, d) - min(a, c)):
                pairs.append((i, j))
                used.add(j)
                break
    return pairs


def blanks_exact(truth: Truth, heard: Heard, pairs: list[tuple[int, int]]) -> bool:
    """As many blanks as there were, and each true blank's pecks under one number of its own."""
    names: dict[int, set[int]] = {}
    for i, j in pairs:
        names.setdefault(truth.pecks[i][2], set()).add(heard.pecks[j][2])
    numbers = {next(iter(some)) for some in names.values()}
    return (
        _started(heard) == len(truth.blanks)
        and all(len(some) == 1 for some in names.values())
        and len(numbers) == len(truth.blanks)
    )


def _started(heard: Heard) -> int:
    return sum(event["kind"] == "blank_start" for event in heard.events)


def earned(event: dict[str, Any], truth: Truth) -> bool:
    """Whether the true speed deserved this alarm of sag."""
    return event["kind"] == "sag" and truth.sag_before(event["t"]) >= EARNED_SAG[event["severity"]]


def judge(scene: Scene, heard: Heard, seed: int) -> Result:
    """What was told against the truth; alarms before the onset are false unless earned."""
    truth = scene.truth
    alarms = [event for event in heard.events if event["severity"] in ("warning", "hold")]
    onset = truth.onset if np.isfinite(truth.onset) else np.inf
    for event in alarms:
        event["true_sag_pct"] = round(100 * truth.sag_before(event["t"]), 1)
    false = [event for event in alarms if event["t"] < onset and not earned(event, truth)]
    result: Result = {
        "kind": truth.kind,
        "seed": seed,
        "snr_db": round(scene.machine.snr_db, 1),
        "refused": heard.refused,
        "duration": round(truth.duration, 1),
        "clean_s": round(min(onset, truth.duration), 1),
        "false_holds": [event for event in false if event["severity"] == "hold"],
        "false_warnings": [event for event in false if event["severity"] == "warning"],
        "machine": describe(scene.machine, scene.work),
        "baseline_rpms": scene.work.baseline_rpms,
        "backgrounds": truth.backgrounds,
        "cpu_s": round(heard.cpu_s, 2),
        "level_dbfs": round(float(20 * np.log10(np.std(scene.x) + 1e-9)), 1),
    }
    if truth.kind == FAULTLESS:
        return result | _followed(truth, heard, seed)
    return result | _told(truth, [event for event in alarms if event["t"] >= onset])


def _followed(truth: Truth, heard: Heard, seed: int) -> Result:
    """How the pecks and blanks of faultless work were followed."""
    pairs = match_pecks(truth, heard)
    result: Result = {
        "pecks_true": len(truth.pecks),
        "pecks_heard": len(heard.pecks),
        "pecks_matched": len(pairs),
        "blanks_true": len(truth.blanks),
        "blanks_started": _started(heard),
        "blanks_exact": blanks_exact(truth, heard, pairs),
    }
    if seed < SCORING_FROM:
        result["true_pecks"] = [[round(float(v), 2) for v in peck] for peck in truth.pecks]
        result["heard_pecks"] = heard.pecks
    return result


def _told(truth: Truth, after: list[dict[str, Any]]) -> Result:
    """Whether the fault was told, from the alarms since its onset."""
    kinds, warning_enough = WANTED[truth.kind]
    right = [
        event["t"]
        for event in after
        if event["kind"] in kinds and (event["severity"] == "hold" or warning_enough)
    ]
    holds = [event["t"] for event in after if event["severity"] == "hold"]
    return {
        "detail": truth.detail,
        "onset": round(truth.onset, 2),
        "deadline": round(truth.deadline, 2),
        "audible": bool(truth.audible),
        "detectability": round(float(min(truth.detectability, 1e4)), 1),
        "told": right[0] if right else None,
        "in_time": bool(right) and right[0] <= truth.deadline,
        "any_hold_in_time": bool(holds) and holds[0] <= truth.deadline,
        "after": [[event["t"], event["kind"], event["severity"]] for event in after],
    }


def describe(m: Machine, w: Work) -> str:
    """The machine and its work in a line."""
    return (
        f"{m.drive}, {w.rpm:g} rpm, lines {m.snr_db:.0f} dB, sag {100 * m.full_sag:.1f} %, wander "
        f"{100 * m.wander:.1f} %, {w.material}, {w.diameter} mm, {w.flutes} lips, cut {w.cut_db:+.0f} dB, "
        f"{w.mic} {w.fs:g} Hz{f', spot {w.spot_rpm:g} rpm' if w.spot else ''}"
        f"{', chip break' if w.chip_break else ''}{', stops' if w.stops else ', runs on'}"
    )
