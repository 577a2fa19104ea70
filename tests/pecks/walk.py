"""A cycle driven by hand: cuts, rests, stops and starts of known times, for the tests beside it."""

import math
from types import SimpleNamespace

import numpy as np

from monitor.cutting import EVIDENCE_MOST
from monitor.job import Job, expand_pecks
from monitor.pecks import follow
from monitor.pecks.cycle import Cycle
from monitor.spindle import SpindleState
from tests.hops import STEP_S, hop, rotation, silent, times

FEED_MM_S = 15 * 0.12  # 900 rpm, 0.12 mm a turn
BULKING = 2.4


def job(pecks=(8.0, 5.0, 2.0), depth=18.0, spot_rpm=None):
    return Job(
        name="pulls (synthetic)", blanks=1, material="acrylic", spindle_rpm=900, spot_rpm=spot_rpm,
        drill_diameter_mm=6, flutes=2, flute_length_mm=15, feed_mm_per_rev=0.12, depth_mm=depth,
        pecks_mm=expand_pecks(pecks, depth),
    )  # fmt: skip


class Walk:
    """A cycle and a detector that says what it is told, with exact edges."""

    def __init__(self, drilling=None):
        self.cycle = Cycle(drilling or job(), BULKING)
        self.detector = SimpleNamespace(
            cutting=False, onset_s=math.nan, end_s=math.nan, strength=0.0, load_shows=False, cut_sag=math.nan,
            evidence=0.0, level_db=0.0, rise_db=math.nan, load_tells=False, idle_sag_sd=0.0015,
        )  # fmt: skip
        self.t = 0.0
        self.events = []

    def hear(self, t, heard, turning):
        """One hop."""
        self.detector.evidence = EVIDENCE_MOST if self.detector.cutting else -EVIDENCE_MOST
        self.detector.level_db = heard.over_db
        self.events += follow.step(self.cycle, heard, turning, self.detector)

    def rest(self, seconds, **changes):
        if self.detector.cutting:
            self.detector.cutting, self.detector.end_s = False, self.t
        for t in times(seconds, self.t):
            self.hear(t, hop(t, **changes), rotation())
        self.t += seconds
        return self

    def cut(self, seconds, sag=0.01, **changes):
        if not self.detector.cutting:
            self.detector.cutting, self.detector.onset_s = True, self.t
        for t in times(seconds, self.t):
            now = sag(t - self.t) if callable(sag) else sag
            self.hear(t, hop(t, **{"over_db": 9.0, **changes}), rotation(sag=now))
        self.t += seconds
        return self

    def peck(self, mm, **changes):
        return self.cut(mm / FEED_MM_S, **changes).rest(1.0)

    def stop(self):
        self.detector.cutting, self.detector.end_s = False, self.t
        self.hear(
            self.t + STEP_S, silent(self.t + STEP_S), rotation(state=SpindleState.STOPPED, vanished=True)
        )
        self.t += STEP_S
        return self

    def start(self):
        self.hear(self.t + STEP_S, hop(self.t + STEP_S), rotation(started=True))
        self.t += STEP_S
        return self

    def kinds(self):
        return [event.kind.value for event in self.events]


def batch(blanks=3):
    """Some good blanks of three pecks, whose times are then known."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0))).rest(1)
    for _ in range(blanks):
        walk.peck(8.0).peck(5.0).peck(5.0).stop().rest(1)
    walk.events.clear()
    walk.cycle.rows.clear()
    return walk


def spans(walk):
    return [
        (round(row.start_s - walk.begin_s, 1), round(row.end_s - walk.begin_s, 1)) for row in walk.cycle.rows
    ]


GOOD_SPANS = [(0.0, 4.4), (5.4, 8.2), (9.2, 12.0)]
"""8, 5 and 5 mm at 1.8 mm/s, a second apart, in whole hops."""


def near(found, expected):
    return np.allclose(np.array(found), np.array(expected), atol=0.15)


def missed(walk):
    """When the contact was due that stayed away, if any, counted from the blank's first one."""
    return walk.cycle.missed_contact_s(walk.detector.end_s, walk.t) - walk.begin_s


def begun(walk, lead_s):
    """Start the spindle, if a lead is given, and drill so long after it as to know whether a blank began."""
    if lead_s is not None:
        walk.hear(walk.t, hop(walk.t), rotation(started=True))
        walk.rest(lead_s)
    return walk.cut(0.5)
