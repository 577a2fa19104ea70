"""A synthetic machine that obeys a hold line: it stops feeding, and goes on after the reset.

What a real machine does is its maker's affair. This one backs the drill out at a hold, leaves the
spindle turning (as a held feed does), gives that blank up, and begins the next one after the reset.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from monitor.synth.render import SceneStream
from monitor.synth.truth import TRUTH_HZ

Samples = NDArray[np.float32]

# After the reset the scene goes on this long before its spindle stops: the drill is out by then.
RESUME_BEFORE_STOP_S = 0.3


class HeldScene:
    """Plays a scene for as long as it may run, and the machine waiting while it may not.

    Parameters
    ----------
    stream : SceneStream
        The batch, at its beginning.
    waiting : mapping
        Commanded rpm to the sound of the machine turning free at it, shape (n,), repeated while it
        waits; one entry for each speed of the scene, and one for 0.
    """

    def __init__(self, stream: SceneStream, waiting: Mapping[float, Samples]) -> None:
        self._stream = stream
        self._waiting = {rpm: _endless(x, stream.fs) for rpm, x in waiting.items()}
        self._played_n = 0  # samples of the scene, played or skipped
        self._resume_n: int | None = None  # None while the scene runs
        self._loop: Samples = np.zeros(0, np.float32)
        self._loop_n = 0

    @property
    def held(self) -> bool:
        """True while the machine waits."""
        return self._resume_n is not None

    def read(self, n: int, may_run: bool) -> Samples:
        """The next ``n`` samples; fewer at the end of the scene, none after it.

        The change between running and waiting is a cross-fade over one call's samples.
        """
        if self._resume_n is None:
            if may_run:
                return self._take(n)
            self._begin_wait()
            return _cross_fade(self._take(n), self._wait(n))
        self._skip(2 * n)
        if may_run and self._played_n >= self._resume_n:
            self._resume_n = None
            return _cross_fade(self._wait(n), self._take(n))
        return self._wait(n)

    def _take(self, n: int) -> Samples:
        x = self._stream.read(n)
        self._played_n += len(x)
        return x

    def _skip(self, n: int) -> None:
        """Give up what is left of the blank, a little at a time: it has to be rendered to be passed."""
        if self._resume_n is not None and self._played_n < self._resume_n:
            self._take(min(n, self._resume_n - self._played_n))

    def _begin_wait(self) -> None:
        truth, fs = self._stream.truth, self._stream.fs
        t = self._played_n / fs
        commanded = truth.curve("commanded_rpm")
        rpm = float(commanded[min(int(t * TRUTH_HZ), commanded.size - 1)]) if commanded.size else 0.0
        self._loop = self._waiting[rpm]
        self._loop_n = 0
        ends = [blank.end_s for blank in truth.blanks]
        blank = bisect_right([span.start_s for span in truth.blanks], t) - 1
        turning = blank >= 0 and t < ends[blank]
        self._resume_n = round((ends[blank] - RESUME_BEFORE_STOP_S) * fs) if turning else self._played_n

    def _wait(self, n: int) -> Samples:
        at = np.arange(self._loop_n, self._loop_n + n) % len(self._loop)
        self._loop_n += n
        return self._loop[at]


def _endless(x: Samples, fs: int) -> Samples:
    """A sound whose end runs into its beginning: cut hard, each round would click like a drill's contact.

    The last second is faded into the first at constant power, being noise and tones of unrelated phase.
    """
    n = min(fs, len(x) // 4)
    angle = np.linspace(0.0, np.pi / 2, n, dtype=np.float32)
    seam = x[len(x) - n :] * np.cos(angle) + x[:n] * np.sin(angle)
    return np.concatenate([x[n : len(x) - n], seam])


def _cross_fade(old: Samples, new: Samples) -> Samples:
    n = min(len(old), len(new))
    rising = np.linspace(0.0, 1.0, n, dtype=np.float32)
    return old[:n] * (1 - rising) + new[:n] * rising
