"""Whether a tone grows and fades as the lips come round: the mark of one that the drill makes in the cut.

What chatters is fed by lips that come round, so that its amplitude follows them: beside its line stand
others, a passing of the lips away (the sidebands of Altintas, Manufacturing Automation, from memory). A
voice, a whistle or another machine does not know how fast this spindle turns.

What a turn pushes, a knock that rings in the room, beats as the lips come round too, for it does all that the
turn does; but it beats as often as the drill turns, which lips that are alike do not (`turn_beat`).

The tone is brought down to zero frequency and divided by its own average over 0.1 s, which leaves how its
amplitude beats. The power of that beat at the lips' passing is compared to its mean power beside it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

PIECE_S = 0.005
"""Pieces in which the beat is heard: up to 100 Hz, which two lips pass at 3000 rpm."""

CARRIER_S = 0.1
"""The tone's own course is what it does more slowly: its growth, its fading in the room, a vibrato."""

BESIDE, BESIDE_HZ = 1.5, 12.0
"""What is beside: from so many widths of a line on either side (a Hann window's main lobe is two wide), over
so many hertz."""

LEAST_HZ, MOST_HZ = 6.0, 90.0
"""A slower beat is the tone's own course, and a faster one is not heard in such pieces."""

BOTH_SIDES, SIDE_SHOWS = 0.03, 3.0
"""Power of the weaker of the lines a passing away, at least, over that of the stronger, and over the noise
beside them. What beats stands on both sides alike, but for the room: of two gains of a diffuse room one is so
much weaker in six cases of a hundred. A line of the machine that lies a passing beside another sound's tone
stands on one side alone, and noise on the other is three times its mean in five of a hundred."""

LINES = 8.0
"""Of both lines a turn away, or one a passing away, over the mean of what lies between: four times the power
each. Noise has that in a few cases of a hundred, and a tone that wanders is as wide between them."""

_NOT_THERE = 1e-3  # of its greatest amplitude


def lip_beat(sound: NDArray[np.float32], fs: float, hz: float, passing_hz: float) -> float:
    """Power of a tone's beat at one frequency over its mean power beside that.

    Parameters
    ----------
    sound : float32, shape (n,)
        Half a second or more in which the tone stands over the noise, full scale 1.
    fs, hz : sample rate and the tone's frequency, Hz, to a few hertz
    passing_hz : how often a lip passes, Hz

    Returns
    -------
    float
        Of noise exponentially distributed about 1, but for how well its surroundings are known; 0 where the
        beat is with a single line beside the tone (`BOTH_SIDES`); NaN where the passing is too slow or too
        fast to be heard, or the sound is shorter than half a second.

    Examples
    --------
    >>> t = np.arange(9600) / 12000
    >>> noise = 0.05 * np.random.default_rng(1).standard_normal(t.size)
    >>> tone = np.cos(2 * np.pi * 730 * t)
    >>> lips = 1 + 0.2 * np.cos(2 * np.pi * 30 * t)
    >>> [lip_beat((x + noise).astype(np.float32), 12000, 731, 30) > 20 for x in (tone, lips * tone)]
    [False, True]
    """
    per = round(PIECE_S * fs)
    n = sound.size // per
    if not LEAST_HZ + BESIDE_HZ / 2 < passing_hz < MOST_HZ or n * PIECE_S < 0.5:
        return float("nan")
    turns = np.exp(-2j * np.pi * hz / fs * np.arange(n * per))
    heard = (sound[-n * per :] * turns).reshape(n, per).mean(axis=1)
    heard = 0.5 * (heard[1:] + heard[:-1])  # a triangle: what lies beside is let in less
    half = round(CARRIER_S / PIECE_S / 2)
    window = np.hanning(2 * half + 3)[1:-1]
    carrier = np.convolve(np.pad(heard, half, "edge"), window / window.sum(), "valid")
    # where the tone is not there (before it began) nothing beats
    there = np.abs(carrier) > _NOT_THERE * np.abs(carrier).max()
    course = np.divide(heard, carrier, out=np.ones_like(heard), where=there)
    seconds = np.arange(course.size) * (per / fs)
    width = 2 / (course.size * per / fs)
    apart = np.arange(BESIDE * width, BESIDE * width + BESIDE_HZ, width / 2)
    beside = np.concatenate([passing_hz - apart, passing_hz + apart])
    beside = beside[(beside > LEAST_HZ) & (beside < MOST_HZ + BESIDE_HZ / 2)]
    at = np.concatenate([[passing_hz], beside])
    weighted = (course - course.mean()) * np.hanning(course.size + 2)[1:-1]
    turned = np.exp(-2j * np.pi * np.outer(at, seconds))
    # the spectrum of what is real is alike on both sides
    above, below = turned @ weighted, (turned.conj() @ weighted).conj()
    sides = np.abs(np.stack([above, below])) ** 2
    weaker, stronger = sorted(sides[:, 0].tolist())
    noise = float(sides[:, 1:].mean())
    if stronger >= LINES * noise and weaker < max(BOTH_SIDES * stronger, SIDE_SHOWS * noise):
        return 0.0
    power = np.abs(above + below) ** 2
    return float(power[0] / max(power[1:].mean(), 1e-20))


def turn_beat(sound: NDArray[np.float32], fs: float, hz: float, rotation_hz: float) -> float:
    """Power of the lines one rotation away from a tone, on both sides, over that of the tone.

    Parameters
    ----------
    sound : float32, shape (n,)
        Half a second or more in which the tone stands over the noise, full scale 1.
    fs, hz, rotation_hz : sample rate, the tone's frequency, to a few hertz, and the rotation's, Hz

    Returns
    -------
    float
        Half the square of the depth of its beat, 0 where these are no lines of their own, or where one
        stands alone (`BOTH_SIDES`): that is the machine's; NaN where the rotation is too slow or too fast to
        be heard.

    Examples
    --------
    >>> t = np.arange(9600) / 12000
    >>> ring = np.cos(2 * np.pi * 720 * t) * np.exp(-(t % 0.05) / 0.015)
    >>> lips = np.cos(2 * np.pi * 730 * t) * (1 + 0.4 * np.cos(2 * np.pi * 40 * t))
    >>> [turn_beat(x.astype(np.float32), 12000, 722, 20) > 0.1 for x in (ring, lips)]
    [True, False]
    """
    per = round(PIECE_S * fs)
    n = sound.size // per
    width = 2 / max(n * PIECE_S, 1e-9)  # of a Hann window's main lobe, half of it
    if not 2 * width < rotation_hz < MOST_HZ / 2 or n * PIECE_S < 0.5:
        return float("nan")
    turns = np.exp(-2j * np.pi * hz / fs * np.arange(n * per))
    heard = (sound[-n * per :] * turns).reshape(n, per).mean(axis=1) * np.hanning(n + 2)[1:-1]
    off = np.arange(-2 * width, 2 * width, width / 8)
    seconds = np.arange(n) * (per / fs)
    tone = np.abs(np.exp(-2j * np.pi * np.outer(off, seconds)) @ heard) ** 2
    middle = float(off[tone.argmax()])
    near = np.arange(-width / 4, width / 3, width / 4)  # the speed is known to a hundredth or so
    beside = np.concatenate([middle + k * rotation_hz / 2 + near for k in (-2, 2, -3, -1, 1, 3)])
    power = np.abs(np.exp(-2j * np.pi * np.outer(beside, seconds)) @ heard) ** 2
    power /= np.sinc(beside * PIECE_S) ** 2  # of the pieces
    most = power.reshape(6, -1).max(axis=1)
    weaker, stronger = sorted(most[:2].tolist())
    noise = float(most[2:].mean())
    if weaker + stronger < LINES * noise or weaker < max(BOTH_SIDES * stronger, SIDE_SHOWS * noise):
        return 0.0
    return float(most[:2].sum() / max(float(tone.max()), 1e-30))
