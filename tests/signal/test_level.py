"""Level, clipping, stuck and missing samples, and the slope of a curve."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.signal.level import CLIP_AT, SILENCE_DB, hop_levels, longest_run, peaks, slope_per_s


def levels(x):
    x = np.atleast_2d(np.asarray(x, np.float32))
    return hop_levels(x, peaks(x), np.zeros(x.shape[0]))


@settings(derandomize=True)
@given(st.lists(st.sampled_from([0.0, -0.0, 0.25, -1.0]), min_size=1, max_size=60))
def test_longest_run_is_that_of_itertools(values):
    assert longest_run(np.array(values)) == max(len(list(run)) for _, run in itertools.groupby(values))


def test_full_scale_sine_is_minus_three_decibels():
    t = np.arange(2400) / 48_000
    assert levels(np.sin(2 * np.pi * 1000 * t)).level_db[0] == pytest.approx(-3.0103, abs=1e-3)


def test_level_is_about_the_mean_so_an_offset_is_not_sound():
    x = 0.01 * np.random.default_rng(0).standard_normal((3, 800))
    np.testing.assert_allclose(levels(x + 0.5).level_db, levels(x).level_db, atol=0.01)


@pytest.mark.parametrize("value", [0.0, 0.5, -1.0, 1e-30])
def test_one_value_is_silence_and_wholly_stuck(value):
    heard = levels(np.full((2, 400), value))
    assert heard.level_db.tolist() == [SILENCE_DB, SILENCE_DB]
    assert heard.stuck.tolist() == [1.0, 1.0]


@pytest.mark.parametrize("count", [0, 1, 12, 2400])
def test_clipped_counts_samples_at_full_scale_of_either_sign(count):
    x = 0.9 * np.random.default_rng(1).uniform(-1, 1, 2400)
    x[:count] = np.where(np.arange(count) % 2, 1.0, -CLIP_AT - 1e-4)
    assert levels(x).clipped[0] == count / 2400


def test_just_under_full_scale_is_not_clipped():
    assert levels(np.full(400, 0.998)).clipped[0] == 0


@settings(derandomize=True)
@given(n=st.sampled_from([400, 552, 2208, 2400, 9600]), data=st.data())
def test_every_run_that_matters_is_found_and_measured(n, data):
    """Of a fifth of a hop, which is what the microphone rule acts on, down to an eighth and four samples."""
    length = data.draw(st.integers(n // 8 + 4, n))
    start = data.draw(st.integers(0, n - length))
    x = np.random.default_rng(n).standard_normal(n).astype(np.float32)
    x[start : start + length] = 0.125
    assert levels(x).stuck[0] == length / n


def test_live_noise_is_never_stuck():
    assert levels(1e-3 * np.random.default_rng(2).standard_normal((50, 2400))).stuck.max() == 0


def test_sixteen_bit_noise_of_a_quiet_room_is_not_stuck():
    """Rounded to 16 bits, two codes rms: equal neighbours happen, long runs do not."""
    x = np.round(2 * np.random.default_rng(3).standard_normal((200, 2400))) / 32768
    assert levels(x).stuck.max() < 0.02


@settings(derandomize=True)
@given(slope=st.floats(-100, 100), offset=st.floats(-100, 100), n=st.integers(2, 40))
def test_slope_of_a_line_is_its_slope(slope, offset, n):
    curve = offset + slope * 0.05 * np.arange(n + 4)
    np.testing.assert_allclose(slope_per_s(curve, n, 0.05), slope, atol=1e-7)


def test_slope_is_least_squares():
    curve = np.random.default_rng(4).standard_normal(30)
    ours = slope_per_s(curve, 10, 0.05)
    assert ours.shape == (21,)
    for i in range(21):
        assert ours[i] == pytest.approx(np.polyfit(0.05 * np.arange(10), curve[i : i + 10], 1)[0])
