"""What someone would try first: librosa's yin and pyin, and a plain harmonic product spectrum.

They are given every advantage that a person could give: the search range is 20 % either side of the
line they are to follow, the frame is as long as ours, and their own reading of a free-running second
is the reference, so that only the relative speed counts.
"""

from __future__ import annotations

import numpy as np

FRAME = 2400
HOP = 600


def yin(x: np.ndarray, fs: float, low_hz: float, high_hz: float) -> np.ndarray:
    import librosa

    return librosa.yin(x, fmin=low_hz, fmax=high_hz, sr=fs, frame_length=FRAME, hop_length=HOP, center=False)


def pyin(x: np.ndarray, fs: float, low_hz: float, high_hz: float) -> np.ndarray:
    import librosa

    # fill_na=None: its best guess where it would rather say "unvoiced".
    # The default transition of 36 octaves a second is wider than the whole search range.
    pitch, _, _ = librosa.pyin(
        x, fmin=low_hz, fmax=high_hz, sr=fs, frame_length=FRAME, hop_length=HOP, center=False,
        max_transition_rate=8.0, fill_na=None,
    )  # fmt: skip
    return pitch


def harmonic_product(x: np.ndarray, fs: float, low_hz: float, high_hz: float) -> np.ndarray:
    """Peak of the product of the magnitude spectrum at 1 to 5 times a frequency (Noll 1969, from memory)."""
    frames = np.lib.stride_tricks.sliding_window_view(x, FRAME)[::HOP]
    n_fft = 8 * FRAME
    magnitude = np.abs(np.fft.rfft(frames * np.hanning(FRAME), n_fft))
    candidates = np.arange(int(low_hz * n_fft / fs), int(high_hz * n_fft / fs) + 1)
    product = np.ones((len(frames), candidates.size))
    for k in range(1, 6):
        if k * candidates[-1] < magnitude.shape[1]:  # as many harmonics as fit below half the rate
            product *= magnitude[:, k * candidates]
    return candidates[product.argmax(1)] * fs / n_fft


METHODS = {"librosa.yin": yin, "librosa.pyin": pyin, "harmonic product spectrum": harmonic_product}
