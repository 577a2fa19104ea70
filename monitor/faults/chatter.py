"""`chatter`: drill or work vibrates by itself: a narrow, steady line that grows while the drill cuts.

Physical reason: a lip that cuts into the wave it left one pass before feeds the vibration that made the
wave (regenerative chatter), at a frequency a little over that of the weakest mode; whirl of a drill lies near
integer multiples of rotation (Bayly et al. 2002, J. Manuf. Sci. Eng. 124:275). So no order is masked: a line
counts by how far it departs from all that is usual at its frequency: noise, the learned lines raised by load,
what was heard before contact and between cuts, and in the good pecks (`monitor.signal.tones`).

Signs that must agree: it departs; it keeps its frequency (a melody, a siren, another machine that runs up
do not); it is steady from spectrum to spectrum (a mode of the body rung by crackle is narrow-band noise,
whose power is exponentially distributed); it stands alone but for its multiples and the sidebands of
rotation (music and voices bring several tones); it does not fade (a struck note does); it began in the cut
and ends with it. The decision is a sequential test (CUSUM, Page 1954, from memory) on the departure in units
of its spread in good cuts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.cutting import CuttingDetector
from monitor.faults.episode import Finding
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.signal.spectrum import SpectrumGeometry
from monitor.signal.tones import ToneMemory, Tones
from monitor.spindle import Rotation
from monitor.work import Work

ENOUGH = 20.0
"""Summed deviations that decide. One independent look (eight hops, 0.4 s) in good cutting adds 8 (z - 2)
with z of unit spread; Siegmund's run length (exp(4 b) - 4 b - 1) / 8 with b = ENOUGH / 8 + 1.166 is then
290 000 looks, 30 hours of cutting, were all of them at one frequency, as they are not."""

SLACK = 2.0
"""Deviations over the usual strongest departure that count as none (the k of the CUSUM): half of the way from
the strongest bin of noise (6 dB) to a line 12 dB over the noise in 20 Hz (13 dB over that in a bin)."""

LEAST_S = 0.6
"""The least time to decide in, however strong the line: longer than a sung or spoken syllable, and enough
spectra to tell a steady line from noise. What one hop may add is bounded accordingly."""

WITHIN = 0.005
"""A chatter line keeps its frequency within this share, or within a bin: the mode that it lives on does."""

STEADY_DB, STRONG_DB, STRONG_STEADY_DB = 4.0, 8.0, 6.0
"""Mean change from one spectrum to the next that shares no samples: 6.0 dB for narrow-band noise (the
difference of two logarithms of exponential variables), 2 dB for a line 10 dB over noise. One that has
departed by 8 dB may change more: its pitch wanders through the nulls of the room, and noise that a mode
shapes is there from contact."""

FADES_DB = 3.0
"""So far under its own highest level a line fades, as a struck note does; chatter grows until it is
bounded."""

BESIDE_DB, BESIDE_LEAST = 8.0, 2.5
"""Another tone counts if it is no more than this under the line, and departs at least by 4 dB."""

STRONGER_DB = 4.0
"""A line that departs by so much more is followed instead."""

CROWDED = 1.0
"""So many unrelated tones beside it on average: no chatter, but music, voices, or another machine."""

SIDEBANDS = 8
"""Sidebands at so many rotations on either side belong to the line: lips and runout modulate it."""

BACKGROUND_S, PATIENT_S = 10.0, 2.5
"""For so long after two unrelated tones were heard that are not of the cut, a line must last this long
instead: longer than a bar of slow music holds a note. One alone, and its multiples, may be the axis
drive's."""

PASSING_DB, PASSING_S = 7.0, 0.25
"""A line that came and went within a cut, this strong and for so long, is a tone of something else."""

HOLD_S = 3.0
"""A line that has lasted so long in cuts is no passing thing: some fifty turns of marred wall at 1000 rpm,
and longer than most notes, horns and bells."""

GROWS_S, GROWN_DB = 0.5, 3.0
"""A sound that is switched on is at its full level within an average of 0.4 s; chatter takes longer to
grow."""

ENDS_S = 0.6
"""So long after the cut nothing of it is left in an average of 0.4 s, but for the room's last ringing."""

ENDED_DB = 10.0
"""So far a line must have fallen by then to have ended with the cut."""

STEADY_HOPS = 10
"""Half a second after a change of speed no spectrum in the average is of that change."""

AFTERMATH_S = 0.8
"""For so long after a cut nothing is learned: its tones ring on."""

CONTACT_S, NEW_PECKS = 0.6, 2
"""Before two good pecks were heard, tones that are there as soon as the drill touches are the machine's (its
feed drive, its lines under load): then only what grows later counts."""

NEW_RAISES_DB, RAISES_DB = 12.0, 4.0
"""So far over its learned level a learned line may stand in a cut, before and after good pecks have shown how
far. Force waves of a motor and the mesh of gears follow the torque, three times the idle one and more, and a
line that sags moves to another place in the room's response."""

TOLD_DB, TOLD_HZ = 10.0, 20.0
"""A line is told from so much over the noise in so wide a band around it."""


@dataclass(slots=True)
class _Track:
    """One line followed: its frequency, the evidence, and how it behaved.

    ``inside``: it began in a cut; ``told``: it was found to be chatter; ``high_s``: when it last rose well
    over all it was before.
    """

    hz: float
    start_s: float
    inside: bool
    n: int = 0
    enough: float = 0.0
    db: float = 0.0
    best_db: float = -math.inf
    high_s: float = math.inf
    high_db: float = -math.inf
    change_db: float = 0.0
    crowd: float = 0.0
    proven: bool = False
    told: bool = False
    slow_db: float = 0.0
    level_db: float = 0.0
    slow_best_db: float = -math.inf
    before: list[float] = field(default_factory=lambda: [math.nan, math.nan])


class ChatterRule:
    """One `step` a hop."""

    def __init__(self, geometry: SpectrumGeometry, hop_s: float) -> None:
        self._bin_hz, self._first, self._n_bins = geometry.bin_hz, geometry.first, geometry.n_bins
        self._lobe = math.ceil(4 / 3 * geometry.enbw_hz / geometry.bin_hz)
        self._band_db = 10 * math.log10(TOLD_HZ / geometry.enbw_hz)
        self._most = ENOUGH / round(LEAST_S / hop_s)
        self._memory = ToneMemory(geometry.n_bins, hop_s)
        self._hops = 0
        self._steady_hops = 0
        self._track: _Track | None = None
        self._mean_db, self._spread_db = 0.0, 1.0
        self._cutting = False
        self._suspect = False
        self._good_pecks = 0
        self._background_s = -math.inf
        self._tones: list[tuple[float, float]] = []
        self._stood_s, self._stood_hz, self._returned, self._last_s = 0.0, math.nan, False, -math.inf

    def step(self, hop: Hop, rotation: Rotation, detector: CuttingDetector, work: Work) -> Finding | None:
        """Finding while a line stands that only chatter explains."""
        if hop.deaf:
            self._track = None
            return None
        tones = hop.tones
        raised_db = NEW_RAISES_DB if self._good_pecks < NEW_PECKS else RAISES_DB
        over = self._memory.departure(tones, 1 - rotation.sag, 10 ** (raised_db / 10))
        self._follow_cut(hop, detector)
        # Lines that sweep as the spindle runs up or down are not learned ones for long.
        steady = rotation.settled and not rotation.changed
        self._steady_hops = self._steady_hops + 1 if steady else 0
        if self._steady_hops < STEADY_HOPS:
            self._track = None
            return None
        self._follow_track(hop, over, tones, detector)
        self._learn(hop, tones, detector)
        track = self._track
        if track is None or not self._is_chatter(hop, track, work):
            return None
        return self._found(hop, track)

    # ---- the cut ------------------------------------------------------------------------------------

    def _follow_cut(self, hop: Hop, detector: CuttingDetector) -> None:
        if detector.cutting and not self._cutting:
            self._memory.begin_peck()
            self._suspect = False
        elif self._cutting and not detector.cutting and not self._suspect:
            self._memory.end_peck()
            self._good_pecks += 1
        self._cutting = detector.cutting

    def _learn(self, hop: Hop, tones: Tones, detector: CuttingDetector) -> None:
        self._hops += 1
        if self._hops % ToneMemory.LEARNS_EVERY:
            return
        track = self._track
        but = self._around(track.hz) if track is not None else None
        if detector.cutting:
            self._memory.hear_peck(tones)
            if self._good_pecks < NEW_PECKS and hop.t - detector.onset_s <= CONTACT_S:
                self._memory.hear_outside(tones, None)
        elif not hop.t - detector.end_s < AFTERMATH_S:
            self._memory.hear_outside(tones, but)

    # ---- the line -----------------------------------------------------------------------------------

    def _follow_track(
        self, hop: Hop, over: NDArray[np.float32], tones: Tones, detector: CuttingDetector
    ) -> None:
        track = self._track
        if track is not None:
            self._go_on(hop, track, over, tones)
            if track.enough <= 0:
                self._lose(hop, track)
            elif not track.told and self._stronger(over, track):
                self._track = None
            elif not track.inside and track.enough >= ENOUGH:
                self._is_background(hop, track, tones)
            elif track.inside and not self._cutting and hop.t - detector.end_s > ENDS_S:
                if track.proven and track.db > track.best_db - ENDED_DB:
                    self._is_background(hop, track, tones)
                self._track = None
        if self._track is None:
            self._begin(hop, over)
        elif self._track.enough >= ENOUGH / 2:
            self._suspect = True

    @staticmethod
    def _stronger(over: NDArray[np.float32], track: _Track) -> bool:
        """Whether another line departs much farther."""
        return float(over.max()) > 10 ** ((track.db + STRONGER_DB) / 10)

    def _begin(self, hop: Hop, over: NDArray[np.float32]) -> None:
        k = int(over.argmax())
        db = 10 * math.log10(max(float(over[k]), 1e-3))
        if self._cutting:
            self._mean_db += 0.01 * (db - self._mean_db)
            self._spread_db += 0.01 * (1.25 * abs(db - self._mean_db) - self._spread_db)
        if db > max(self._mean_db, 0.0):
            self._track = _Track(k * self._bin_hz, hop.t, self._cutting, enough=1e-6)

    def _go_on(self, hop: Hop, track: _Track, over: NDArray[np.float32], tones: Tones) -> None:
        reach = max(WITHIN * track.hz, self._bin_hz)
        low = max(self._first, math.ceil((track.hz - reach) / self._bin_hz - 0.5))
        high = min(self._n_bins, math.floor((track.hz + reach) / self._bin_hz + 0.5) + 1)
        if high <= low:
            track.enough = 0.0
            return
        k = low + int(over[low:high].argmax())
        track.n += 1
        track.hz += (self._peak_hz(tones.average, k) - track.hz) / min(track.n, 10)
        track.db = 10 * math.log10(max(float(over[k]), 1e-3))
        z = (track.db - max(self._mean_db, 0.0)) / max(self._spread_db, 1.0) - SLACK
        track.enough = min(track.enough + min(z, self._most), 2 * ENOUGH)
        if track.n == 1:
            track.enough = max(track.enough, 1e-6)
        if track.db > track.high_db + GROWN_DB:
            track.high_s, track.high_db = hop.t, track.db
        track.best_db = max(track.best_db, track.db)
        track.slow_db += (track.db - track.slow_db) / min(track.n, 8)
        level_db = 10 * math.log10(max(float(tones.average[k]), 1e-3)) - self._band_db
        track.level_db += (level_db - track.level_db) / min(track.n, 8)
        track.slow_best_db = max(track.slow_best_db, track.slow_db)
        track.proven = track.proven or (self._cutting and track.enough >= ENOUGH)
        now = 10 * math.log10(max(float(tones.newest[max(0, k - 1) : k + 2].max()), 1e-20))
        was = track.before.pop(0)
        track.before.append(now)
        if was == was:
            track.change_db += (abs(now - was) - track.change_db) / min(track.n - 2, 10)
        if track.enough >= ENOUGH / 2:
            track.crowd += (self._beside(over, k, track.hz, hop.spindle_hz) - track.crowd) / 8

    def _beside(self, over: NDArray[np.float32], k: int, hz: float, spindle_hz: float) -> int:
        """Number of other tones that are no multiples or sidebands of the line."""
        least = max(BESIDE_LEAST, float(over[k]) * 10 ** (-BESIDE_DB / 10))
        rotation = spindle_hz if spindle_hz == spindle_hz else 0.0
        near = SIDEBANDS * rotation + self._lobe * self._bin_hz
        others, last = 0, -math.inf
        for at in np.flatnonzero(over > least).tolist():
            f = at * self._bin_hz
            multiple = max(1, round(f / hz))
            related = abs(f - hz) <= near or abs(f - multiple * hz) <= self._lobe * self._bin_hz + WITHIN * f
            if not related and at - last > self._lobe:
                others += 1
            last = at
        return others

    def _peak_hz(self, average: NDArray[np.float32], k: int) -> float:
        """Frequency of a peak by the parabola through the logarithms."""
        if not 0 < k < self._n_bins - 1:
            return k * self._bin_hz
        a, b, c = (math.log(max(float(v), 1e-6)) for v in average[k - 1 : k + 2])
        bend = a - 2 * b + c
        shift = 0.5 * (a - c) / bend if bend < 0 else 0.0
        return (k + max(-1.0, min(1.0, shift))) * self._bin_hz

    def _around(self, hz: float) -> slice:
        k = round(hz / self._bin_hz)
        return slice(max(0, k - self._lobe), k + self._lobe + 1)

    # ---- what it is ---------------------------------------------------------------------------------

    def _lose(self, hop: Hop, track: _Track) -> None:
        """The line is gone. One that came and went within a cut was a tone of something else."""
        if self._cutting and track.best_db >= PASSING_DB and hop.t - track.start_s >= PASSING_S:
            self._note_tone(hop, track)
        self._track = None

    def _is_background(self, hop: Hop, track: _Track, tones: Tones) -> None:
        """The line is heard outside of the cut."""
        self._note_tone(hop, track)
        if self._near(track.hz, self._stood_hz):
            self._stood_s, self._returned = 0.0, False
        self._track = None
        self._memory.hear_outside(tones, None)

    def _note_tone(self, hop: Hop, track: _Track) -> None:
        """Keep a tone that was not of the cut; two that are unrelated are music, voices, another machine."""
        self._tones = [(t, hz) for t, hz in self._tones if hop.t - t < BACKGROUND_S]
        for _, hz in self._tones:
            low, high = sorted((hz, track.hz))
            if abs(high / low - round(high / low)) > 0.02:
                self._background_s = hop.t
        self._tones.append((hop.t, track.hz))

    def _is_chatter(self, hop: Hop, track: _Track, work: Work) -> bool:
        if not (track.inside and self._cutting and work.working):
            return False
        if track.told:
            return track.enough >= ENOUGH / 2
        patient = hop.t - self._background_s < BACKGROUND_S and hop.t - track.start_s < PATIENT_S
        track.told = (
            track.enough >= ENOUGH
            and not patient
            and track.level_db >= TOLD_DB
            and track.change_db < (STEADY_DB if track.slow_db < STRONG_DB else STRONG_STEADY_DB)
            and track.slow_db > track.slow_best_db - FADES_DB
            and track.crowd < CROWDED
        )
        return track.told

    @staticmethod
    def _near(hz: float, other_hz: float) -> bool:
        return abs(hz - other_hz) <= 0.02 * hz

    def _found(self, hop: Hop, track: _Track) -> Finding:
        if not self._near(track.hz, self._stood_hz):
            self._stood_s, self._returned = 0.0, False
        elif hop.t - self._last_s > ENDS_S:
            self._returned = True
        self._stood_hz, self._last_s = track.hz, hop.t
        self._stood_s += hop.step_s
        grew = track.high_s - track.start_s > GROWS_S
        severity = Severity.WARNING
        if self._stood_s >= HOLD_S and (self._returned or grew):
            severity = Severity.HOLD
        message = (
            f"Chatter: a tone of {track.hz:.0f} Hz has grown in the cut, {track.level_db:.0f} dB over the "
            "noise around it: retract, then change the speed or the feed, or clamp the work shorter."
        )
        return Finding(Kind.CHATTER, severity, message, track.level_db, TOLD_DB, "dB", track.start_s)
