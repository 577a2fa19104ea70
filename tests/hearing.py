"""A whole recording through the product's own chain, decimation to refined speed, for tests."""

from __future__ import annotations

import numpy as np

from monitor.baseline import Baseline
from monitor.signal.frames import Decimator, frame_geometry, overlapping
from monitor.signal.spectrum import band_floor, power_density, spectrum_geometry, spread_floor, to_db
from monitor.signal.speed import Speeds, SpeedTracker


def track_speed(
    x: np.ndarray, fs: float, baseline: Baseline, speeds_rpm: tuple[float, ...]
) -> tuple[np.ndarray, Speeds]:
    """Times of the newest samples (s) and what the tracker heard at each hop."""
    g = frame_geometry(fs, speeds_rpm[0])
    spectrum = spectrum_geometry(g.fs, g.n_short, g.usable_hz)
    tracker = SpeedTracker(baseline, speeds_rpm, spectrum, g.usable_hz, g.hop_s, g.delay_s)
    n_hops = x.size // g.hop_in
    hops = Decimator(g).feed(x[: n_hops * g.hop_in].astype(np.float32).reshape(n_hops, g.hop_in))
    short = overlapping(np.zeros(g.n_short - g.hop, np.float32), hops, g.n_short)
    long = overlapping(np.zeros(g.n_long - g.hop, np.float32), hops, g.n_long)
    density = power_density(short, spectrum)
    floor_db = spread_floor(band_floor(density, spectrum), spectrum)
    speeds = tracker.feed(to_db(density), floor_db, long, np.zeros(n_hops, np.bool_))
    return (np.arange(n_hops) + 1) * g.hop_in / fs, speeds
