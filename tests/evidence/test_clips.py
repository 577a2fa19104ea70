"""Clips: the right samples, whatever the blocks, for events alone, near each other, and at the edges."""

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.evidence.clips import AFTER_S, BEFORE_S, LONGEST_S, MAX_CLIPS, ClipWriter
from monitor.measurements import Kind, Severity
from tests.scripted import event

FS = 2_000
X = (0.3 * np.random.default_rng(5).standard_normal(60 * FS)).clip(-1, 1).astype(np.float32)
PCM = np.rint(X.astype(np.float64) * 2**23).clip(-(2**23), 2**23 - 1).astype(np.int32) << 8


def written(directory):
    return {
        path.name: soundfile.read(path, dtype="int32")[0] for path in (directory / "clips").glob("*.flac")
    }


def run(directory, x, events, blocks):
    """Feed ``x`` in blocks of the given sizes, the last repeating; the clip name of each event."""
    clips = ClipWriter(directory, 1, FS)
    names, n, sizes = [], 0, list(blocks)
    while n < len(x):
        size = sizes.pop(0) if len(sizes) > 1 else sizes[0]
        due = [e for e in events if n < round(e.t * FS) <= n + size]
        names += clips.feed(x[n : n + size], due)
        n += size
    clips.finish()
    return names


def test_a_clip_holds_the_sound_before_and_after(tmp_path):
    assert run(tmp_path, X, [event(20.0)], [FS]) == ["clips/0001-000020.000-sag.flac"]
    first, last = round((20 - BEFORE_S) * FS), round((20 + AFTER_S) * FS)
    assert np.array_equal(written(tmp_path)["0001-000020.000-sag.flac"], PCM[first:last])


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
def test_integer_sound_comes_out_exactly(tmp_path, subtype):
    soundfile.write(tmp_path / "in.wav", X[: 10 * FS], FS, subtype=subtype)
    x, _ = soundfile.read(tmp_path / "in.wav", dtype="float32")
    run(tmp_path, x, [event(5.0)], [1000])
    exact, _ = soundfile.read(tmp_path / "in.wav", dtype="int32")
    assert np.array_equal(written(tmp_path)["0001-000005.000-sag.flac"], exact[FS : 8 * FS])


def test_at_the_beginning_and_the_end_there_is_less(tmp_path):
    run(tmp_path, X[: 20 * FS], [event(1.0), event(19.5)], [FS])
    clips = written(tmp_path)
    assert np.array_equal(clips["0001-000001.000-sag.flac"], PCM[: 4 * FS])
    assert np.array_equal(clips["0001-000019.500-sag.flac"], PCM[round(15.5 * FS) : 20 * FS])


def test_a_full_disk_is_told_as_such(tmp_path):
    """libsndfile, were it to write the file itself, would say "System error."."""
    clips = ClipWriter(tmp_path, 1, FS)
    (tmp_path / "clips/0001-000001.000-sag.part").symlink_to("/dev/full")
    with pytest.raises(OSError, match="No space left on device"):
        clips.feed(X[: 2 * FS], [event(1.0)])


def test_information_has_no_clip(tmp_path):
    assert run(tmp_path, X[: 9 * FS], [event(3.0, Kind.PECK_END, Severity.INFO)], [FS]) == [""]
    assert written(tmp_path) == {}


def test_events_near_each_other_share_a_clip(tmp_path):
    events = [event(10.0, Kind.SAG, Severity.WARNING), event(12.0), event(12.0, Kind.STALL)]
    names = run(tmp_path, X, events, [777])
    assert names == ["clips/0001-000010.000-sag.flac"] * 3
    clip = written(tmp_path)["0001-000010.000-sag.flac"]
    assert np.array_equal(clip, PCM[6 * FS : 15 * FS])


def test_a_clip_is_bounded_and_every_event_keeps_its_surroundings(tmp_path):
    events = [event(5.0 + 2 * i) for i in range(25)]
    names = run(tmp_path, X, events, [FS])
    clips = written(tmp_path)
    assert len(clips) == len(set(names)) > 1
    for e, name in zip(events, names, strict=True):
        start = round((float(name[11:21]) - BEFORE_S) * FS)
        clip = clips[name.removeprefix("clips/")]
        assert len(clip) <= LONGEST_S * FS
        assert np.array_equal(clip, PCM[start : start + len(clip)])
        assert start <= round(e.t * FS) - BEFORE_S * FS
        assert start + len(clip) >= min(round((e.t + AFTER_S) * FS), len(X))


@settings(max_examples=25, deadline=None)
@given(
    blocks=st.lists(st.integers(1, 9 * FS), min_size=1, max_size=12),
    times=st.lists(st.floats(0.05, 29.9), max_size=6),
)
def test_blocks_do_not_change_the_clips(tmp_path_factory, blocks, times):
    events = [event(round(t * FS) / FS) for t in sorted(times)]
    whole, cut = tmp_path_factory.mktemp("whole"), tmp_path_factory.mktemp("cut")
    x = X[: 30 * FS]
    assert run(whole, x, events, [len(x)]) == run(cut, x, events, blocks)
    a, b = written(whole), written(cut)
    assert a.keys() == b.keys()
    assert all(np.array_equal(a[name], b[name]) for name in a)


def test_the_clip_is_there_as_soon_as_it_is_named(tmp_path):
    clips = ClipWriter(tmp_path, 3, FS)
    (name,) = clips.feed(X[: 10 * FS], [event(10.0)])
    assert np.array_equal(soundfile.read(tmp_path / name, dtype="int32")[0], PCM[6 * FS : 10 * FS])
    assert [(c.name, c.start_s, c.end_s) for c in clips.pop_written()] == [(name, 6.0, 10.0)]
    clips.feed(X[10 * FS : 20 * FS], [])
    assert [(c.name, c.start_s, c.end_s) for c in clips.pop_written()] == [(name, 6.0, 13.0)]


def test_sound_that_is_not_finite_can_still_be_kept(tmp_path):
    x = X[: 9 * FS].copy()
    x[5 * FS : 6 * FS] = np.nan
    x[6 * FS], x[6 * FS + 1], x[6 * FS + 2] = np.inf, -np.inf, 2.0
    run(tmp_path, x, [event(7.0)], [FS])
    clip = written(tmp_path)["0001-000007.000-sag.flac"] >> 8
    assert not clip[2 * FS : 3 * FS].any()
    assert clip[3 * FS : 3 * FS + 3].tolist() == [2**23 - 1, -(2**23), 2**23 - 1]


def test_a_flood_of_warnings_is_bounded_but_a_hold_is_kept(tmp_path):
    clips = ClipWriter(tmp_path, 1, 100)
    x = np.zeros(MAX_CLIPS * 1000, dtype=np.float32)
    floods = [event(5.0 + 8 * i, Kind.CHATTER, Severity.WARNING) for i in range(MAX_CLIPS + 2)]
    names = clips.feed(x, [*floods, event(len(x) / 100 - 1)])
    assert names[-4] != ""
    assert names[-3:-1] == ["", ""]
    assert names[-1].endswith("-sag.flac")


def test_left_overs_of_a_killed_run_are_cleared(tmp_path):
    (tmp_path / "clips").mkdir()
    (tmp_path / "clips" / "0001-000001.000-sag.part").touch()
    ClipWriter(tmp_path, 2, FS)
    assert list((tmp_path / "clips").iterdir()) == []


def test_what_is_told_before_anything_was_heard_has_no_clip(tmp_path):
    clips = ClipWriter(tmp_path, 1, FS)
    assert clips.feed(X[:0], [event(0.0, Kind.LOW_SPACE, Severity.WARNING)]) == [""]
    clips.feed(X[:FS], [])
    clips.finish()
    assert written(tmp_path) == {}
