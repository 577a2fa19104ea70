"""Files that are whole or not there: written aside first, then put in their place."""

from __future__ import annotations

import os
from pathlib import Path


def write_whole(path: Path, text: str) -> None:
    """Write UTF-8 text; whatever goes wrong, the old file stays as it was and nothing half-written is left.

    What is no ordinary file, as a terminal or ``/dev/null``, is written to and never replaced.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    if path.exists() and not path.is_file():
        path.write_text(text, encoding="utf-8")  # says so itself where it is a directory
        return
    aside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        aside.write_text(text, encoding="utf-8")
        aside.replace(path)
    except OSError:
        if aside.exists():
            aside.unlink()
        raise
