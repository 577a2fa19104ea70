"""Spectra of frames half as long, for a slow spindle that falls: asked hop by hop where that matters.

The spectra of a slow spindle are of 0.2 s, so that its low lines are parted. One that binds by 30 % a second
sweeps a line of 1 kHz over 60 Hz meanwhile, eight times a bin's width, and stands out in none of them; and
the middle of the frame, of which it tells, is a tenth of a second ago. In frames of half the length the line
sweeps half as far over bins twice as wide, and they tell of half as long ago. What rings in the cut rings in
them too: the colour that `monitor.signal.cut_colour` adds to the floor is added here as well, each second
bin of it, for its bins lie half as far apart; it is smoothed over as much.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from monitor.signal.line_evidence import LineEvidence, spectrum_steps
from monitor.signal.spectrum import (
    SpectrumGeometry,
    band_floor,
    hearing_floor,
    power_density,
    spread_floor,
    to_db,
)


class ShortFrames:
    """The newest samples of the hops of a call.

    Parameters
    ----------
    frames : float32, shape (n_hops, n), n at least that of the geometry
    evidence : LineEvidence
        Of the same geometry, expecting lines as loud as they were then.
    colour_db : float32, shape (n_hops, n_bins)
        What the cut adds to the floor of the spectra of frames twice as long, dB; flat without.
    """

    def __init__(
        self,
        frames: NDArray[np.float32],
        evidence: LineEvidence,
        geometry: SpectrumGeometry,
        colour_db: NDArray[np.float32] | None = None,
    ) -> None:
        self._frames, self._evidence, self._g, self._colour_db = frames, evidence, geometry, colour_db
        self._known: dict[int, NDArray[np.float32]] = {}

    def scores(self, n: int) -> NDArray[np.float32]:
        """Evidence of each candidate speed in the frame that ends with hop ``n``, nats, shape (n_states,)."""
        found = self._known.get(n)
        if found is None:
            density = power_density(self._frames[n : n + 1, -self._g.n :], self._g)
            density_db = to_db(density)
            floor_db = hearing_floor(spread_floor(band_floor(density, self._g), self._g), density_db)
            if self._colour_db is not None:
                colour_db = self._colour_db[n, ::2][: self._g.n_bins]
                floor_db[:, : colour_db.size] += colour_db
            found = self._known[n] = self._evidence.scores(spectrum_steps(density_db, floor_db))[:, 0]
        return found
