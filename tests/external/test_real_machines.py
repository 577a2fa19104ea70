"""Recordings of real rotating machines, played faster and slower by exactly known amounts.

Sources, both Debian packages, none of whose sounds is stored here:

* ``crrcsim-data``, sounds/electric.wav (GPL-2): 0.74 s of a model aircraft's electric motor at a steady
  speed, lines at multiples of about 180.6 Hz.
* ``simutrans-pak64``, sound/diesel.wav (Artistic-1.0): 1.8 s of a Diesel engine whose speed wavers by 1 %.

What such a recording can check, its true speed being unknown: that other programs read the same speed
from it (scipy's spectrum; rota-order's ridge tracker), and that a copy resampled by a known ratio reads
faster or slower by exactly that ratio. Resampling keeps the real sound, its ripple and noise, and gives a sag
whose truth is known.
"""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal
from scipy.interpolate import CubicSpline

from monitor.signal.orders import FreeRun, learn_baseline
from monitor.signal.refine import refine_speed
from tests.hearing import track_speed

pytestmark = pytest.mark.external

FRAME_S = 0.2
MOTOR = Path("/usr/share/games/crrcsim/sounds/electric.wav")
MOTOR_ORDERS = np.array([2, 3, 4, 5, 6, 8, 10, 12, 14.0])  # of 180.6 Hz, seen in its spectrum
DIESEL = Path("/usr/share/games/simutrans/pak/sound/diesel.wav")


def recording(path):
    if not path.exists():
        pytest.skip(f"{path} is not on this computer: apt-get install crrcsim-data simutrans-pak64")
    return soundfile.read(path, dtype="float64")


def speeds(x, fs, orders, guess_hz, hop):
    n = int(FRAME_S * fs)
    frames = np.lib.stride_tricks.sliding_window_view(x, n)[::hop]
    return refine_speed(frames, fs, orders, np.full(len(frames), guess_hz)).spindle_hz


@pytest.mark.parametrize(("up", "down"), [(100, 103), (100, 97), (100, 92)])
def test_a_real_motor_resampled_by_three_percent_reads_three_percent_different(up, down):
    x, fs = recording(MOTOR)
    ratio = down / up
    hop = down * 10  # a whole number of samples in both copies
    original = speeds(x, fs, MOTOR_ORDERS, 180.6, hop)
    moved = speeds(signal.resample_poly(x, up, down), fs, MOTOR_ORDERS, 180.6 * ratio, up * 10)
    # A frame of the faster copy holds more turns, so the ripple of the motor itself (0.15 %) is
    # averaged a little otherwise: compare means over the frames that both have.
    count = min(original.size, moved.size)
    assert count >= 8
    change = np.mean(moved[:count]) / np.mean(original[:count])
    assert change == pytest.approx(ratio, rel=3e-4)


def test_a_real_motor_reads_as_scipys_spectrum_reads_it():
    x, fs = recording(MOTOR)
    f, power = signal.periodogram(x, fs, "hann", nfft=16 * x.size)
    near = (f > 500) & (f < 600)
    third = f[near][power[near].argmax()]
    ours = refine_speed(x[None, :], fs, MOTOR_ORDERS, np.array([180.0])).spindle_hz[0]
    # The two weigh the recording's own ripple of 0.15 % otherwise (Hann against rectangular).
    assert ours == pytest.approx(third / 3, rel=1e-3)


# It warns of a rival peak outside the search range in some frames; what it reads inside is compared.
@pytest.mark.filterwarnings("ignore:rpm_from_ridge:RuntimeWarning")
def test_the_wavering_of_a_real_diesel_is_what_rota_order_hears():
    """Its ridge tracker gives the guess too, but may not place ours: the guess is one constant speed."""
    rota_speed = pytest.importorskip("rota.speed", reason="rota-order, a test-only package, is not installed")
    x, fs = recording(DIESEL)
    orders = np.array([2, 3, 4, 6, 8.0])  # of 139 Hz, the spacing of the strong lines
    theirs = rota_speed.rpm_from_ridge(x, fs, (7800, 8900), orders=orders, window=FRAME_S, hop=0.05)
    centres = theirs.t[theirs.t < 1.4]  # it fades out after that
    n = int(FRAME_S * fs)
    starts = np.rint((centres - FRAME_S / 2) * fs).astype(int)
    ours = refine_speed(
        np.stack([x[max(0, start) :][:n] for start in starts]), fs, orders, np.full(centres.size, 139.0)
    )
    ours_rpm, theirs_rpm = ours.spindle_hz * 60, theirs.rpm[: centres.size]
    assert np.ptp(theirs_rpm) > 0.005 * 8300  # it does waver
    assert np.median(np.abs(ours_rpm / theirs_rpm - 1)) < 0.001
    assert np.max(np.abs(ours_rpm / theirs_rpm - 1)) < 0.004
    assert np.corrcoef(ours_rpm, theirs_rpm)[0, 1] > 0.8


@pytest.fixture(scope="module")
def motor():
    """``play(ratio)``: the motor looped, as its package plays it, at a speed that varies in time."""
    x, fs = recording(MOTOR)
    loop = np.tile(x, 40)
    spline = CubicSpline(np.arange(4 * loop.size) / 4, signal.resample_poly(loop, 4, 1))

    def play(ratio):
        return spline(np.concatenate([[0.0], np.cumsum(ratio)[:-1]]))

    runs = [FreeRun(1000 * r, play(np.full(10 * fs, r)), fs) for r in (0.8, 1.0, 1.25)]
    return play, fs, learn_baseline(runs, "2025-01-01T00:00:00Z")


def test_a_real_motor_made_to_sag_is_followed(motor):
    """Learned at three speeds, then 10 % and 6 % of sag with ramps of 20 % a second."""
    play, fs, baseline = motor
    t = np.arange(12 * fs) / fs
    ratio = np.interp(t, [0, 3, 3.5, 5.5, 6, 8.5, 8.8, 12], [1, 1, 0.9, 0.9, 1, 1, 0.94, 0.94])
    times, heard = track_speed(play(ratio), fs, baseline, (1000.0,))
    error = heard.spindle_hz * 60 / 1000 / np.interp(times, t, ratio) - 1
    settled = times > 0.5
    assert np.isfinite(error[settled]).mean() > 0.98
    assert np.nanmedian(np.abs(error[settled])) < 0.003  # its own ripple is 0.15 %, seam included
    assert np.nanquantile(np.abs(error[settled]), 0.99) < 0.015
    for begin, end, truth in ((1.0, 3.0, 1.0), (3.8, 5.5, 0.9), (9.1, 12.0, 0.94)):
        inside = (times > begin) & (times < end)
        assert np.nanmedian(heard.spindle_hz[inside]) * 60 / 1000 == pytest.approx(truth, abs=0.002)
