"""Where in its program the machine is: the known cycle laid over what was heard, as it fits best.

The times at which a program brings the drill into the work and out of it are known to some hundredths of a
second once a few blanks were heard (`monitor.schedule`); unknown is only when it began. Each stretch of
cutting sound has two edges. An edge is one of the program's, dated to about a hop, or of another sound, which
begins and ends at any time; and where the program drills it sounds. The offset of greatest likelihood is
sought among those that put an edge heard lately upon one of the program's.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from monitor.schedule import Schedule

EDGE_SD_S = 0.1
"""Deviation of an edge: dated to a hop or two, and the times of a cycle add up to as much."""

EDGE_NATS = 4.0
"""An edge at its time over one of another sound, which comes once in some ten seconds:
log(1 / (sqrt(2 pi) 0.1 s) * 10 s) = 3.7 nats."""

UNHEARD_NATS_S, UNHEARD_MOST, LULL_S = 20.0, 8.0, 0.2
"""A drill that is in is heard: nats against a program that should drill in silence, a second of it beyond a
lull, and of one peck at most, for its drill may be broken."""

SURE_NATS, APART_S = 3.0, 0.5
"""So much likelier than any other offset, farther off than this, and than that the program does not run."""

RECENT_RUNS, CANDIDATE_RUNS = 6, 3
"""Stretches of sound that are looked at, and whose edges may be the program's."""


OFF_S = 0.3
"""What goes on for so long after the program drew the drill out, or began so long before it brought it back,
is another sound: four deviations of the dating."""


class Run(NamedTuple):
    """A stretch of cutting sound, s; ``end_s`` is inf while it goes on."""

    start_s: float
    end_s: float


@dataclass(slots=True)
class Alignment:
    """Where in its program the machine is, as far as this blank tells.

    ``runs`` are what sounded like
    cuts in this blank, ``run_s`` since when one goes on, NaN between. The program made its first contact no
    earlier than ``since_s``, and at ``zero_s``, NaN where that is not known. ``goes_on``: another sound does,
    whether the drill is in or out; ``reckoned``: one hid boundaries, which the program dates;
    ``off_program``: the machine does not run it. ``hidden`` are pecks under that sound that ended by
    reckoning, and when.
    """

    runs: list[Run] = field(default_factory=list)
    run_s: float = math.nan
    since_s: float = -math.inf
    zero_s: float = math.nan
    goes_on: bool = False
    reckoned: bool = False
    off_program: bool = False
    hidden: list[tuple[int, float]] = field(default_factory=list)

    @property
    def out_of_step(self) -> bool:
        """Whether boundaries were reckoned, and what was heard since does not agree."""
        return self.reckoned and self.zero_s != self.zero_s


def align(alignment: Alignment, schedule: Schedule, now_s: float) -> None:
    """Seek anew when the program's first contact was, where its times are known."""
    if schedule.retracts_s and not alignment.off_program:
        alignment.zero_s = zero_of(
            schedule.contacts_s, schedule.retracts_s, alignment.runs, alignment.since_s, now_s
        )


def retract_s(alignment: Alignment, schedule: Schedule, contact_s: float) -> float:
    """When the program draws the drill out of a peck that began at ``contact_s``; inf where that is not
    known."""
    zero_s = alignment.zero_s
    k = bisect_right(schedule.contacts_s, contact_s + OFF_S - zero_s) - 1
    if zero_s != zero_s or k < 0:
        return math.inf
    due_s = zero_s + schedule.retracts_s[k]
    return due_s if due_s > contact_s else math.inf


def dated_contact_s(alignment: Alignment, schedule: Schedule, onset_s: float, now_s: float) -> float:
    """When the drill made contact in a sound that began at ``onset_s`` and goes on: then, or, where it began
    before the program brings the drill back, as that does; NaN where the program has the drill out now."""
    zero_s, contacts_s, retracts_s = alignment.zero_s, schedule.contacts_s, schedule.retracts_s
    if zero_s != zero_s:
        return onset_s
    k = bisect_right(contacts_s, now_s - zero_s) - 1
    if k < 0:
        return onset_s
    if now_s >= zero_s + retracts_s[k]:  # in the gap after peck k
        last = k == len(retracts_s) - 1
        free_s = retracts_s[k] + OFF_S if last else contacts_s[k + 1] - OFF_S
        return math.nan if onset_s < zero_s + free_s else onset_s
    return zero_s + contacts_s[k] if onset_s < zero_s + contacts_s[k] - OFF_S else onset_s


def zero_of(
    contacts_s: Sequence[float],
    retracts_s: Sequence[float],
    runs: Sequence[Run],
    since_s: float,
    now_s: float,
) -> float:
    """When the program's first contact was, NaN where that is not sure.

    Parameters
    ----------
    contacts_s, retracts_s : shape (n,)
        When each peck begins and ends, from the first contact.
    runs : in order
        What sounded like cuts.
    since_s, now_s : float
        The program began no earlier than the one; nothing is known beyond the other.

    Returns
    -------
    float, s
    """
    n = len(retracts_s)
    first_s = since_s if len(runs) <= RECENT_RUNS else runs[-RECENT_RUNS].start_s
    runs = runs[-RECENT_RUNS:]
    if not n or not runs:
        return math.nan
    into, out = np.asarray(contacts_s[:n]), np.asarray(retracts_s)
    begins, ends = np.asarray(runs).T
    tried = begins[-CANDIDATE_RUNS:], ends[-CANDIDATE_RUNS:]
    zeros = np.concatenate([(tried[0][:, None] - into).ravel(), (tried[1][:, None] - out).ravel()])
    zeros = zeros[np.isfinite(zeros) & (zeros >= since_s)]
    if not zeros.size:
        return math.nan
    into, out = zeros[:, None] + into, zeros[:, None] + out
    off_in = np.abs(begins[:, None] - into[:, None, :]).min(axis=2)
    off_out = np.abs(ends[:, None] - out[:, None, :]).min(axis=2)
    nats = sum(
        np.maximum(EDGE_NATS - 0.5 * np.square(off / EDGE_SD_S), 0.0).sum(axis=1) for off in (off_in, off_out)
    )
    into, out = np.clip(into, first_s, now_s), np.clip(out, first_s, now_s)
    heard = np.minimum(out[:, None, :], ends[:, None]) - np.maximum(into[:, None, :], begins[:, None])
    unheard = out - into - np.maximum(heard, 0.0).sum(axis=1)
    nats -= np.minimum(UNHEARD_NATS_S * np.maximum(unheard - LULL_S, 0.0), UNHEARD_MOST).sum(axis=1)
    best = int(nats.argmax())
    others = nats[np.abs(zeros - zeros[best]) > APART_S]
    if nats[best] - max(0.0, float(others.max(initial=0.0))) < SURE_NATS:
        return math.nan
    near = np.abs(zeros - zeros[best]) <= 2 * EDGE_SD_S
    weights = np.exp(nats[near] - nats[best])
    return float((weights * zeros[near]).sum() / weights.sum())
