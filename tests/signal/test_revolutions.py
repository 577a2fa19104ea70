"""The synchronous average: knocks of every turn stand out, what is not locked to the turns does not."""

import math

import numpy as np
import pytest

from monitor.signal.envelope import fine_envelope
from monitor.signal.frames import frame_geometry
from monitor.signal.revolutions import Revolutions

G = frame_geometry(48000)
FINE = fine_envelope(G)
HOPS = 80


def noise(seed=0):
    """Envelope of steady noise: power of six degrees of freedom a piece."""
    return np.random.default_rng(seed).chisquare(6, (HOPS, 2, FINE.n_fine)).astype(np.float32) / 6e4


def with_knocks(rpm, over_db, grow_db_s=0.0, seed=0):
    """One piece a turn louder, growing to ``over_db`` at the end."""
    envelope = noise(seed)
    t = (np.arange(HOPS * FINE.n_fine) + 0.5) * FINE.step_s
    struck = np.floor(t * rpm / 60 + 0.3) > np.floor((t - FINE.step_s) * rpm / 60 + 0.3)
    db = over_db + grow_db_s * (t - t[-1])
    low = envelope[:, 0].reshape(-1)
    low[struck] += 1e-4 * 10 ** (db[struck] / 10)
    envelope[:, 0] = low.reshape(HOPS, -1)
    return envelope


def heard(envelope, rpm, known_rpm=None, job_rpm=None):
    hz = (known_rpm or rpm) / 60
    return Revolutions(FINE, (job_rpm or rpm) / 60, G.hop_s).feed(envelope, [hz] * HOPS)


SPEEDS = [300, 900, 1600, 3000]


@pytest.mark.parametrize("rpm", SPEEDS)
def test_noise_stands_out_by_little(rpm):
    knock, _ = heard(noise(), rpm)
    assert 0.3 < np.median(knock[30:]) < 3
    assert knock[30:].max() < 5


@pytest.mark.parametrize("rpm", SPEEDS)
@pytest.mark.parametrize("off", [0.98, 1.0, 1.02])
def test_knocks_stand_out_though_the_dial_is_off(rpm, off):
    knock, peak = heard(with_knocks(rpm, 20), rpm, off * rpm)
    assert np.median(knock[40:]) > 7
    assert np.median(peak[40:]) > -33


@pytest.mark.parametrize("rpm", SPEEDS)
def test_knocks_of_another_machine_do_not(rpm):
    knock, _ = heard(with_knocks(0.8 * rpm, 20), rpm)
    assert np.median(knock[40:]) < 5


@pytest.mark.parametrize("rpm", SPEEDS)
def test_a_single_loud_click_does_not(rpm):
    envelope = noise()
    envelope[60, :, 7] = 1.0
    assert heard(envelope, rpm)[0][40:].max() < 5


@pytest.mark.parametrize("rpm", [300, 900])
def test_a_slow_swell_of_eccentric_work_stands_out_by_little(rpm):
    envelope = noise()
    t = (np.arange(HOPS * FINE.n_fine) + 0.5).reshape(HOPS, 1, -1) * FINE.step_s
    swell = (1 + 0.8 * np.cos(2 * math.pi * t * rpm / 60)) ** 2
    assert np.median(heard((envelope * swell).astype(np.float32), rpm)[0][40:]) < 6


def test_a_gain_step_is_not_a_knock():
    envelope = noise()
    envelope[50:] *= 100
    assert heard(envelope, 900)[0][30:].max() < 5.5


def test_nothing_is_said_before_every_sector_was_heard():
    knock, _ = heard(with_knocks(900, 20), 900)
    assert knock[0] == 0
    assert heard(noise(), 900, known_rpm=math.nan)[0].max() < 5  # it coasts on the job's speed


@pytest.mark.parametrize("rpm", SPEEDS)
def test_a_hop_does_not_depend_on_the_hops_beside_it(rpm):
    envelope = with_knocks(rpm, 12, 3.0)
    hz = [rpm / 60 * (1 + 0.01 * math.sin(i)) for i in range(HOPS)]
    together = Revolutions(FINE, rpm / 60, G.hop_s).feed(envelope, hz)
    one = Revolutions(FINE, rpm / 60, G.hop_s)
    alone = [one.feed(envelope[i : i + 1], hz[i : i + 1]) for i in range(HOPS)]
    for k in range(2):
        np.testing.assert_array_equal(together[k], np.concatenate([a[k] for a in alone]))
