"""Where blocks come from and where holds go: the interfaces that devices implement."""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray


class Block(NamedTuple):
    """A piece of live sound, float32, shape (n,), full scale 1.

    ``at``: when its newest sample was handed over, on the monotonic clock. ``heard``: False where it stands
    in for lost sound and is NaN.
    """

    x: NDArray[np.float32]
    at: float
    heard: bool


class HoldLine(Protocol):
    """A fail-safe output: closed (energised) while all is well, open to hold the machine.

    Opening must be possible at any time and any number of times. Closing never moves a machine:
    it only ends the hold; the machine's own start control resumes motion.
    """

    @property
    def closed(self) -> bool:
        """True while energised, so that the machine may run."""
        ...

    def open(self) -> None:
        """De-energise: ask the machine to hold its feed."""
        ...

    def close(self) -> None:
        """Energise after a person's deliberate reset."""
        ...
