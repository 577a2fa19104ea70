"""Random streams: an independent PCG64 stream for each seed and name; adding one disturbs no other."""

from __future__ import annotations

from zlib import crc32

import numpy as np


def stream(seed: int, *names: str | int) -> np.random.Generator:
    """Return the generator that belongs to ``seed`` and ``names``; the same on every platform."""
    keys = [name if isinstance(name, int) else crc32(name.encode()) for name in names]
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, *keys])))
