"""What else is heard in a workshop. Each sound is made for its own seed, at unit peak-free scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Background:
    """A sound from elsewhere: ``level_db`` is its rms at the microphone over that of the machine running free."""

    kind: str
    start_s: float
    seconds: float
    level_db: float
    seed: int = 0


def sound_of(background: Background, fs: int) -> NDArray[np.float32]:
    raise NotImplementedError
