"""Clips: the sound around each warning and hold, from before it happened.

A clip is written as soon as its event happens, with the sound up to then, and again when the sound
after it has come in, so that an event never names a clip that a killed process has failed to write. That of
a hold is forced to the disk before its event is, for the same reason; others wait for no disk (`store.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from monitor.measurements import Event, Severity
from monitor.recordings import flac
from monitor.whole_file import put_in_place, sync

BEFORE_S = 4.0  # a peck's worth of sound before the event, to hear what led to it
AFTER_S = 3.0  # to hear what came of it
LONGEST_S = 30.0  # events that follow each other share a clip up to this length
SLACK_S = 1.0  # how much later than its own time an event may be told
# Warnings come about once an hour; after so many clips in a batch something is wrong, and the disk
# is kept for the holds, which always have theirs.
MAX_CLIPS = 200

Samples = NDArray[np.float32]


@dataclass
class _Clip:
    name: str
    start: int  # samples of the batch
    end: int
    parts: list[Samples] = field(default_factory=list)
    n: int = 0
    n_written: int = 0
    forced: bool = False

    def take(self, x: Samples) -> None:
        self.parts.append(x)
        self.n += len(x)


@dataclass(frozen=True)
class WrittenClip:
    """A clip file as it now stands; ``name`` is its path below the evidence directory."""

    name: str
    start_s: float
    end_s: float


def is_whole(path: Path) -> bool:
    """Whether a clip can be decoded to its end."""
    try:
        with soundfile.SoundFile(path) as sound:
            promised: int = sound.frames
            left = promised
            while left > 0 and (n := len(sound.read(1 << 16, dtype="int32"))):
                left -= n
            return left == 0 < promised
    except soundfile.SoundFileError:
        return False


class ClipWriter:
    """Keeps the last seconds of sound and writes FLAC clips around events.

    The clips depend on the samples and the events alone, not on how they were cut into blocks.
    Memory: 5 s of sound, and up to 37 s while a clip is open.

    Parameters
    ----------
    directory : Path
        The evidence directory; clips go to ``clips/`` in it.
    batch : int
        Batch number, the beginning of every name.
    fs : int
        Sample rate in Hz.
    """

    def __init__(self, directory: Path, batch: int, fs: int) -> None:
        self._directory = directory
        self._batch = batch
        self._fs = fs
        self._ring: Samples = np.zeros(round((BEFORE_S + SLACK_S) * fs), dtype=np.float32)
        self._n = 0  # samples taken
        self._open: list[_Clip] = []
        self._n_clips = 0
        self._written: list[WrittenClip] = []
        (directory / "clips").mkdir(exist_ok=True)
        sync(directory)
        for left_over in (directory / "clips").glob("*.part"):
            left_over.unlink()

    def feed(self, x: Samples, events: Sequence[Event]) -> list[str]:
        """Take the next samples and the events found in them, in time order.

        Returns
        -------
        list of str
            For each event its clip, as a path below the evidence directory; "" for information.
        """
        first = self._n
        names = []
        for event in events:
            if event.severity is Severity.INFO:
                names.append("")
                continue
            at = min(max(round(event.t * self._fs), self._n), first + len(x))
            self._take(x[self._n - first : at - first])
            names.append(self._trigger(event))
        self._take(x[self._n - first :])
        return names

    def finish(self) -> None:
        """Write the clips that are still open, with the sound there is."""
        while self._open:
            self._write(self._open.pop(0))

    def pop_written(self) -> list[WrittenClip]:
        """Clips written since the last call; one that has grown appears again."""
        written, self._written = self._written, []
        return written

    def _trigger(self, event: Event) -> str:
        at = round(event.t * self._fs)
        end = at + round(AFTER_S * self._fs)
        newest = self._open[-1] if self._open else None
        if newest and end - newest.start <= LONGEST_S * self._fs:
            newest.end = max(newest.end, end)
            if newest.n - newest.n_written > self._fs:  # a burst of events does not write once each
                self._write(newest)
            self._force(newest, event)
            return newest.name
        if self._n_clips >= MAX_CLIPS and event.severity is not Severity.HOLD:
            return ""
        if self._n == 0:  # told before anything was heard, as that the disk is full
            return ""
        start = max(at - round(BEFORE_S * self._fs), self._n - len(self._ring), 0)
        clip = _Clip(f"clips/{self._batch:04d}-{event.t:010.3f}-{event.kind.value}.flac", start, end)
        clip.take(self._newest(self._n - start))
        self._n_clips += 1
        self._open.append(clip)
        self._write(clip)
        self._force(clip, event)
        return clip.name

    def _take(self, x: Samples) -> None:
        for clip in self._open:
            clip.take(x[: clip.end - self._n].copy())
        self._n += len(x)
        for clip in [clip for clip in self._open if clip.end <= self._n]:
            self._open.remove(clip)
            self._write(clip)
        self._remember(x[-len(self._ring) :])

    def _remember(self, x: Samples) -> None:
        first = (self._n - len(x)) % len(self._ring)
        n_to_end = min(len(x), len(self._ring) - first)
        self._ring[first : first + n_to_end] = x[:n_to_end]
        self._ring[: len(x) - n_to_end] = x[n_to_end:]

    def _newest(self, n: int) -> Samples:
        return np.roll(self._ring, -self._n % len(self._ring))[len(self._ring) - n :]

    def _force(self, clip: _Clip, event: Event) -> None:
        if event.severity is Severity.HOLD and not clip.forced:
            path = self._directory / clip.name
            sync(path)
            sync(path.parent)
            clip.forced = True

    def _write(self, clip: _Clip) -> None:
        clip.n_written = clip.n
        path = self._directory / clip.name
        part = path.with_suffix(".part")
        # Written by full scale 2^23, 24-bit and 16-bit sound comes out exactly as it went in.
        x = np.nan_to_num(np.concatenate(clip.parts), posinf=1.0, neginf=-1.0).astype(np.float64)
        pcm = np.clip(np.rint(x * 2.0**23), -(2.0**23), 2.0**23 - 1).astype(np.int32) << 8
        part.write_bytes(flac(pcm, self._fs, "PCM_24"))
        if clip.forced:  # or a power cut might leave neither the old one nor the new
            put_in_place(part, path)
        else:
            sync(part)  # or its name might be there after a power cut, and its sound not
            part.replace(path)
        self._written.append(WrittenClip(clip.name, clip.start / self._fs, (clip.start + clip.n) / self._fs))
