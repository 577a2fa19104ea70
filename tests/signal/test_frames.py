"""Frame geometry at every rate, decimation hop by hop, overlapping frames."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.signal.frames import Decimator, decimation_taps, frame_geometry, overlapping

RATES = (8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


@pytest.mark.parametrize("fs", RATES)
def test_geometry_is_the_same_in_seconds_at_every_rate(fs):
    g = frame_geometry(fs)
    assert g.fs_in == fs
    assert g.fs == fs / g.decimation
    assert 8_000 <= g.fs < 24_000
    assert g.hop_in == g.hop * g.decimation
    assert g.hop_s == pytest.approx(0.05, rel=0.01)  # to the nearest eight internal samples
    assert (g.n_short, g.n_long) == (2 * g.hop, 4 * g.hop)
    assert frame_geometry(fs, 600).n_short == 4 * g.hop  # a slow spindle's lines lie nearer together
    assert g.usable_hz < g.fs / 2


@settings(derandomize=True)
@given(st.floats(8_000, 192_000))
def test_any_rate_in_range_has_a_geometry(fs):
    g = frame_geometry(fs)
    assert 8_000 <= g.fs < 24_000
    assert abs(g.hop_s / 0.05 - 1) < 0.011  # four of 400 samples at most


@pytest.mark.parametrize("fs", [0, -48_000, 7_999.9, 192_000.1, float("nan"), float("inf")])
def test_other_rates_are_refused_with_the_range(fs):
    with pytest.raises(ValueError, match="outside 8000 to 192000 Hz"):
        frame_geometry(fs)


@pytest.mark.parametrize("fs", [8_000, 16_000, 44_100, 48_000, 192_000])
def test_decimator_gives_the_same_bits_however_hops_are_grouped(fs):
    g = frame_geometry(fs)
    x = np.random.default_rng(fs).standard_normal((13, g.hop_in)).astype(np.float32)
    whole = Decimator(g).feed(x)
    pieces = Decimator(g)
    parts = [pieces.feed(part) for part in np.split(x, [1, 2, 5, 12])]
    assert whole.shape == (13, g.hop)
    assert np.concatenate(parts).tobytes() == whole.tobytes()


@pytest.mark.parametrize("fs", [44_100, 48_000, 96_000])
def test_delay_is_that_of_an_impulse(fs):
    g = frame_geometry(fs)
    x = np.zeros((2, g.hop_in), np.float32)
    at = g.hop_in // 2
    x[0, at] = 1
    y = Decimator(g).feed(x).ravel().astype(float)
    centre_s = (np.arange(y.size) * y).sum() / y.sum() / g.fs  # a linear-phase filter delays all alike
    assert centre_s - at / fs == pytest.approx(g.delay_s, abs=0.02 / g.fs)


def test_no_decimation_is_no_delay_and_no_change():
    g = frame_geometry(16_000)
    x = np.random.default_rng(0).standard_normal((3, g.hop_in)).astype(np.float32)
    assert g.decimation == 1
    assert g.delay_s == 0
    assert np.array_equal(Decimator(g).feed(x), x)


@pytest.mark.parametrize("decimation", [2, 3, 4, 8, 16])
def test_taps_pass_dc_unchanged_and_are_symmetric(decimation):
    taps = decimation_taps(decimation).astype(float)
    assert taps.sum() == pytest.approx(1, abs=1e-6)
    np.testing.assert_array_equal(taps, taps[::-1])


@settings(max_examples=30, derandomize=True)
@given(hop=st.integers(1, 7), n_hops=st.integers(1, 6), per=st.integers(1, 4))
def test_overlapping_frames_end_with_their_hops(hop, n_hops, per):
    n = per * hop
    x = np.arange(n - hop + n_hops * hop, dtype=np.float32)
    frames = overlapping(x[: n - hop], x[n - hop :].reshape(n_hops, hop), n)
    assert frames.shape == (n_hops, n)
    for k in range(n_hops):
        np.testing.assert_array_equal(frames[k], x[k * hop : k * hop + n])
