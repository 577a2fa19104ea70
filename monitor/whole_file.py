"""Files that are whole or not there: written aside first, then put in their place."""

from __future__ import annotations

import errno
import os
from pathlib import Path


def write_whole(path: Path, content: str | bytes) -> None:
    """Write bytes, or text as UTF-8; whatever goes wrong, the old file stays, and nothing half-written.

    What is no ordinary file, as a terminal or ``/dev/null``, is written to and never replaced.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    data = content if isinstance(content, bytes) else content.encode()
    if path.exists() and not path.is_file():
        path.write_bytes(data)  # says so itself where it is a directory
        return
    aside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        aside.write_bytes(data)
        put_in_place(aside, path)
    except OSError:
        if aside.exists():
            aside.unlink()
        raise


def put_in_place(aside: Path, path: Path) -> None:
    """Give a finished file its name, on the disk and not in the system's memory alone.

    Its content is forced out first: a file system may else keep the new name and lose what it names. Then the
    directory is: the name itself is content of the directory.

    Raises
    ------
    OSError
        The disk does not take it.
    """
    sync(aside)
    aside.replace(path)
    sync(path.parent)


def sync(path: Path) -> None:
    """Force a file, or the names in a directory, to the disk. Raises OSError."""
    fd = os.open(path, os.O_RDONLY)
    try:
        os.fsync(fd)
    except OSError as error:
        if error.errno != errno.EINVAL:  # what has no disk below it, such as a character device
            raise
    finally:
        os.close(fd)
