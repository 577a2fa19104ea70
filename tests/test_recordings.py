"""Recordings as people's recorders leave them: formats, channels, cut short, and things that are none."""

import os
import struct
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile

import monitor.recordings
from monitor.errors import InputError, RecordingError
from monitor.recordings import open_recording, read_recording


def noise(n: int, channels: int = 1, seed: int = 1) -> np.ndarray:
    x = 0.2 * np.random.default_rng(seed).standard_normal((n, channels))
    return np.clip(x, -1, 1 - 2**-15).astype(np.float32)


def joined(path: Path, blocksize: int, channel: int = 1) -> np.ndarray:
    return np.concatenate(list(open_recording(path, channel).blocks(blocksize)))


@pytest.mark.parametrize("fs", [8_000, 16_000, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize(
    ("container", "subtype", "step"),
    [
        ("WAV", "PCM_16", 2**-15),
        ("WAV", "PCM_24", 2**-23),
        ("WAV", "PCM_32", 2**-23),
        ("WAV", "FLOAT", 0),
        ("WAV", "DOUBLE", 0),
        ("WAVEX", "PCM_24", 2**-23),
        ("RF64", "PCM_16", 2**-15),
        ("W64", "PCM_16", 2**-15),
        ("FLAC", "PCM_16", 2**-15),
        ("FLAC", "PCM_24", 2**-23),
    ],
)
def test_every_format_and_rate_gives_its_samples_back(tmp_path, fs, container, subtype, step):
    path = tmp_path / "rec"
    x = noise(fs // 10)
    soundfile.write(path, x, fs, format=container, subtype=subtype)
    recording = open_recording(path)
    assert (recording.fs, recording.n_samples, recording.n_channels) == (fs, len(x), 1)
    assert recording.duration_s == pytest.approx(0.1)
    read, read_fs = read_recording(path)
    assert read_fs == fs
    assert read.dtype == np.float32
    assert np.max(np.abs(read - x[:, 0])) <= step
    assert recording.cut_short is None


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "FLAC"])
def test_one_channel_of_eight(tmp_path, container):
    path = tmp_path / "rec"
    x = noise(5000, channels=8)
    soundfile.write(path, x, 48_000, format=container, subtype="PCM_16")
    for channel in (1, 5, 8):
        assert np.max(np.abs(joined(path, 999, channel) - x[:, channel - 1])) <= 2**-15


@pytest.mark.parametrize("container", ["WAV", "FLAC"])
@pytest.mark.parametrize("blocksize", [1, 7, 1000, 10_000])
def test_blocks_do_not_change_the_samples(tmp_path, container, blocksize):
    path = tmp_path / "rec"
    soundfile.write(path, noise(2001, channels=2), 8_000, format=container, subtype="PCM_16")
    recording = open_recording(path, 2)
    blocks = list(recording.blocks(blocksize))
    assert all(len(block) == blocksize for block in blocks[:-1])
    assert all(block.flags.c_contiguous for block in blocks)
    assert np.array_equal(np.concatenate(blocks), read_recording(path, 2)[0])
    assert np.array_equal(np.concatenate(list(recording.blocks(blocksize))), np.concatenate(blocks))
    assert recording.cut_short is None


@pytest.mark.parametrize("blocksize", [1, 999, 1000, 5000])
def test_memory_does_not_grow_with_the_channels(tmp_path, monkeypatch, blocksize):
    path = tmp_path / "rec.wav"
    soundfile.write(path, noise(3000, channels=64), 8_000)
    whole = joined(path, 3000, channel=7)
    monkeypatch.setattr(monitor.recordings, "_MOST_VALUES", 64 * 300)
    blocks = list(open_recording(path, 7).blocks(blocksize))
    assert np.array_equal(np.concatenate(blocks), whole)
    assert {len(block) for block in blocks[:-1]} <= {blocksize}


def test_a_signalling_nan_becomes_a_quiet_one(tmp_path):
    """IEEE 754, 6.2: any conversion of a signalling one is an invalid operation, of which NumPy warns."""
    path = tmp_path / "rec.wav"
    soundfile.write(path, noise(3000), 48_000, subtype="FLOAT")
    path.write_bytes(path.read_bytes()[:-12_000] + struct.pack("<I", 0x7FA00000) * 3000)
    with np.errstate(invalid="raise"):
        assert np.isnan(joined(path, 700).astype(np.float64)).all()


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_values_of_float_files_pass_unchanged(tmp_path, subtype):
    path = tmp_path / "rec.wav"
    x = noise(3000)
    x[10], x[11], x[12], x[13] = np.nan, np.inf, -np.inf, 3.5
    soundfile.write(path, x, 48_000, subtype=subtype)
    assert np.array_equal(joined(path, 700), x[:, 0], equal_nan=True)
    x[:] = np.nan
    soundfile.write(path, x, 48_000, subtype=subtype)
    assert np.isnan(joined(path, 700)).all()
    assert len(joined(path, 700)) == 3000


def test_the_name_does_not_matter(tmp_path):
    path = tmp_path / "not really.raw"
    soundfile.write(path, noise(100), 48_000, format="FLAC", subtype="PCM_16")
    assert len(joined(path, 64)) == 100


def test_truncated_wav_is_read_as_far_as_it_goes_and_says_so(tmp_path):
    path = tmp_path / "rec.wav"
    x = noise(96_000)
    soundfile.write(path, x, 48_000, subtype="PCM_24")
    os.truncate(path, 44 + 3 * 60_000)
    recording = open_recording(path)
    assert recording.n_samples == 60_000
    assert np.max(np.abs(joined(path, 4096) - x[:60_000, 0])) <= 2**-23
    assert recording.cut_short == f"{path} is cut short: 1.25 s of the 2.00 s that it promises could be read"


@pytest.mark.parametrize("blocksize", [100, 48_000])
def test_truncated_flac_is_read_as_far_as_it_decodes_and_says_so(tmp_path, blocksize):
    path = tmp_path / "rec.flac"
    x = noise(96_000)
    soundfile.write(path, x, 48_000, subtype="PCM_16")
    os.truncate(path, path.stat().st_size // 2)
    recording = open_recording(path)
    assert recording.n_samples == 96_000
    read = np.concatenate(list(recording.blocks(blocksize)))
    # Half the bytes are about half the samples; a FLAC frame of 4096 samples may be lost.
    assert 40_000 < len(read) <= 48_500
    assert np.max(np.abs(read - x[: len(read), 0])) <= 2**-15
    assert recording.cut_short is not None
    assert f"{len(read) / 48_000:.2f} s of the 2.00 s" in recording.cut_short


def test_streamed_wav_of_unknown_length_is_whole(tmp_path):
    path = tmp_path / "rec.wav"
    soundfile.write(path, noise(5000), 48_000, subtype="PCM_16")
    header = bytearray(path.read_bytes())
    header[4:8] = header[40:44] = b"\xff" * 4
    path.write_bytes(header)
    recording = open_recording(path)
    assert len(joined(path, 999)) == recording.n_samples == 5000
    assert recording.cut_short is None


def test_flac_of_unknown_length_is_whole(tmp_path):
    path = tmp_path / "rec.flac"
    soundfile.write(path, noise(5000), 48_000, subtype="PCM_16")
    content = bytearray(path.read_bytes())
    content[21] &= 0xF0  # total samples: 36 bits from the low half of byte 21 (RFC 9639, section 8.2)
    content[22:26] = bytes(4)
    path.write_bytes(content)
    recording = open_recording(path)
    assert recording.n_samples is None
    assert recording.duration_s is None
    assert len(np.concatenate(list(recording.blocks(999)))) == 5000
    assert recording.cut_short is None


def test_memory_does_not_grow_with_the_length(tmp_path):
    def peak(seconds: int) -> int:
        path = tmp_path / f"{seconds}.wav"
        with soundfile.SoundFile(path, "w", 48_000, 2, subtype="PCM_16") as file:
            for _ in range(seconds):
                file.write(noise(48_000, 2))
        tracemalloc.start()
        total = sum(len(block) for block in open_recording(path, 2).blocks(48_000))
        highest = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert total == seconds * 48_000
        return highest

    assert peak(40) < 1.2 * peak(4)


def unusable(tmp_path: Path, what: str) -> Path:
    path = tmp_path / "rec.wav"
    match what:
        case "missing":
            pass
        case "directory":
            path.mkdir()
        case "pipe":
            os.mkfifo(path)
        case "empty":
            path.touch()
        case "text":
            path.write_text("This is no sound.\n" * 100)
        case "noise":
            path.write_bytes(np.random.default_rng(0).bytes(10_000))
        case "no samples":
            soundfile.write(path, noise(0), 48_000)
        case "header alone":
            soundfile.write(path, noise(1000), 48_000)
            os.truncate(path, 44)
        case "half a header":
            soundfile.write(path, noise(1000), 48_000)
            os.truncate(path, 30)
        case "FLAC header alone":
            soundfile.write(path, noise(10_000), 48_000, format="FLAC")
            os.truncate(path, 4 + 38)
        case "recorder killed":
            soundfile.write(path, noise(1000), 48_000)
            content = bytearray(path.read_bytes())
            content[40:44] = bytes(4)
            path.write_bytes(content)
        case "4 kHz":
            soundfile.write(path, noise(1000), 4_000)
        case "384 kHz":
            soundfile.write(path, noise(1000), 384_000)
        case "Ogg":
            soundfile.write(path, noise(1000), 48_000, format="OGG")
        case "AIFF":
            soundfile.write(path, noise(1000), 48_000, format="AIFF")
        case "rate 0":
            soundfile.write(path, noise(1000), 48_000)
            content = bytearray(path.read_bytes())
            content[24:28] = struct.pack("<I", 0)
            path.write_bytes(content)
    return path


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ("missing", "No such file"),
        ("directory", "is a directory"),
        ("pipe", "is not a file"),
        ("empty", "is an empty file"),
        ("text", "not a WAV or FLAC recording"),
        ("noise", "not a WAV or FLAC recording"),
        ("no samples", "0 samples"),
        ("header alone", "0 samples"),
        ("half a header", "not a WAV or FLAC recording"),
        ("FLAC header alone", "not a WAV or FLAC recording|0 samples"),
        ("recorder killed", "2000 bytes follow"),
        ("4 kHz", "4000 Hz; give a recording from 8000 to 192000 Hz"),
        ("384 kHz", "384000 Hz; give a recording from 8000 to 192000 Hz"),
        ("Ogg", "OGG audio; give a WAV or FLAC"),
        ("AIFF", "AIFF audio; give a WAV or FLAC"),
        ("rate 0", "not a WAV or FLAC recording|sample rate is 0 Hz"),
    ],
)
def test_unusable_files_are_refused_in_one_line(tmp_path, what, said):
    path = unusable(tmp_path, what)
    with pytest.raises(RecordingError, match=said) as refusal:
        open_recording(path)
    message = str(refusal.value)
    assert str(path) in message
    assert "\n" not in message
    assert isinstance(refusal.value, InputError)


@pytest.mark.parametrize(("channel", "has"), [(0, "one channel"), (2, "one channel"), (-1, "one channel")])
def test_a_channel_that_is_not_there(tmp_path, channel, has):
    path = tmp_path / "rec.wav"
    soundfile.write(path, noise(100), 48_000)
    with pytest.raises(RecordingError, match=f"no channel {channel}; the file has {has}"):
        open_recording(path, channel)


def test_a_channel_beyond_several(tmp_path):
    path = tmp_path / "rec.wav"
    soundfile.write(path, noise(100, channels=8), 48_000)
    with pytest.raises(RecordingError, match="no channel 9; the file has channels 1 to 8"):
        open_recording(path, 9)


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="counts descriptors as Linux shows them")
def test_no_descriptor_is_left_open(tmp_path):
    def n_open() -> int:
        return len(list(Path("/proc/self/fd").iterdir()))

    before = n_open()
    for what in ("empty", "text", "4 kHz"):
        folder = tmp_path / what
        folder.mkdir()
        with pytest.raises(RecordingError):
            open_recording(unusable(folder, what))
    assert n_open() == before
