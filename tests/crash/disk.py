"""A disk that remembers in which order it was written, to be cut off from its power afterwards.

    python disk.py FOLDER LOG MEGABYTES

A file system in user space (FUSE) with one file, ``disk``, on which a loop device is set up, and on that an
ordinary file system. So all that reaches the disk passes here, below the file system: each write goes into
LOG as it comes, and each flush of the disk's own cache too. What a real disk may do at a power cut is made
from that afterwards (`after_power_cut`): what was flushed is there; of what came later any part is.
"""

from __future__ import annotations

import errno
import os
import random
import stat
import struct
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

HEAD = struct.Struct("<qq")  # place and length; place -1 is a flush
FLUSH = -1
SECTOR = 512  # what a disk writes whole or not at all


def entries(log: Path) -> Iterator[tuple[int, int, bytes]]:
    """Every entry of a log: where it ends in the log, place (`FLUSH` for a flush), and bytes."""
    with log.open("rb") as file:
        while len(head := file.read(HEAD.size)) == HEAD.size:
            place, length = HEAD.unpack(head)
            content = file.read(length)
            if len(content) < length:
                return
            yield file.tell(), place, content


def after_power_cut(
    log: Path, size: int, cuts: list[int], rng: random.Random
) -> Iterator[tuple[int, bytearray]]:
    """For each cut, a place in the log, what the disk holds then.

    Whole are all writes before the last flush. Of those after it each is there, or is not, or is in part, by
    lot: a disk's cache may go out in any order.
    """
    safe, later = bytearray(size), list[tuple[int, bytes]]()
    ends = iter(sorted(cuts))
    cut = next(ends, None)
    for end, place, content in entries(log):
        while cut is not None and end > cut:
            disk = bytearray(safe)
            for at, piece in later:
                for first in range(0, len(piece), SECTOR):
                    if rng.random() < 0.5:
                        part = piece[first : first + SECTOR]
                        disk[at + first : at + first + len(part)] = part
            yield cut, disk
            cut = next(ends, None)
        if cut is None:
            return
        if place == FLUSH:
            for at, piece in later:
                safe[at : at + len(piece)] = piece
            later.clear()
        else:
            later.append((place, content))


def serve(folder: str, log: str, megabytes: int) -> None:
    """Be the disk until the folder is unmounted."""
    from mfusepy import FUSE, FuseOSError, Operations

    content = bytearray(megabytes * 1_000_000)
    written = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)

    class Disk(Operations):  # type: ignore[misc]  # carries no types
        use_ns = True

        def getattr(self, path: str, fh: int | None = None) -> dict[str, Any]:
            if path == "/":
                return {"st_mode": stat.S_IFDIR | 0o700, "st_nlink": 2}
            if path == "/disk":
                return {"st_mode": stat.S_IFREG | 0o600, "st_nlink": 1, "st_size": len(content)}
            raise FuseOSError(errno.ENOENT)

        def readdir(self, path: str, fh: int) -> list[str]:
            return [".", "..", "disk"]

        def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
            return bytes(content[offset : offset + size])

        def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
            content[offset : offset + len(data)] = data
            os.write(written, HEAD.pack(offset, len(data)) + data)
            return len(data)

        def fsync(self, path: str, datasync: int, fh: int) -> int:
            os.write(written, HEAD.pack(FLUSH, 0))
            return 0

        def truncate(self, path: str, length: int, fh: int | None = None) -> int:
            return 0

    FUSE(Disk(), folder, foreground=True, nothreads=True)


if __name__ == "__main__":
    serve(sys.argv[1], sys.argv[2], int(sys.argv[3]))
