"""Recordings from disk: WAV and FLAC as a stream of blocks, any length in constant memory; FLAC made."""

from __future__ import annotations

import io
import os
import stat
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import soundfile
from numpy.typing import NDArray

from monitor.errors import RecordingError

# Below 8 kHz too few of a spindle's lines are left; above 192 kHz no common recorder writes.
LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 192_000

# Lossless only: lossy codecs remove just the crackle and the weak lines that are listened for.
_FORMATS = {"WAV", "WAVEX", "RF64", "W64", "FLAC"}
_LENGTH_UNKNOWN = 2**62  # libsndfile answers 2**63 - 1 for a FLAC that does not say its length
_MOST_VALUES = 2**23  # read at once, over all channels: 32 MB, and 10 s of four channels at 192 kHz
_STREAMED_SIZES = (0, 0xFFFFFFFF)  # what a WAV header holds when its writer could not go back


class _Sequential(soundfile.SoundFile):  # type: ignore[misc]  # soundfile carries no types
    """A sound file read once from front to back.

    A seek after every read, which soundfile makes on seekable files, costs time and fails at the
    end of a truncated FLAC.
    """

    def seekable(self) -> bool:
        return False


@dataclass
class Recording:
    """One channel of a WAV or FLAC file that was found usable; see `open_recording`.

    ``n_samples`` is what the file holds, or for a FLAC what it says it holds; None where it does
    not say. ``cut_short`` is a sentence when the file ends before the length that its header
    promises, else None; for a FLAC that is known only once `blocks` has come to the end.
    """

    path: Path
    fs: int
    n_samples: int | None
    channel: int
    n_channels: int
    cut_short: str | None = None

    @property
    def duration_s(self) -> float | None:
        """Length in seconds, None where the file does not say."""
        return None if self.n_samples is None else self.n_samples / self.fs

    def blocks(self, blocksize: int) -> Iterator[NDArray[np.float32]]:
        """Read the file from its beginning.

        Parameters
        ----------
        blocksize : int
            Samples in each block but the last, which may be shorter.

        Yields
        ------
        ndarray of float32, shape (n,)
            Full scale 1, a new array each time. Values of float files are passed on, NaN, Inf and beyond full
            scale included.

        Raises
        ------
        RecordingError
            The file cannot be opened any more.
        """
        most = max(1, _MOST_VALUES // self.n_channels)
        if blocksize <= most:
            yield from self._pieces(blocksize)
            return
        parts: list[NDArray[np.float32]] = []
        missing = blocksize
        for piece in self._pieces(most):
            while len(piece):
                parts.append(piece[:missing])
                piece = piece[missing:]
                missing -= len(parts[-1])
                if missing == 0:
                    yield np.concatenate(parts)
                    parts, missing = [], blocksize
        if parts:
            yield np.concatenate(parts)

    def _pieces(self, blocksize: int) -> Iterator[NDArray[np.float32]]:
        """Read the file from its beginning, all channels of ``blocksize`` samples at a time."""
        n_read = 0
        with _open(self.path) as sound:
            # Stored as they are: nothing that a decoder could fail at, and quickly scaled.
            as_stored = sound.subtype == "PCM_16" and sound.format != "FLAC"
            failed = False
            while not failed:
                # Integer formats never hold a NaN, so what a decoder that fails has left as NaN
                # was not decoded; what stands before it was.
                shape = blocksize, self.n_channels
                frames = np.empty(shape, np.int16) if as_stored else np.full(shape, np.nan, np.float32)
                try:
                    n = len(sound.read(out=frames))
                except soundfile.LibsndfileError:
                    failed = True
                    missing = np.isnan(frames[:, 0])
                    n = 0 if as_stored else int(np.argmax(missing)) if missing.any() else blocksize
                if n == 0:
                    break
                n_read += n
                x = frames[:n, self.channel - 1]
                yield _full_scale_1(x) if as_stored else _quiet(np.ascontiguousarray(x))
        if self.n_samples is not None and n_read < self.n_samples:
            self.cut_short = _cut_short(self.path, n_read / self.fs, self.n_samples / self.fs)


def open_recording(path: str | os.PathLike[str], channel: int = 1) -> Recording:
    """Check that a file can be used, and describe it.

    Parameters
    ----------
    path : path
        WAV (also extensible, RF64, W64) or FLAC, 8 to 192 kHz.
    channel : int
        The channel to read, from 1.

    Raises
    ------
    RecordingError
        The file is missing, no sound file, of another format or rate, empty, or lacks the channel.
    """
    path = Path(path)
    with _open(path) as sound:
        if sound.format not in _FORMATS:
            raise RecordingError(f"{path}: {sound.format} audio; give a WAV or FLAC recording")
        if not LOWEST_RATE_HZ <= sound.samplerate <= HIGHEST_RATE_HZ:
            raise RecordingError(
                f"{path}: sample rate is {sound.samplerate} Hz; give a recording from "
                f"{LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"
            )
        if not 1 <= channel <= sound.channels:
            has = "one channel" if sound.channels == 1 else f"channels 1 to {sound.channels}"
            raise RecordingError(f"{path}: no channel {channel}; the file has {has}")
        wav_bytes = _wav_data_bytes(path)
        if not _first_sample_decodes(sound):
            raise RecordingError(f"{path}: {_why_empty(wav_bytes)}")
        recording = Recording(
            path=path,
            fs=sound.samplerate,
            n_samples=sound.frames if sound.frames < _LENGTH_UNKNOWN else None,
            channel=channel,
            n_channels=sound.channels,
        )
    if wav_bytes and wav_bytes.promised not in _STREAMED_SIZES and wav_bytes.present < wav_bytes.promised:
        there_s = sound.frames / recording.fs
        promised_s = there_s * wav_bytes.promised / max(wav_bytes.present, 1)
        recording.cut_short = _cut_short(path, there_s, promised_s)
    return recording


def read_recording(path: str | os.PathLike[str], channel: int = 1) -> tuple[NDArray[np.float32], int]:
    """Read one channel of a whole recording into memory.

    Returns
    -------
    x : ndarray of float32, shape (n,)
        Full scale 1; of a file that is cut short, what is there.
    fs : int
        Sample rate in Hz.

    Raises
    ------
    RecordingError
        As `open_recording`.
    """
    recording = open_recording(path, channel)
    return np.concatenate(list(recording.blocks(recording.fs))), recording.fs


def flac(x: NDArray[Any], fs: int, subtype: str) -> bytes:
    """A FLAC file of samples, shape (n,) or (n, n_channels); ``subtype`` as of soundfile, such as "PCM_24".

    Made in memory: libsndfile, which would write it itself, does not say why a disk takes no more.
    """
    file = io.BytesIO()
    soundfile.write(file, x, fs, format="FLAC", subtype=subtype)
    return file.getvalue()


def _open(path: Path) -> soundfile.SoundFile:
    # By descriptor: no format is guessed from the name, and a missing file has its own message.
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    except OSError as error:
        raise RecordingError(f"{path}: {error.strerror}; give the path of a WAV or FLAC recording") from error
    status = os.fstat(fd)
    if not stat.S_ISREG(status.st_mode) or status.st_size == 0:
        os.close(fd)
        what = "is a directory" if stat.S_ISDIR(status.st_mode) else "is not a file"
        what = "is an empty file" if stat.S_ISREG(status.st_mode) else what
        raise RecordingError(f"{path}: {what}; give a WAV or FLAC recording")
    try:
        return _Sequential(fd)  # closes the descriptor, also when it fails
    except soundfile.LibsndfileError as error:
        reason = error.error_string.rstrip(".")
        raise RecordingError(
            f"{path}: not a WAV or FLAC recording, or damaged ({reason}); record in WAV or FLAC (what an MP3 "
            "or AAC has thrown away no conversion brings back)"
        ) from error


def _full_scale_1(x: NDArray[Any]) -> NDArray[np.float32]:
    """16-bit samples as floats; in two steps, which is quicker than one of two types."""
    scaled = x.astype(np.float32)
    scaled *= np.float32(2.0**-15)
    return scaled


def _quiet(x: NDArray[np.float32]) -> NDArray[np.float32]:
    """Every NaN of a float file a quiet one: of a signalling one each later conversion would warn."""
    missing = np.isnan(x)
    if missing.any():
        x[missing] = np.nan
    return x


def _first_sample_decodes(sound: soundfile.SoundFile) -> bool:
    try:
        return len(sound.read(frames=1, always_2d=True)) == 1
    except soundfile.LibsndfileError:
        return False


def _cut_short(path: Path, read_s: float, promised_s: float) -> str:
    return f"{path} is cut short: {read_s:.2f} s of the {promised_s:.2f} s that it promises could be read"


@dataclass(frozen=True)
class _WavData:
    promised: int  # bytes, by the header
    present: int  # bytes that follow it in the file


def _why_empty(wav: _WavData | None) -> str:
    if wav and wav.promised == 0 and wav.present > 0:
        return (
            f"the header says 0 samples but {wav.present} bytes follow: the recorder was stopped before "
            "it finished the file; rewrite it first, for example `sox --ignore-length old.wav new.wav`"
        )
    return "holds no sound (0 samples can be read); record it again"


def _wav_data_bytes(path: Path) -> _WavData | None:
    """Size of the data chunk of a RIFF WAV, by its header and in fact; None for other formats."""
    with path.open("rb") as file:
        if file.read(4) != b"RIFF":
            return None
        file.seek(12)
        while len(header := file.read(8)) == 8:
            name, size = struct.unpack("<4sI", header)
            if name == b"data":
                return _WavData(promised=size, present=_remaining(file))
            file.seek(size + size % 2, os.SEEK_CUR)
    return None


def _remaining(file: BinaryIO) -> int:
    return os.fstat(file.fileno()).st_size - file.tell()
