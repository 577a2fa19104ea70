"""The drill in the material: load along the depth, and the sound of the cut."""

from __future__ import annotations

from dataclasses import dataclass
from math import gamma

import numpy as np
from numpy.typing import NDArray

from monitor.synth.rooms import colour_axis

FILL_FREE = 0.65
"""Flute fill up to which trapped chips cost nothing; common practice fills the flutes about two thirds."""


def packing_factor(fill: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the factor by which trapped chips raise the torque.

    Chip-evacuation torque grows exponentially with depth beyond a critical one (Mellinger et al. 2002,
    J. Manuf. Sci. Eng. 124:605); the constants are this model's own: 1.6 times at full flutes, 3.5 at 1.3.
    """
    over = np.maximum(fill - FILL_FREE, 0.0)
    return 1.0 + 0.2 * np.expm1(4.0 * np.minimum(over, 1.5))


LARGEST = 5.0
"""No chip is larger than the lip is long: the exponential of crackle heights ends here (1 in 150 do)."""


@dataclass(frozen=True)
class CutSound:
    """The sound of a cut in one kind of material.

    ``centre_hz`` and ``octaves`` shape its broadband part (a bell over log frequency, on a gentle slope);
    ``rate`` crackles a revolution on average, each E**``spread`` high (E exponentially distributed), carrying
    ``share`` of the power; ``uneven`` is the spread of the slow, irregular change of level (grain).
    """

    centre_hz: float
    octaves: float
    rate: float
    spread: float
    share: float
    uneven: float


_SOUNDS = {
    "curl": CutSound(3800.0, 1.3, 10.0, 1.6, 0.65, 0.05),
    "crumb": CutSound(2400.0, 1.5, 45.0, 0.9, 0.25, 0.12),
    "fibre": CutSound(1700.0, 1.6, 30.0, 0.8, 0.15, 0.15),
    "broken": CutSound(3000.0, 1.4, 6.0, 1.0, 0.4, 0.05),
}


def cut_sound(chip_form: str, crackle: float) -> CutSound:
    """Return the sound of a material from its chip form and its crackle (0 a hiss .. 1 impulsive)."""
    base = _SOUNDS[chip_form]
    share = float(np.clip(crackle, 0.02, 0.9))
    irregular = chip_form == "crumb" and crackle > 0.35  # burl: grain in every direction
    return CutSound(
        base.centre_hz,
        base.octaves,
        base.rate * (0.5 if irregular else 1.0),
        base.spread + (0.4 if irregular else 0.0),
        share,
        0.35 if irregular else base.uneven,
    )


def hiss_colour(sound: CutSound, fs: int) -> NDArray[np.float64]:
    """Return the magnitude in dB of the broadband part of a cut, at ``colour_axis(fs)``."""
    octave = np.log2(np.maximum(colour_axis(fs), 50.0) / sound.centre_hz)
    return np.asarray(-6.0 * np.minimum((octave / sound.octaves) ** 2, 4.0) - 1.0 * np.abs(octave))


def rub_colour(fs: int) -> NDArray[np.float64]:
    """Return the magnitude in dB of rubbing: below about 1.5 kHz, at ``colour_axis(fs)``."""
    octave = np.log2(np.maximum(colour_axis(fs), 50.0) / 700.0)
    return np.asarray(-6.0 * np.minimum((octave / 1.0) ** 2, 5.0))


def crackles(
    rng: np.random.Generator, sound: CutSound, strength: NDArray[np.float32], revolutions: float
) -> NDArray[np.float32]:
    """Return the clicks of breaking chips, unit mean power where ``strength`` is 1.

    ``strength`` (one value a sample) also thins them out: a weaker cut breaks fewer chips as well as
    smaller ones. ``revolutions`` is how many turns the samples span.
    """
    n = strength.size
    count = int(rng.poisson(sound.rate * revolutions))
    x = np.zeros(n, np.float32)
    if count == 0:
        return x
    at = rng.integers(0, n, count)
    height = np.minimum(rng.exponential(1.0, count), LARGEST) ** sound.spread * rng.choice([-1.0, 1.0], count)
    kept = rng.random(count) < strength[at]
    mean_square = gamma(1.0 + 2.0 * sound.spread) * sound.rate * revolutions / n
    np.add.at(x, at[kept], (height[kept] * strength[at[kept]] / np.sqrt(mean_square)).astype(np.float32))
    return x


def lip_modulation(
    turns: NDArray[np.float64], flutes: int, depth: float, uneven: float, eccentric: float
) -> NDArray[np.float32]:
    """Return the gain of the cutting sound over the turn.

    The lips pass ``flutes`` times a revolution (``depth``), never quite equal (``uneven``); eccentric or bent
    stock adds once per revolution (``eccentric``).
    """
    angle = ((turns - np.floor(turns)) * (2 * np.pi)).astype(np.float32)
    gain = 1.0 + depth * np.cos(flutes * angle) + (uneven + eccentric) * np.cos(angle + 0.7)
    return np.asarray(np.maximum(gain, 0.0), np.float32)
