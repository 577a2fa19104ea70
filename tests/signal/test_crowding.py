"""Frames as long as the learned lines need to stand apart: a comb of the shaft's own harmonics."""

from functools import cache

import numpy as np
import pytest

from monitor.job import parse_job
from monitor.listener import Listener
from monitor.signal.audibility import audibility
from monitor.signal.crowding import frames_for
from monitor.signal.orders import FreeRun, learn_baseline
from tests.signal.free_running import ORDERS, free_run

FS = 16000
COMB = {float(k): k**-0.5 for k in range(2, 25)}


@cache
def learned(orders, rpm):
    speeds = (rpm, 1.37 * rpm)
    runs = [
        FreeRun(speed, free_run(speed, i, orders=dict(orders), fixed={}, wander=0.0005), FS, f"{speed:g}")
        for i, speed in enumerate(speeds)
    ]
    return learn_baseline(runs, "2026-01-01T00:00:00+00:00")


@pytest.mark.parametrize(
    ("orders", "rpm", "hops"),
    [(COMB, 1200.0, 4), (COMB, 3000.0, 2), (ORDERS, 1200.0, 2), ({17.4: 1.0}, 1200.0, 2), (ORDERS, 500.0, 4)],
    ids=["a comb", "teeth that stand apart", "few lines", "one", "a slow spindle"],
)
def test_frames_are_longer_only_where_lines_run_together(orders, rpm, hops):
    assert frames_for(learned(tuple(orders.items()), rpm), (rpm,), FS).short_hops == hops


def test_a_machine_that_sounds_by_harmonics_of_its_shaft_is_heard():
    rpm = 1200.0
    baseline = learned(tuple(COMB.items()), rpm)
    job = parse_job(
        '[job]\nname = "comb"\nblanks = 1\nmaterial = "acrylic"\n[spindle]\nspeed = "1200 rpm"\n'
        '[drill]\ndiameter = "6 mm"\nflutes = 2\nflute_length = "50 mm"\nfeed = "0.1 mm/rev"\n'
        '[hole]\ndepth = "20 mm"\npecks = ["10 mm"]\n',
        "job.toml",
    )
    x = free_run(rpm, 7, orders=COMB, fixed={}, wander=0.0005, seconds=8.0)
    heard = np.array([row.speed_rpm or np.nan for row in Listener(baseline, job, FS).feed(x).trace[40:]])
    assert np.mean(np.abs(heard / rpm - 1) < 0.005) > 0.95
    assert audibility(baseline, (rpm,), FS).lines >= 3
