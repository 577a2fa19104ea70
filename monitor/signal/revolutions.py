"""Sound against the angle of rotation: how far each sector of a turn stands out of the rest of it.

The power of narrow bands is sorted by the angle at which it was heard (time synchronous averaging, McFadden
1987, from memory): what comes at the same angle turn after turn can then be added up by whoever judges it,
and what is not locked to this spindle averages out. Speech, music and hammering are not locked, nor for long
is a second machine at another speed.

A blow is short in angle. Work that runs out of true, and lips that are not quite equal, swell once and twice
a turn, smoothly: the first two harmonics of a turn are taken away, and most of a blow is left. It is sought
in each sector and the one after it, in which it rings on.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

MOST_SECTORS = 24
"""Of 15 degrees: at 300 rpm 8 ms, a struck body's ring."""

SWELLS = 2
"""Harmonics of a turn that are smooth: stock out of true gives the first, two lips the second. In drawn good
cuts the third and higher ones add little, and taking them away as well costs a blow more than it saves."""

RINGS_ON, NARROW = 0.6, 12
"""How much of what is heard in the next sector is added to each: a blow rings on, falls between two sectors,
and creeps from one to the next while turns are averaged. Of drawn knocks a tenth more are then told at as
many false ones. Not where a turn has fewer sectors than these: so wide a blow goes with the swell."""

_LEFT = 2  # harmonics that have to be left where a turn has few sectors
_FILL = 0.8  # sectors per piece: so every sector is heard in every turn
_WHOLE = 0.98  # of a turn at the job's speed that counts as whole
_MOST = np.float32(30.0)  # that one piece counts, in powers of its band's noise: 15 dB
_LOG_MEAN = 0.2507  # mean of noise power over the mean of its logarithm: Euler's constant over ln 10
_USUAL_S = 1.0  # a band's deviation is averaged over so much: short, since a cut may begin
_LEAST = np.array(0.02, np.float32)  # deviation of a band, in its power
_SILENCE = np.float32(1e-20)
_OFF = 0.3  # a speed this far from the job's is not this job's rotation: coast on the last


class Turn(NamedTuple):
    """One turn heard, or a few where several fit into a hop.

    ``deviations``: float32, shape (n_bands, n_sectors), power of each sector and of what rings on in the
    next, without the swell of the turn, in the band's usual deviations; 0 where not all of the turn was
    heard. ``usual``: float32, shape (n_bands,), these deviations, in powers of the band's noise. ``power``:
    float32, shape (n_bands,), mean of the turn, of which no piece counts more than `_MOST`. ``turns``: turns
    since the start, at the end of the turn.
    ``beat``: complex, of modulus 1, where in the turn the sound swells as often as the drill has lips.
    ``noise``: float32, shape (n_bands,), power of the noise of the turn, by the logarithms of its pieces.
    """

    deviations: NDArray[np.float32]
    usual: NDArray[np.float32]
    power: NDArray[np.float32]
    turns: float
    beat: complex
    noise: NDArray[np.float32]


class Revolutions:
    """Streaming: powers, such as those of `monitor.signal.pieces`, into turns. Constant memory; causal.

    Turns do not overlap: each is heard in ``every`` hops of its own. The dial may be off by 2 %, so sectors
    of one turn and the next are the same angle only as far.
    """

    def __init__(
        self, n_pieces: int, n_bands: int, n_fine: int, spindle_hz: float, hop_s: float, flutes: int
    ) -> None:
        """``n_pieces`` by ``n_bands`` powers a hop, ``n_fine`` of the upper envelope; the job's speed."""
        self._expected_hz = self._hz = spindle_hz
        per_turn = n_pieces / (spindle_hz * hop_s)
        self.sectors = n = max(6, min(MOST_SECTORS, int(_FILL * per_turn)))
        self.bands = n_bands
        self.every = max(1, math.ceil(_WHOLE / (spindle_hz * hop_s)))
        self._turns_so_far = 0.0
        self._per_hop, self._at = hop_s, (np.arange(n_pieces) + 0.5) / n_pieces
        self._flutes, self._fine_at = flutes, (np.arange(n_fine) + 0.5) / n_fine
        self._one = np.vstack([np.eye(n), np.eye(n)[:1]]).astype(np.float32)  # a whole turn may round up
        # hops of a turn that is not whole yet
        self._begun = np.zeros((0, n_pieces, n_bands), np.float32)
        self._begun_sectors = np.zeros((0, n_pieces), np.intp)
        self._begun_beats = np.zeros((0, 2, n_fine))
        self._pieces = np.ones((1, self.every * n_pieces), np.float32)
        self._blow_finder = blow_finder(n)
        self._share = min(1.0, self.every * hop_s / _USUAL_S)
        self._heard = 0
        self._usual = np.ones(n_bands, np.float32)

    def feed(
        self, power: NDArray[np.float32], upper: NDArray[np.float32], spindle_hz: list[float]
    ) -> list[Turn | None]:
        """Take hops; of each, the turn that ends with it, if one does.

        Parameters
        ----------
        power : float32, shape (n_hops, n_pieces, n_bands), over 0
        upper : float32, shape (n_hops, n_fine), power of the band in which a cut hisses
        spindle_hz : of each hop; NaN where not known, which coasts on the last
        """
        n, every = self.sectors, self.every
        begins, per_hop, ends = self._angles(spindle_hz)
        sectors = (((begins + per_hop * self._at) % 1.0) * n).astype(np.intp)
        beats = np.empty((upper.shape[0], 2, upper.shape[1]))
        np.log10(np.maximum(upper, _SILENCE), out=beats[:, 0], dtype=np.float64)
        np.multiply(begins + per_hop * self._fine_at, self._flutes, out=beats[:, 1])
        waiting = self._begun.shape[0]
        if waiting:
            power = np.concatenate([self._begun, power])
            sectors = np.concatenate([self._begun_sectors, sectors])
            beats = np.concatenate([self._begun_beats, beats])
        whole = power.shape[0] // every
        self._begun, self._begun_sectors = power[whole * every :].copy(), sectors[whole * every :].copy()
        self._begun_beats = beats[whole * every :].copy()
        told: list[Turn | None] = [None] * len(spindle_hz)
        if not whole:
            return told
        of_turn = power[: whole * every].reshape(whole, -1, self.bands)
        inside = self._one.take(sectors[: whole * every].reshape(whole, -1), axis=0)
        # products of one shape a turn, and not sums: these may round otherwise where there are more turns
        noise = np.matmul(self._pieces, np.log10(of_turn))
        noise *= np.float32(1 / self._pieces.size)
        noise += np.float32(_LOG_MEAN)
        relative = of_turn * np.power(np.float32(10), -noise)
        np.minimum(relative, _MOST, out=relative)
        noise_power = np.power(np.float32(10), noise[:, 0])
        mean = np.matmul(self._pieces, relative)[:, 0] * noise_power
        mean *= np.float32(1 / self._pieces.size)
        count = np.matmul(self._pieces, inside)
        level = np.matmul(relative.transpose(0, 2, 1), inside)
        level /= np.maximum(count, np.float32(1))
        over = np.matmul(level, self._blow_finder)
        deviation = np.matmul(np.abs(over), np.full(n, math.sqrt(math.pi / 2) / n, np.float32))
        level_of, turns_of = beats[: whole * every].transpose(1, 0, 2).reshape(2, whole, -1)
        level_of = level_of - np.add.reduce(level_of, axis=1, keepdims=True) / level_of.shape[1]
        angle_of = ((turns_of - np.rint(turns_of)) * (-2 * np.pi)).astype(
            np.float32
        )  # of which it is soon done
        beat = np.empty(whole, np.complex128)
        beat.real = np.add.reduce(level_of * np.cos(angle_of), axis=1)
        beat.imag = np.add.reduce(level_of * np.sin(angle_of), axis=1)
        beat = (beat / np.maximum(np.abs(beat), _LEAST)).tolist()
        # neighbours of a sector that was not heard would stand out
        heard = np.logical_and.reduce(count[:, 0] > 0, axis=1).tolist()
        usual = self._usual_of(deviation, heard)
        over /= usual[:, :, None]
        if not all(heard):
            over[[not one for one in heard]] = 0.0
        at = slice(every - waiting - 1, None, every)
        told[at] = map(Turn, over, usual, mean, ends[at], beat, noise_power)
        return told

    def _usual_of(self, deviations: NDArray[np.float32], heard: list[bool]) -> NDArray[np.float32]:
        """Usual deviations of the bands at turns, shape (n_turns, n_bands); learned where one was heard."""
        shares = []
        for whole in heard:
            self._heard += whole
            shares.append(max(self._share, 1 / self._heard) if whole else 0.0)
        usual = weighted_means(deviations, self._usual, shares, _LEAST)
        self._usual = usual[-1].copy()
        return usual

    def _angles(
        self, spindle_hz: list[float]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], list[float]]:
        """Turns at the begin of each hop and in it, shape (n_hops, 1), and at its end."""
        known_hz, expected_hz, hop_s = self._hz, self._expected_hz, self._per_hop
        edges, per_hop = [self._turns_so_far], []
        for hz in spindle_hz:
            if abs(hz / expected_hz - 1) < _OFF:  # not so for NaN
                known_hz = hz
            turns = known_hz * hop_s
            per_hop.append(turns)
            edges.append(edges[-1] + turns)
        self._hz, self._turns_so_far = known_hz, edges[-1]
        return np.array(edges[:-1])[:, None], np.array(per_hop)[:, None], edges[1:]


def weighted_means(
    values: NDArray[np.float32],
    before: NDArray[np.float32],
    shares: list[float],
    least: float | NDArray[np.float32] = -math.inf,
) -> NDArray[np.float32]:
    """Exponentially weighted means after each of some values, shape (n, ...), of which each counts its share.

    ``before``: the mean before the first, shape (...). No mean falls under ``least``.
    """
    means, number, numbered = np.empty_like(values), np.empty((), np.float32), math.nan
    for bounded in (False, True):  # hardly ever one would fall so low
        now = before
        for value, share, after in zip(values, shares, means, strict=True):
            if share != numbered:
                number[()] = numbered = share
            np.subtract(value, now, after)
            np.multiply(after, number, after)
            now = np.add(now, after, after)
            if bounded:
                now = np.maximum(after, least, out=after)
        if least == -math.inf or np.minimum.reduce(means, axis=None) >= least:
            break
    return means


def blow_finder(sectors: int) -> NDArray[np.float32]:
    """What finds blows in levels of a turn's sectors, shape (sectors, sectors), to multiply from the right.

    It takes away their mean and the smooth harmonics, and adds to each what is heard in the next.
    """
    angle = 2 * np.pi * np.arange(sectors) / sectors
    rows = [np.full(sectors, math.sqrt(0.5))]
    for order in range(1, min(SWELLS, (sectors - 1) // 2 - _LEFT) + 1):
        rows += [np.cos(order * angle), np.sin(order * angle)]
    smooth = np.array(rows) * math.sqrt(2 / sectors)
    one = np.eye(sectors)
    rings_on = RINGS_ON if sectors >= NARROW else 0.0
    with_next = (one + rings_on * np.roll(one, -1, axis=1)) / math.hypot(1, rings_on)
    return np.asarray((one - smooth.T @ smooth) @ with_next, np.float32)
