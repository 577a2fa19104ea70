"""Writing the evidence of one batch: store, clips and exports together."""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Self

import numpy as np
import soundfile
from numpy.typing import NDArray

from monitor.errors import EvidenceError, NoEvidence
from monitor.evidence.archive import Archive
from monitor.evidence.clips import ClipWriter, is_whole
from monitor.evidence.exports import (
    FILES,
    Exports,
    complete,
    event_line,
    peck_line,
    place_of,
    set_aside,
    trace_line,
)
from monitor.evidence.store import BatchInfo, Store, force
from monitor.measurements import Heard
from monitor.whole_file import sync

NEWEST_CLIPS = 10  # of a killed batch are looked at: more than the half minute before a power cut holds


class Evidence:
    """The evidence directory, open for one batch. Use it as a context manager.

    Whatever ends the run, an error or a killed process included, all events told so far stand in evidence.db
    and events.jsonl, and evidence.db can be opened and lacks at most the last 5 s of trace. What a killed
    process left unwritten in the exports is completed by the next run into the directory.

    Parameters
    ----------
    directory : path
        Made if it is not there. Evidence of earlier runs in it is kept.
    info : BatchInfo
        What is known of the batch.

    Raises
    ------
    EvidenceError
        The directory cannot be written, another run is writing into it, or the store in it is not
        ours. Every method that writes may raise it.
    """

    def __init__(self, directory: str | os.PathLike[str], info: BatchInfo) -> None:
        if not os.fspath(directory):
            raise NoEvidence("no directory is named for the evidence; give one with --out")
        self.directory = Path(directory)
        self._fs = info.fs
        self._n = 0
        self._open = True
        with self._writing(), ExitStack() as opened:
            _make(self.directory)
            opened.callback(os.close, _lock(self.directory))
            self._store = Store(self.directory / "evidence.db")
            opened.callback(self._store.close)
            with suppress(NoEvidence):  # a value in it is damaged: its exports stay as they are
                _mend_killed(self.directory)
            self.batch = set_aside(self.directory, self._store.newest_batch()) + 1
            self._store.begin(self.batch, info)
            self._exports = Exports(self.directory, info.started)
            opened.callback(self._exports.close)
            self._clips = ClipWriter(self.directory, self.batch, info.fs)
            self._opened = opened.pop_all()

    def record(self, x: NDArray[np.floating], heard: Heard) -> list[str]:
        """Take the next samples, shape (n,), and what was heard in them.

        Returns
        -------
        list of str
            For each event its clip, as a path below the directory; "" where it has none.
        """
        with self._writing():
            self._n += len(x)
            names = self._clips.feed(np.asarray(x, dtype=np.float32), heard.events)
            events = list(zip(heard.events, names, strict=True))
            self._exports.add_trace(heard.trace)
            self._exports.add_pecks(heard.pecks)
            # Clips first, then the store, then the exports: whatever names something finds it there.
            if self._store.add(heard.trace, events, heard.pecks, self._clips.pop_written()):
                self._exports.add_events(events)
                self._exports.flush()
        return names

    def act(self, t: float, act: str, by: str = "") -> None:
        """Enter what a person did: 'acknowledge' or 'reset'; after the end nothing is entered."""
        if self._open:
            with self._writing():
                self._store.add_act(t, act, by)

    def force(self) -> None:
        """Force to the disk what was entered; not for the thread that hears, for a disk may be slow."""
        with self._writing():
            force(self.directory / "evidence.db")

    def finish(self, note: str = "") -> None:
        """Close the batch as finished; ``note`` is a sentence about it as a whole."""
        self._end("finished", note)

    def close(self) -> None:
        """Close the directory; a batch that was not finished is marked stopped. Never raises."""
        if self._open:
            with suppress(EvidenceError):
                self._end("stopped", "")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _end(self, state: str, note: str) -> None:
        self._open = False
        with self._writing(), self._opened:
            self._clips.finish()
            self._store.add((), (), (), self._clips.pop_written())
            self._store.finish(state, self._n / self._fs, note)
            self._exports.flush()

    @contextmanager
    def _writing(self) -> Iterator[None]:
        try:
            yield
        except EvidenceError:
            raise
        except (OSError, sqlite3.Error, soundfile.SoundFileError) as error:
            reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error).strip()
            raise EvidenceError(
                f"{self.directory}: the evidence cannot be written ({reason}); free some space, replace a "
                "card or disk that is worn out, or give another --out; what was written so far stays readable"
            ) from error


def _mend_killed(directory: Path) -> None:
    """Complete the exports of a batch that still runs by the store, and give a spoilt clip another name.

    Its process is gone, for this one holds the lock. Only a power cut spoils clips, the newest ones.
    """
    archive = Archive(directory)
    newest = next(iter(archive.batches()), None)
    if newest is None or newest.state != "running":
        return
    number, events, pecks = newest.number, archive.events(newest.number), archive.pecks(newest.number)

    def events_from(n: int) -> Iterable[str]:
        return [event_line(past.event, past.clip, past.at) for past in events[n:]]

    def trace_from(n: int) -> Iterable[str]:
        return (trace_line(row) for page in archive.trace_pages(number, skip=n) for row in page)

    def pecks_from(n: int) -> Iterable[str]:
        return map(peck_line, pecks[n:])

    for name, lines_from in zip(FILES, (events_from, trace_from, pecks_from), strict=True):
        complete(place_of(directory, number, name), lines_from)
    for clip in sorted((directory / "clips").glob(f"{number:04d}-*.flac"))[-NEWEST_CLIPS:]:
        if not is_whole(clip):
            clip.rename(clip.with_suffix(".spoilt"))


def _make(directory: Path) -> None:
    try:
        if not directory.is_dir():
            directory.mkdir(parents=True, exist_ok=True)
            sync(directory.absolute().parent)
    except (FileExistsError, NotADirectoryError):
        raise NoEvidence(f"{directory}: a file is in the way of that directory; give another --out") from None


def _lock(directory: Path) -> int:
    """Hold the directory for this process; the system lets go of it however the process ends."""
    lock = os.open(directory / ".lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(lock)
        raise EvidenceError(
            f"{directory}: another run is writing its evidence here; wait for it or give another --out"
        ) from None
    return lock
