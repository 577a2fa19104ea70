"""Where in its program the machine is: the known cycle laid over what was heard, as it fits best.

The times at which a program brings the drill into the work and out of it are known to some hundredths of a
second once a few blanks were heard (`monitor.schedule`); unknown is only when it began. Each stretch of
cutting sound has two edges. An edge is one of the program's, dated to about a hop, or of another sound, which
begins and ends at any time; and where the program drills it sounds. The offset of greatest likelihood is
sought among those that put an edge heard lately upon one of the program's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

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


class Run(NamedTuple):
    """A stretch of cutting sound, s; ``end_s`` is inf while it goes on."""

    start_s: float
    end_s: float


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
