"""Background sounds: each its own, each by its seed, drawn over a batch in the share asked for."""

from itertools import pairwise

import numpy as np
import pytest

from monitor.errors import InputError
from monitor.synth.backgrounds import KINDS, USUAL_SECONDS, Background, draw_backgrounds, sound_of


@pytest.mark.parametrize("fs", [8000, 44100])
@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_kind_has_unit_rms_and_follows_its_seed(kind: str, fs: int) -> None:
    sound = sound_of(Background(kind, 0.0, 2.5, 0.0, seed=4), fs)
    assert sound.shape == (round(2.5 * fs),)
    assert np.sqrt(np.mean(sound.astype(float) ** 2)) == pytest.approx(1.0, rel=1e-3)
    assert np.array_equal(sound, sound_of(Background(kind, 9.0, 2.5, -3.0, seed=4), fs))
    assert not np.array_equal(sound, sound_of(Background(kind, 0.0, 2.5, 0.0, seed=5), fs))


def test_singing_has_vibrato_and_air_has_none_of_its_pitch() -> None:
    # A tone concentrates its power: spectral flatness tells the harmonic sounds from the broadband ones.
    def flatness(kind: str) -> float:
        x = sound_of(Background(kind, 0.0, 4.0, 0.0, seed=1), 16000)
        power = np.abs(np.fft.rfft(x * np.hanning(x.size))) ** 2 + 1e-12
        return float(np.exp(np.mean(np.log(power))) / np.mean(power))

    assert flatness("music") < 0.02 < 0.2 < flatness("air_gun")
    assert flatness("phone") < 0.02


def test_an_unknown_kind_is_refused_with_the_known_ones() -> None:
    with pytest.raises(InputError, match='background "opera" is not known; known: air_gun'):
        sound_of(Background("opera", 0.0, 1.0, 0.0), 16000)


def test_sounds_are_drawn_one_after_another_in_about_their_share() -> None:
    sounds = draw_backgrounds(3, 10.0, 7210.0, share=0.2)
    assert all(a.start_s + a.seconds <= b.start_s for a, b in pairwise(sounds))
    assert sounds[0].start_s >= 10.0
    assert sounds[-1].start_s + sounds[-1].seconds <= 7210.0
    assert sum(sound.seconds for sound in sounds) / 7200 == pytest.approx(0.2, abs=0.06)
    assert {sound.kind for sound in sounds} == set(KINDS)
    assert set(USUAL_SECONDS) <= set(KINDS)
