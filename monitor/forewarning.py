"""What the ear will miss with this baseline and this job, to be told before the batch, and how to mend it.

Where little of the machine is heard, or two of its speeds are nearly one, nothing goes wrong at once: binds
are told late or never, pecks are counted wrong. A person can mend it while nothing turns.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.baseline import Baseline
from monitor.job import Job
from monitor.quantities import format_speed
from monitor.signal.audibility import Audibility, audibility

LEAST_LINES, ENOUGH_LINES = 2, 3
"""Heard at the drilling speed: one line is any tone, and two may be another pair. Of the binds and stalls of
twenty drawn machines (5000 to 5019) that kept one to six of their lines or all, at line SNRs of 10, 0 and
-10 dB, 8 of 65 were told in time with one line or none, 48 of 157 with two, and 209 of 355 with more."""

LEAST_RESERVE_DB, ENOUGH_RESERVE_DB = 4.0, 8.0
"""So much the noise may rise before the lines are drowned. The cuts of those machines were 2 dB fainter to
15 dB louder than the machine running free. Told in time: under 4 dB 52 of 247, from there to 8 dB 26 of 51,
and from 8 dB on, with three lines and more, 169 of 247."""

USUAL_CUT_DB = 10
"""A cut over the machine running free (common practice, no published source)."""

SPOT_APART = 0.05
"""As a fraction of the drill's speed. Of ten drawn machines at other speeds of the centre drill three counted
pecks wrong where it was the drill's, four where it was 1.5 % less, and one at most, as without a centre
drill, where it was 3 to 8 % off; two marks of a dial err by 1 or 2 % against each other (common practice)."""

_LINES = "no line", "only one line", "only two lines"


@dataclass(frozen=True)
class Forewarning:
    """What is so, and how to mend it, without last stops; ``grave`` where most binds would be missed."""

    grave: bool
    what: str
    mend: str


def of_hearing(heard: Audibility) -> Forewarning | None:
    """Whether too little of the machine is heard at a speed to tell a bind in time."""
    few, faint = heard.lines < ENOUGH_LINES, not heard.reserve_db >= ENOUGH_RESERVE_DB
    if not (few or faint):
        return None
    grave = heard.lines < LEAST_LINES or not heard.reserve_db >= LEAST_RESERVE_DB
    if heard.lines < LEAST_LINES or not faint:
        what = f"{_LINES[heard.lines]} of the spindle {'are' if heard.lines == 2 else 'is'} heard"
    elif math.isnan(heard.reserve_db):
        what = "the spindle's lines are so faint that any cut drowns them"
    else:
        louder = f"{heard.reserve_db + 1:.0f} dB louder than the machine running free"
        what = f"a cut {louder} drowns the spindle's lines, and {USUAL_CUT_DB} dB are usual"
    late = "four in five" if grave else "half"
    return Forewarning(
        grave,
        f"at {format_speed(heard.rpm)} {what}: so {late} of all binds and stalls are told late or never, a "
        "third where a machine is heard well (measured on synthetic machines)",
        "With the spindle stopped move the microphone nearer to the headstock, away from other sound, or, "
        "where no nearer place helps, fasten a contact microphone to it, and learn the baseline again",
    )


def of_speeds(job: Job) -> Forewarning | None:
    """Whether the centre drill's speed is too near the drill's to be told from it."""
    if job.spot_rpm is None or abs(job.spot_rpm / job.spindle_rpm - 1) >= SPOT_APART:
        return None
    both = f"the centre drill's {format_speed(job.spot_rpm)} and the drill's {format_speed(job.spindle_rpm)}"
    apart = f"{100 * SPOT_APART:g} %"
    return Forewarning(
        False,
        f"{both} are less than {apart} apart: which is which is told by their turn and length alone, and "
        "where other sound hides the centre drill a first peck may be taken for it",
        f"Set the program and spindle.spot_speed {apart} or more off the drilling speed",
    )


def forewarnings(baseline: Baseline, job: Job, fs: float) -> list[Forewarning]:
    """All that this baseline and this job ask too much of the ear, at a microphone's sample rate in Hz."""
    speeds = (job.spindle_rpm,) if job.spot_rpm is None else (job.spindle_rpm, job.spot_rpm)
    found = of_hearing(audibility(baseline, speeds, fs)), of_speeds(job)
    return [one for one in found if one]
