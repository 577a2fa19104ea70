"""A knock that is normal here and grows: the level of what strikes at one angle, against that of good cuts.

How far a knock stands out of its turn has no scale where it is well heard: it rings on in the machine and the
room, what it is compared to is its own ring, and both grow alike. A machine that knocks in every good turn (a
belt joint, a key, a jaw) shows as many deviations at four times the amplitude. Its power does grow: that at
the angle which stands out, over the same turns, in full scale. Sound that is not locked to the turn adds
nothing to it, be it as loud as it likes, and one that lessens takes nothing away.

Level alone is no proof: of sparse chips, one or two that break loudly within some turns make the mean at one
angle or another as loud as a knock that grows. They are loud in a turn or two, and a knock strikes in all of
them: so by the mean of turns of which none counts much (`monitor.faults.loosening`) it has to stand out
by more than is normal here as well, if not by as much as tells by itself. Good work that shows one of the two
seldom shows the other: of 71 good machines that knock three were held by level alone, and with both none, nor
with all other bounds 3 dB lower.

What else makes it grow is asked besides. A microphone that is turned up raises every band, also those in
which nothing is struck: what the band that rose least has risen is taken away. A cut varies, with its depth
and from blank to blank: how much is learned, from cut to cut and from turn to turn, and it has to grow within
a cut. A hard spot in the stock is struck by each lip of the drill, so as many times a turn; a holding strikes
once.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.signal.revolutions import Turn

MEMORY_S, LEAST_TURNS = 0.5, 5
"""Turns of which the mean is taken, at least: the loudest of them is left out, which may hold a chip that
broke loudly."""

WELL_HEARD = 2.5
"""Deviations of a mean by which more than noise normally stands out, at least: three and a half of what noise
scatters. A fainter one has no level to compare with, and grows in deviations."""

HEARD_DB, HEARD_WHOLLY_DB = -3.0, 0.0
"""Level of the normal knock over the noise of its turn, in a group of bands, from which on the group counts,
and counts wholly: of half the noise more is chance than knock."""

LOUDER_DB, NET_DB = 6.0, 5.0
"""How much louder than in good cuts, at least: twice the amplitude, 1.5 s after which a knock has to be told.
And without what the least risen band has risen, which is of noise and so scatters by a decibel."""

ALSO_Z = 2.0
"""Deviations over normal by which it has to stand out of its turns besides, as one in fifty of good looks
does. With one instead, two of 24 good machines held at bounds 2 dB lower, and with two none at 3 dB lower."""

CUTS_Z, TURNS_Z, OVER_MOST_DB = 4.0, 3.0, 2.0
"""And in deviations from cut to cut, from turn to turn, and over all but a fiftieth of good turns."""

GREW_DB = 3.0
"""Growth over the least of this cut. One that knocks louder from its first turn on, in a harder blank or
deeper in it, is no holding that lets go; one that does goes on growing."""

NEAR, ALONE = 0.15, 0.5
"""Nothing farther from its angle than this share of a turn strikes half as loud: a holding strikes once a
turn, and a hard spot of the stock at each of the drill's lips."""

LASTS_S, LASTS_TURNS = 0.3, 3
"""So many turns in a row show it, over so long a time."""

LEAST_CUTS, MOST_CUTS, LEAST_CUT_S = 4, 12, 0.4
"""Cuts of which the normal level is the median, and how long each is heard at
least. Three say next to nothing of how much they differ."""

SETTLE_S = 0.3
"""The first of a cut is left out: the drill's point enters."""

DIFFER_DB = 1.0
"""Deviation from cut to cut and from turn to turn, at least."""

_FLOOR = np.float32(0.1)  # of a knock, in powers of its turn's noise
_SILENCE = np.float32(1e-13)
_TO_DEVIATION = 1.4826  # a normal variable's, of its median absolute one
_UPPER, _MOST = 0.84, 0.98  # quantiles: one deviation over the median, and two


class _Heard(NamedTuple):
    turns: float
    over: NDArray[np.float32]  # shape (n_groups, n_sectors), powers of the noise
    noise_db: NDArray[np.float64]
    total_db: NDArray[np.float64]


class _Normal(NamedTuple):
    over_db: NDArray[np.float64]  # knock over the noise of its turn, shape (n_groups,)
    total_db: NDArray[np.float64]
    weights: NDArray[np.float64]
    knock_db: float  # weighted mean over groups, full scale
    least_db: float  # that a knock has to be louder


@dataclass(slots=True)
class KnockLevel:
    """`step` each turn of a cut, of ``step_s`` and ``sectors``; `begin` and `end` each cut."""

    step_s: float
    sectors: int
    _cuts: deque[NDArray[np.float64]] = field(default_factory=lambda: deque(maxlen=MOST_CUTS))
    _cut: list[NDArray[np.float64]] = field(default_factory=list)  # of turns: over, knock and total, in dB
    _normal: _Normal | None = None
    _newest: deque[_Heard] = field(init=False)
    _least_db: float = math.inf  # how much louder it was at least in this cut
    _all: NDArray[np.intp] = field(init=False)
    _turns: int = 0
    _shown: int = 0
    _taints: bool = False  # this cut is nothing normal

    def __post_init__(self) -> None:
        self._newest = deque(maxlen=max(LEAST_TURNS, round(MEMORY_S / self.step_s)))
        self._all = np.arange(self.sectors)

    def begin(self) -> None:
        """A cut begins."""
        self._newest.clear()
        self._cut, self._turns, self._shown, self._taints = [], 0, 0, False
        self._least_db = math.inf
        self._normal = self._normally() if len(self._cuts) >= LEAST_CUTS else None

    def end(self) -> None:
        """The cut is over. Of one that knocked, or that another sound covers, nothing is learned."""
        if len(self._cut) * self.step_s >= LEAST_CUT_S and not self._taints:
            self._cuts.append(np.array(self._cut))
        self._cut = []

    def knocks(self) -> None:
        """A knock was told in this cut."""
        self._taints = True

    def step(
        self,
        turn: Turn,
        groups: NDArray[np.float32],
        creep: float,
        z: float,
        well_heard: bool,
        enters: bool,
        doubtful: bool,
    ) -> float | None:
        """By how many dB the knock is louder than in good cuts; None where it is not.

        ``groups``: float32, shape (n_groups, n_bands), means over neighbours. ``creep``: sectors a turn by
        which what stands out most creeps; ``z``: deviations over normal by which it does. ``well_heard``:
        what strikes normally is; ``enters``: the drill's point is not in yet; ``doubtful``: another sound is
        louder than the machine, or strikes as often.
        """
        self._taints = self._taints or doubtful
        if enters:
            return None
        self._turns += 1
        over = np.matmul(groups, turn.deviations * turn.usual[:, None])
        noise_db = 10 * np.matmul(groups, np.log10(np.maximum(turn.noise, _SILENCE))).astype(np.float64)
        total_db = 10 * np.log10(np.maximum(np.matmul(groups, turn.power), _SILENCE)).astype(np.float64)
        newest = self._newest
        newest.append(_Heard(turn.turns, over, noise_db, total_db))
        if self._turns * self.step_s < SETTLE_S or len(newest) < LEAST_TURNS:
            return None
        turns, overs, noises_db, totals_db = (np.array(some) for some in zip(*newest, strict=True))
        where = np.rint(self._all + creep * turns[:, None]).astype(np.intp) % self.sectors
        turned = overs[np.arange(turns.size)[:, None], :, where]  # shape (n_turns, n_sectors, n_groups)
        mean = ((np.add.reduce(turned) - np.maximum.reduce(turned)) / (turns.size - 1)).T
        angle = int(np.square(np.maximum(mean, 0)).sum(axis=0).argmax())
        over_db = 10 * np.log10(np.maximum(mean[:, angle], _FLOOR)).astype(np.float64)
        knock_db = over_db + np.add.reduce(noises_db) / turns.size
        total_db = np.add.reduce(totals_db) / turns.size
        self._cut.append(np.array([over_db, knock_db, total_db]))
        normal = self._normal
        if normal is None:
            return None
        louder_db = float(normal.weights @ knock_db) - normal.knock_db
        self._least_db = min(self._least_db, louder_db)
        all_db = max(float((total_db - normal.total_db).min()), 0.0)
        shows = (
            well_heard
            and not doubtful
            and z >= ALSO_Z
            and louder_db >= max(normal.least_db, self._least_db + GREW_DB)
            and louder_db - all_db >= NET_DB
            and self._alone(normal.weights @ mean, angle)
        )
        self._shown = self._shown + 1 if shows else 0
        if self._shown < max(LASTS_TURNS, round(LASTS_S / self.step_s)):
            return None
        self._taints = True
        return louder_db

    def _alone(self, mean: NDArray[np.float64], angle: int) -> bool:
        """Whether nothing else strikes half as loud in the turn; ``mean``: of sectors, shape (n_sectors,)."""
        near = max(2, round(NEAR * self.sectors))
        elsewhere = np.roll(mean, -angle)[near + 1 : self.sectors - near]
        return bool(elsewhere.max(initial=0.0) <= ALONE * mean[angle])

    def _normally(self) -> _Normal | None:
        """What good cuts show; None where no knock is heard in them."""
        cuts = np.array([np.median(cut, axis=0) for cut in self._cuts])  # shape (n_cuts, 3, n_groups)
        over_db, each_db, total_db = np.median(cuts, axis=0)
        differ = np.maximum(_TO_DEVIATION * np.median(np.abs(cuts[:, 1] - each_db), axis=0), DIFFER_DB)
        weights = np.clip((over_db - HEARD_DB) / (HEARD_WHOLLY_DB - HEARD_DB), 0, 1) / np.square(differ)
        if not weights.any():
            return None
        weights /= weights.sum()
        of_cuts = cuts[:, 1] @ weights
        of_turns = np.concatenate([cut[:, 1] @ weights for cut in self._cuts])
        knock_db = float(np.median(of_cuts))
        cut_db = max(_TO_DEVIATION * float(np.median(np.abs(of_cuts - knock_db))), DIFFER_DB)
        upper, most = np.quantile(of_turns, [_UPPER, _MOST])
        turn_db = max(float(upper - np.median(of_turns)), DIFFER_DB)
        least_db = max(
            LOUDER_DB,
            CUTS_Z * cut_db * math.sqrt(1 + 1 / len(cuts)),
            TURNS_Z * turn_db,
            float(most) - knock_db + OVER_MOST_DB,
        )
        return _Normal(over_db, total_db, weights, knock_db, least_db)
