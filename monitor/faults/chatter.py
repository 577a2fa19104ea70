"""`chatter`: drill or work vibrates by itself: a narrow, steady line that grows while the drill cuts.

Physical reason: a lip that cuts into the wave it left one pass before feeds the vibration that made the
wave (regenerative chatter), at a frequency a little over that of the weakest mode; whirl of a drill lies near
integer multiples of rotation (Bayly et al. 2002, J. Manuf. Sci. Eng. 124:275). So no order is masked: a line
counts by how far it departs from all that is usual at its frequency: noise, the learned lines raised by load,
what was heard before contact and between cuts, and in the good pecks (`monitor.signal.tones`).
The delay of one lip lets a mode vibrate at several frequencies, no farther apart than the lips pass (the
poles of Altintas and Budak's equation, 1995, CIRP Annals 44:357, from memory): one may give way to the next.

Signs that must agree: it departs; it keeps its frequency (a melody, a siren, another machine that runs up
do not) and does not shiver like a voice; it is steady from spectrum to spectrum (a mode of the body rung by
crackle is narrow-band noise, whose power is exponentially distributed); it stands alone but for its multiples
and the sidebands of rotation (music and voices bring several tones); it grows, or beats with the passing of
the lips (`monitor.signal.lip_beat`), and does not fade (a struck note does); it began in the cut and ends
with it. The decision is a sequential test (CUSUM, Page 1954, from memory) on the departure in units of its
spread in good cuts.
"""

from __future__ import annotations

import math
import operator
import statistics
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.faults.episode import Finding
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.signal.lip_beat import lip_beat, turn_beat
from monitor.signal.spectrum import SpectrumGeometry
from monitor.signal.tones import AVERAGED, NOISE_SHOWS, ToneMemory, Tones, tones_of
from monitor.spindle import Rotation
from monitor.work import Work

ENOUGH = 20.0
"""Summed deviations that decide. One independent look (eight hops, 0.4 s) in good cutting adds 8 (z - 2)
with z of unit spread; Siegmund's run length (exp(4 b) - 4 b - 1) / 8 with b = ENOUGH / 8 + 1.166 is then
290 000 looks, 30 hours of cutting, were all of them at one frequency, as they are not."""

SLACK = 2.0
"""Deviations over the usual strongest departure that count as none (the k of the CUSUM): half of the way from
the strongest bin of noise (6 dB) to a line 12 dB over the noise in 20 Hz (13 dB over that in a bin)."""

LEAST_S = 0.5
"""The least time to decide in, however strong the line: longer than a sung or spoken syllable, and enough
spectra to tell a steady line from noise. What one hop may add is bounded accordingly."""

WITHIN, CAME_WITHIN = 0.01, 0.005
"""A chatter line keeps its frequency within this share, or within a bin, of where it was in the last half
second: the mode that it lives on does. As depth and grip change it wanders by half a per cent, deviation of a
slow course, so that twice that holds it. How it came is looked for within half of that: before it stood out
there is but noise, and the strongest of more bins of noise is stronger. A straight course that takes it
farther than the first within half a second is a glide: an axis that comes to speed, a siren, a slide."""

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

CROWDED = 0.5
"""So many unrelated tones beside it on average: no chatter, but music, voices, or another machine."""

SIDEBANDS = 8
"""Sidebands at so many rotations on either side belong to the line: lips and runout modulate it."""

BACKGROUND_S, LATELY_S = 10.0, 4.0
"""For so long after two unrelated tones were heard that are not of the cut, a line is doubtful: it is told
only once it has ended with a cut and is back in the next. One alone, and its multiples, may be the axis
drive's, until good pecks have shown that; then it is enough for a shorter while, unless it came and went in
the cut and is a multiple of the line, or no farther from it than the lips pass, which may have chattered
before."""

PASSING_DB, PASSING_S = 7.0, 0.25
"""A line that came and went within a cut, this strong and for so long, is a tone of something else."""

HOLD_S = 3.0
"""A line that has lasted so long in cuts, was gone between them and is back is no passing thing: some fifty
turns of marred wall at 1000 rpm. What starts elsewhere by chance within a cut (a vacuum cleaner, a pump)
does not stop with the retract and begin again with the next peck: only that tells it surely from chatter, so
a first peck warns and no more."""

STEP_DB, STEP_HOPS, STEP_ON_DB, STEP_ON_SHARE, STEP_NOISE_DB, STEP_NEAR_DB = 10.0, 2, 6.0, 1 / 3, 8.0, 3.0
"""A line whose level in single spectra rises by so much within so many hops (0.1 s, a frame), out of no more
than noise, and by less than this afterwards, or this share of it, was switched on or struck (what rings in
the room adds to it yet): chatter that grows by 80 dB a second, which is fast, rises by 8 and goes on. It is
doubtful, also where it begins with a contact: grown chatter may, for the wave that it left is there, but not
the first time. Noise shows the fifth in the strongest of the bins in which the line may be, give or take the
last: a line that was there before comes out of a null."""

FAST_DB = 14.0
"""A line that rises by so much within that time and does not fall back was switched on, blown or sung,
however far it rises yet: noise adds 5 dB at most to the 8 of fast chatter, and no chatter is so fast; the
tongue of one who whistles, and the room, take two or three tenths of a second."""

MAINS_HZ, MAINS_MOST, MAINS_OFF_HZ, SLIPS = (50.0, 60.0), 300.0, 0.7, 0.02
"""At the first multiples of the mains, as far as they are read, a line is doubtful unless it was seen to grow
exponentially: a motor elsewhere that is switched on hums there, and one that a cut loads, whose hum follows
the torque. Its rotor, and the pump on it, sound lower by its slip, of a kilowatt or two by this share (from
memory). Chatter so low lies there by chance in one case of six."""

GLIDE_S, GLIDE_SHARE, GLIDE_DB, GLIDE_LEAST_DB = 0.3, 0.2, 3.0, 5.0
"""Nor does a line that comes from elsewhere: so long before another, that strong, stood within this share
of its frequency: a siren, another machine running up, the next note of a melody."""

GLIDE_LATELY_S, DRIFT = 0.6, 0.02
"""Or a line was followed so lately up to there, or a sudden one of which this is a multiple; and a line
that has drifted by more than this share comes from elsewhere too: twice what a line may wander in half a
second. A semitone is three times that."""

GOES_ON, NOW_HOPS, WAS_HOPS = 0.5, 4, 16
"""Share of its sound from before that a cut which chatters has at least now, and hops of either: chatter adds
to it. A tone that grows as the cut dies away is the feed's that draws the drill out, say."""

ENDS_S = 0.6
"""So long after the cut nothing of it is left in an average of 0.4 s, but for the room's last ringing."""

ENDED_DB = 10.0
"""So far a line must have fallen by then to have ended with the cut."""

STEADY_HOPS = 10
"""Half a second after a change of speed no spectrum in the average is of that change."""

CONTACT_LATE_S, GREW_LATE_S, CONTACT_HOPS = 0.1, 0.5, 8
"""An onset is dated by so much; that of a faint cut by so much that a line may be growing already; and the
average of so many hops before a cut is known is of before contact."""

AFTERMATH_S = 0.8
"""For so long after a cut nothing is learned: its tones ring on."""

CONTACT_S, NEW_PECKS = 0.6, 2
"""Before two good pecks were heard, tones that are there as soon as the drill touches are the machine's (its
feed drive, its lines under load): then only what grows later counts."""

NEW_RAISES_DB, RAISES_DB = 12.0, 4.0
"""So far over its learned level a learned line may stand in a cut, before and after good pecks have shown how
far. Force waves of a motor and the mesh of gears follow the torque, three times the idle one and more, and a
line that sags moves to another place in the room's response."""

LEAST_SLIP = 4
"""Bins: the least slip of a learned line that can be seen beside it."""

SLIPS_MORE = 2.0
"""So many times the slip of good pecks a rotor may slip later: slip follows the load."""

JUMP, JUMPED_S = 0.005, 3.0
"""A speed that jumps by so much in one hop of a cut (10 % a second) may be the speed at which the line
would be one of the spindle's: a strong line pulls the tracker. It is believed only once it lasts."""

TOLD_DB, TOLD_HZ, DEPARTS_DB, NEW_DEPARTS_DB = 12.0, 20.0, 6.0, 7.0
"""A line is told from so much over the noise in so wide a band around it, and so much over all that is usual
there: four times the power; five times before good pecks have shown what load does to the machine's lines."""

SHIVER_HOPS, SHIVER, SHIVER_HZ, SHIVERS = 10, 0.0022, 0.2, 1.5
"""Deviation of the pitch from one spectrum to the next in half a second, about its straight course there, at
most: this share of it (the delay equation of tests/external/test_chatter.py shows 0.2 %), what the room adds
as the line grows, and what the noise leaves unsure. A voice shivers, and so does who whistles or plays:
vibrato is half to one and a half per cent, five times a second (from memory). What has once shivered by half
as much more goes on being none; and the mean since it stood out may be no more either, since a voice holds
its pitch now and then."""

PITCH_UNSURE = 0.4
"""Deviation of the pitch of a steady line in one spectrum, in widths of its main lobe over the root of its
power over the noise (simulated, at 13 to 25 dB; twice Rife and Boorstyn's bound)."""

STRAIGHT_HOPS, STRAIGHT_DB, STRAIGHT, STRAIGHT_LEAST_DB = 8, 5.0, 10.0, 0.3
"""What feeds itself grows exponentially: its level in dB is straight in time. A line that has risen over so
many hops (0.4 s) by so much at least, and by ten times its deviation from a straight line, has grown like
that (noise alone leaves a deviation of 1 dB at 15 dB over it, and the least keeps a quiet room from proving
much). A note that begins, and the room that answers it, rise by four to seven times that: half a step, half
none. So a straight rise needs no other proof, though a voice or tune was heard before, or it is of mains."""

UNPROVEN = 1.6
"""So many times the evidence, 0.8 s at least, are asked of a line that was not seen to grow so. Within that
time a note ends, a motor that runs up moves, and a voice shivers."""

LIPS, LIPS_LEAST_S, LIPS_EVERY, LIPS_LOOKS = 15.0, 0.6, 4, 6
"""A line that beats as the lips come round, with so many times the power of its beat nearby, is the drill's
own, however suddenly it came: chatter that grows fast has its level within a tenth of a second, as a whistle
has. A plain tone in noise does so in one look of two thousand (simulated, at 12 to 28 dB); one within a hertz
of the machine's own lines does so with them, and is told no sooner for it, for it is one of theirs. So much
of its sound is needed, and it is asked once in so many hops, so often at most."""

RUNG = 0.03
"""Power of the lines one turn beside a line, over its own, from which the turn pushes it: a beat of 0.25.
What a knock strikes once a turn rings and decays within that, so that its neighbours are a tenth of it or
more (the room takes some away); lips that are alike feed a line twice a turn. It is no proof that such a
line beats with the lips, which all harmonics of the turn do, nor that it ends with the cut and is back with
the next, nor that it rises as the point enters: so does a normal knock. Only exponential growth is. As long
as it is not told, it is usual."""

GROWS_HOPS, GROWS_DB = 30, 3.0
"""A line that was there a second before, as strong but for this, does not grow."""

GROWS_EVERY = 4
"""Hops between two looks whether a line that is followed rose lately: what has grown has, though other signs
come to agree only later."""

YOUNG_HOPS, YOUNG_APART, YOUNG_DB, BOUNDED_DB = 4, 8, 2.5, 4.0
"""Nor does a younger one, unless the median of so many single spectra has risen by the third within the
second (0.4 s, in which chatter that grows by 8 dB a second, which is slow, rises by 3; noise leaves 2
unsure), or had lately, by the fourth, out of a line that already stood over the noise: it may be bounded by
now. A note of a tune, a telephone, a motor that is switched on have their level within a frame or two, and
stay there; averages hide that for as long as they are, and the median leaves out the frame in which it began.
One that ended with a cut and is back has grown before. The price: chatter that grows by 60 dB a second and
more to a bound that is hardly over what tells is told in the next peck."""

_NEW_RAISES, _RAISES = 10 ** (NEW_RAISES_DB / 10), 10 ** (RAISES_DB / 10)
PAST_HOPS = 16  # kept to see how a line came
DRIFT_FROM = 6  # hops: the frequency is then that of an average


@dataclass(slots=True)
class _Track:
    """One line followed: its frequency, the evidence, and how it behaved.

    ``inside``: it began in a cut, which was of such ``strength`` before (`Work`); ``told``: it was found to
    be chatter; ``straight``: it was seen to grow exponentially; ``lips``: it beats as the lips pass, found in
    so many ``lip_looks``; ``rung``: the turn pushes it (`RUNG`); ``was_suspect``: the peck was before
    it began; ``sudden``: it rose at once, None before that is known; ``drifts``: it came from
    another frequency; ``follows_hz``: the line followed until just before.
    """

    hz: float
    start_s: float
    inside: bool
    strength: float = 0.0
    n: int = 0
    enough: float = 0.0
    db: float = 0.0
    best_db: float = -math.inf
    sudden: bool | None = None
    drifts: bool = False
    from_hz: float = math.nan
    follows_hz: float = math.nan
    follows_sudden: bool = False
    change_db: float = 0.0
    crowd: float = 0.0
    looks: int = 0
    proven: bool = False
    told: bool = False
    slow_db: float = 0.0
    level_db: float = 0.0
    slow_best_db: float = -math.inf
    before: list[float] = field(default_factory=lambda: [math.nan, math.nan])
    shivered: bool = False
    shivers: float = 0.0
    mean_shivers: float = 0.0
    glides_hz: float = 0.0
    pitched: int = 0
    # where single spectra are strongest: the bin, the powers in it and beside it, that over the noise
    peaks: deque[tuple[int, list[float], float]] = field(default_factory=lambda: deque(maxlen=SHIVER_HOPS))
    straight: bool = False
    lips: bool = False
    lip_looks: int = 0
    rung: bool = False
    was_suspect: bool = False
    grew: bool = False
    levels: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=STRAIGHT_HOPS))
    past_db: deque[float] = field(default_factory=lambda: deque(maxlen=GROWS_HOPS))
    past_power_db: deque[float] = field(default_factory=lambda: deque(maxlen=GROWS_HOPS))

    def go_over(self, hz: float) -> None:
        """Follow the same vibration at another of its multiples: what it showed of itself stays."""
        self.hz, self.n, self.looks, self.from_hz = hz, 0, 0, math.nan
        self.change_db, self.before = 0.0, [math.nan, math.nan]
        self.best_db = self.slow_best_db = -math.inf
        self.peaks.clear()
        self.levels.clear()
        self.past_db.clear()
        self.past_power_db.clear()


class ChatterRule:
    """One `step` a hop; for ``lines`` and ``grid_hz`` see `ToneMemory`; ``flutes``: lips of the drill."""

    def __init__(
        self,
        lines: NDArray[np.float32],
        grid_hz: NDArray[np.float64],
        geometry: SpectrumGeometry,
        hop_s: float,
        flutes: int = 2,
    ) -> None:
        self._flutes = flutes
        self._fs = geometry.fs
        self._bin_hz, self._first, self._n_bins = geometry.bin_hz, geometry.first, geometry.n_bins
        self._lobe = math.ceil(4 / 3 * geometry.enbw_hz / geometry.bin_hz)
        self._band_db = 10 * math.log10(TOLD_HZ / geometry.enbw_hz)
        self._unsure_hz = PITCH_UNSURE * geometry.enbw_hz
        self._most = ENOUGH / round(LEAST_S / hop_s)
        self._memory = ToneMemory(lines, grid_hz, hop_s)
        self._hops = 0
        self._spindle_hz, self._spindle_s, self._turned_hz = math.inf, -math.inf, math.inf
        self._slip = 0.0  # the most that the rotor was heard to slip
        self._lately: deque[float] = deque(maxlen=2 * AVERAGED)  # speeds of the spectra in the average
        ones = np.ones((1, geometry.n_bins), np.float32)
        self._past: deque[Tones] = deque([*tones_of(ones, ones, ones)] * PAST_HOPS, PAST_HOPS)
        self._glide_hops = round(GLIDE_S / hop_s)
        self._departures = list(np.zeros((PAST_HOPS, geometry.n_bins), np.float32))
        self._spare = np.zeros(geometry.n_bins, np.float32)  # for the next departure
        self._steady_hops = 0
        self._track: _Track | None = None
        self._mean_db, self._spread_db = 0.0, 1.0
        self._cutting = False
        self._suspect, self._foreseen = False, True
        self._good_pecks = 0
        self._strengths: deque[float] = deque(maxlen=WAS_HOPS)
        self._background_s = -math.inf
        self._tones: list[tuple[float, float, bool]] = []
        self._left_hz, self._left_s, self._left_sudden, self._left_own = math.nan, -math.inf, False, False
        self._ended_hz, self._ended_s = math.nan, -math.inf
        self._stood_s, self._stood_hz = 0.0, math.nan

    def step(self, hop: Hop, rotation: Rotation, work: Work) -> Finding | None:
        """Finding while a line stands that only chatter explains."""
        if hop.deaf:
            self._track = None
            return None
        tones = hop.tones
        self._strengths.append(work.strength)
        self._follow_speed(hop, rotation)
        # Lines that sweep as the spindle runs up or down are not learned ones for long.
        steady = rotation.settled and not rotation.changed
        self._steady_hops = self._steady_hops + 1 if steady else 0
        if self._steady_hops < STEADY_HOPS:
            self._follow_cut(work)
            self._past.append(tones)
            self._hops += 1
            self._track = None
            return None
        over = self._memory.departure(tones, self._spare)  # from what was usual up to the hop before
        self._follow_cut(work)
        self._follow_track(hop, over, tones, work)
        self._past.append(tones)
        oldest = self._hops % PAST_HOPS
        self._spare, self._departures[oldest] = self._departures[oldest], over
        self._learn(hop, tones, work)
        self._hops += 1
        track = self._track
        if track is None or not self._is_chatter(hop, track, work):
            return None
        return self._found(hop, track, work)

    # ---- the cut ------------------------------------------------------------------------------------

    def _follow_speed(self, hop: Hop, rotation: Rotation) -> None:
        if not hop.heard:
            return
        jumped = abs(hop.spindle_hz / self._spindle_hz - 1) > JUMP
        if jumped and self._cutting and hop.t - self._spindle_s < JUMPED_S:
            return
        self._spindle_hz, self._spindle_s = hop.spindle_hz, hop.t
        self._lately.append(hop.spindle_hz)
        if self._hops % ToneMemory.LEARNS_EVERY and abs(hop.spindle_hz / self._turned_hz - 1) < JUMP:
            return  # the speed is read anew every hop, and lines move little in so short a time
        self._turned_hz = hop.spindle_hz
        raised = _NEW_RAISES if self._good_pecks < NEW_PECKS else _RAISES
        self._memory.turn(
            hop.spindle_hz,
            rotation.reference_hz,
            raised,
            min(self._lately) * (1 - self._slip),
            max(self._lately),
        )

    def _follow_cut(self, work: Work) -> None:
        if work.in_cut and not self._cutting:
            self._memory.begin_peck()
            self._suspect = False
            self._foreseen = work.contact_s == work.contact_s
            track, but = self._track, None
            if track is not None and track.start_s > work.cut_s - CONTACT_LATE_S:
                around = self._around(track.hz)
                silent = float(self._past[-CONTACT_HOPS].average[around].max()) < NOISE_SHOWS
                if silent or _near(track.hz, self._ended_hz):  # the average shows the cut before
                    track.inside, but = True, around  # a faint cut is known late
            for hops in range(CONTACT_HOPS, PAST_HOPS, AVERAGED):  # whatever went before
                self._memory.hear_outside(self._past[-hops], but)
        elif self._cutting and not work.in_cut and not self._suspect:
            self._memory.end_peck()
            self._good_pecks += 1
        self._cutting = work.in_cut

    def _learn(self, hop: Hop, tones: Tones, work: Work) -> None:
        if self._hops % ToneMemory.LEARNS_EVERY:
            return
        if work.in_cut:
            self._memory.hear_peck(tones)
            if self._good_pecks < NEW_PECKS and hop.t - work.cut_s <= CONTACT_S:
                self._memory.hear_outside(tones, None)
        elif not hop.t - work.end_s < AFTERMATH_S:
            track = self._track
            self._memory.hear_outside(tones, None if track is None else self._around(track.hz))

    def _learn_left(self, hop: Hop, track: _Track, work: Work) -> None:
        """Take what was under suspicion outside of cuts and has gone there: a line that comes and goes by
        itself, as two that beat do, is usual and may be back just before the drill touches."""
        if hop.t - track.start_s < PASSING_S or track.best_db < PASSING_DB:
            return
        since_s = max(track.start_s, work.end_s + AFTERMATH_S) if work.end_s == work.end_s else track.start_s
        hops = min(PAST_HOPS, math.floor((hop.t - since_s) / hop.step_s + 0.5))
        for ago in range(1, hops + 1, ToneMemory.LEARNS_EVERY):
            self._memory.hear_outside(self._past[-ago], None)

    # ---- the line -----------------------------------------------------------------------------------

    def _follow_track(self, hop: Hop, over: NDArray[np.float32], tones: Tones, work: Work) -> None:
        track = self._track
        if track is not None:
            self._go_on(hop, track, over, tones)
            if track.straight and self._cutting and track.start_s > work.cut_s - GREW_LATE_S:
                track.inside = True
            strongest_hz = int(over.argmax()) * self._bin_hz
            stronger = not track.told and self._stronger(over, track)
            if stronger and track.inside and self._is_of(strongest_hz, track):
                track.go_over(strongest_hz)
            elif stronger or track.enough <= 0:
                self._lose(hop, track)
                if not (track.inside or self._cutting or self._is_of(strongest_hz, track)):
                    self._learn_left(hop, track, work)
            elif not track.told and self._slipped(tones, round(track.hz / self._bin_hz)):
                self._track = None
            elif not track.inside and track.enough >= ENOUGH:
                self._is_background(hop, track, tones)
            elif track.inside and not self._cutting and hop.t - work.end_s > ENDS_S:
                if track.proven and track.db > track.best_db - ENDED_DB:
                    self._is_background(hop, track, tones)
                elif track.proven:
                    self._end(hop, track)
                self._track = None
        if self._track is None:
            self._begin(hop, over, tones)
        elif self._track.enough >= ENOUGH / 2:
            track = self._track
            self._suspect = track.was_suspect or not track.rung or track.straight or track.told

    @staticmethod
    def _stronger(over: NDArray[np.float32], track: _Track) -> bool:
        """Whether another line departs much farther."""
        return over.item(over.argmax()) / NOISE_SHOWS > 10 ** ((track.db + STRONGER_DB) / 10)

    def _is_of(self, hz: float, track: _Track) -> bool:
        """Whether a line is the double or treble of the one followed, or that of it: one vibration."""
        low, high = (hz, track.hz) if hz < track.hz else (track.hz, hz)
        multiple = min(max(round(high / low), 2), 3)
        return abs(high - multiple * low) <= self._lobe * self._bin_hz + WITHIN * high

    def _slipped(self, tones: Tones, k: int) -> bool:
        """Whether at a bin stands a learned line of a rotor that slips; it is expected from then on."""
        if not self._cutting:
            return False
        slip = self._memory.slip(tones, k, _NEW_RAISES)
        if self._good_pecks >= NEW_PECKS and slip > SLIPS_MORE * max(self._slip, LEAST_SLIP / max(k, 1)):
            return False  # good pecks would have shown it
        if slip > self._slip:
            self._slip = slip
            self._turned_hz = math.inf  # the usual is to be made anew
        return slip > 0

    def _begin(self, hop: Hop, over: NDArray[np.float32], tones: Tones) -> None:
        k = int(over.argmax())
        if self._slipped(tones, k) or (self._good_pecks < NEW_PECKS and self._forced(k * self._bin_hz)):
            return
        db = _db(over.item(k) / NOISE_SHOWS)
        if self._cutting:
            self._mean_db += 0.01 * (db - self._mean_db)
            self._spread_db += 0.01 * (1.25 * abs(db - self._mean_db) - self._spread_db)
        if db > self._mean_db and db > 0:
            strength = math.fsum(self._strengths) / len(self._strengths)
            self._track = _Track(k * self._bin_hz, hop.t, self._cutting, strength, enough=1e-6)
            self._track.was_suspect = self._cutting and self._suspect
            lately = hop.t - self._left_s < GLIDE_LATELY_S
            if lately and not (self._left_own and self._same(self._track.hz, self._left_hz)):
                self._track.follows_hz, self._track.follows_sudden = self._left_hz, self._left_sudden

    def _go_on(self, hop: Hop, track: _Track, over: NDArray[np.float32], tones: Tones) -> None:
        bins = self._beside_bins(track.hz)
        if bins.stop <= bins.start:
            track.enough = 0.0
            return
        k = bins.start + int(over[bins].argmax())
        track.n = n = track.n + 1
        track.hz += (self._peak_hz(k, tones.average[k - 1 : k + 2].tolist()) - track.hz) / (
            n if n < 10 else 10
        )
        track.db = db = _db(over.item(k) / NOISE_SHOWS)
        mean_db = self._mean_db if self._mean_db > 0 else 0.0
        z = (db - mean_db) / (self._spread_db if self._spread_db > 1 else 1.0) - SLACK
        enough = track.enough + (z if z < self._most else self._most)
        track.enough = enough if enough < 2 * ENOUGH else 2 * ENOUGH
        if n == 1:
            track.enough = max(track.enough, 1e-6)
        if db > track.best_db:
            track.best_db = db
        track.slow_db += (db - track.slow_db) / (n if n < 8 else 8)
        level_db = _db(tones.average.item(k)) - self._band_db
        track.level_db += (level_db - track.level_db) / (n if n < 5 else 5)
        if track.slow_db > track.slow_best_db:
            track.slow_best_db = track.slow_db
        track.proven = track.proven or (self._cutting and track.enough >= ENOUGH)
        near = tones.newest[k - 1 : k + 2].tolist()
        newest = max(near)
        newest = newest if newest > 1e-20 else 1e-20
        now = 10 * math.log10(newest)
        shown = newest * tones.per_floor.item(k)
        track.peaks.append((k, near, shown if shown > 1 else 1.0))
        track.levels.append((now, _db(shown)))
        track.past_db.append(db)
        track.past_power_db.append(now)
        was = track.before.pop(0)
        track.before.append(now)
        if was == was:
            track.change_db += (abs(now - was) - track.change_db) / (n - 2 if n < 18 else 16)
        if track.enough >= ENOUGH / 2 and not track.straight:
            track.straight = _is_straight(track.levels) or (not track.looks and self._grew_straight(track))
        if track.enough >= ENOUGH / 2 and not track.looks:
            track.drifts = track.drifts or self._came_from_elsewhere(track, bins)
        if n == DRIFT_FROM:
            track.from_hz = track.hz
        track.drifts = track.drifts or abs(track.hz - track.from_hz) > DRIFT * track.hz
        if track.sudden is None and track.enough >= ENOUGH:
            track.sudden = self._came_in_a_step(tones, self._beside_bins(track.hz, CAME_WITHIN))
        if track.enough >= ENOUGH / 2:
            track.looks += 1
            if self._cutting and n >= PAST_HOPS and n % GROWS_EVERY == 0:
                track.grew = track.grew or self._young_growth(track)[1]
            beside = self._beside(over, k, track.hz, hop.spindle_hz)
            track.crowd += (beside - track.crowd) / min(track.looks, 6)
            if self._cutting and not _is_own(track) and track.n % LIPS_EVERY == 0:
                self._hear_lips(track, tones)
            if len(track.peaks) == SHIVER_HOPS:
                track.pitched += 1
                track.shivers = self._shivers(track)
                track.mean_shivers += (track.shivers - track.mean_shivers) / track.pitched

    def _hear_lips(self, track: _Track, tones: Tones) -> None:
        """Whether the line beats as the lips pass, since it stands."""
        hops = min(track.n, PAST_HOPS - 1)
        sound = np.concatenate([*(one.sound for one in list(self._past)[-hops:]), tones.sound])
        if track.lip_looks < LIPS_LOOKS and sound.size >= LIPS_LEAST_S * self._fs:
            track.lip_looks += 1
            rotation_hz = self._passing_hz / self._flutes
            track.rung = self._flutes > 1 and turn_beat(sound, self._fs, track.hz, rotation_hz) >= RUNG
            track.lips = not track.rung and lip_beat(sound, self._fs, track.hz, self._passing_hz) >= LIPS

    def _grew_straight(self, track: _Track) -> bool:
        """Whether the line grew exponentially before it was followed."""
        bins = self._beside_bins(track.hz, CAME_WITHIN)
        levels = list(zip(_powers(self._past, bins), _levels(self._past, bins), strict=True))
        return any(_is_straight(levels[k : k + STRAIGHT_HOPS]) for k in range(PAST_HOPS - STRAIGHT_HOPS + 1))

    def _came_in_a_step(self, tones: Tones, bins: slice) -> bool:
        """Whether the line in these bins had its level within a frame, and then stayed there."""
        levels = _levels([*self._past, tones], bins)
        stood = levels[STEP_HOPS:-STEP_HOPS]
        rise, at = max(
            (b - max(a, STEP_NOISE_DB), k) for k, (a, b) in enumerate(zip(levels, stood, strict=False))
        )
        nothing = statistics.median(levels[: at + 1]) < STEP_NOISE_DB + STEP_NEAR_DB
        since = sorted(levels[at + STEP_HOPS + 1 :])
        stays = statistics.fmean(since[-3:]) - stood[at] < max(STEP_ON_DB, STEP_ON_SHARE * rise)
        fast = rise >= FAST_DB and since[len(since) // 4] > stood[at] - STEP_ON_DB
        return nothing and (fast or (stays and rise >= STEP_DB))

    def _came_from_elsewhere(self, track: _Track, bins: slice) -> bool:
        if track.follows_hz == track.follows_hz:
            moved = abs(track.follows_hz - track.hz) / track.hz
            related = track.follows_sudden and _is_multiple(track.hz, track.follows_hz)
            if related or DRIFT < moved < GLIDE_SHARE:
                return True
        before = self._departures[(self._hops - track.n - self._glide_hops) % PAST_HOPS]
        gap = max(self._lobe, math.ceil(self._passing_hz / self._bin_hz)) if track.inside else self._lobe
        here = float(before[max(0, bins.start - gap) : bins.stop + gap].max())
        first, last = (round(track.hz * (1 + sign * GLIDE_SHARE) / self._bin_hz) for sign in (-1, 1))
        below, above = before[first : max(first, bins.start - gap)], before[bins.stop + gap : last]
        beside = max(float(below.max(initial=0.0)), float(above.max(initial=0.0)))
        beside_db = 10 * math.log10(max(beside / NOISE_SHOWS, 1.0))
        return beside > here and beside_db > max(track.db - GLIDE_DB, GLIDE_LEAST_DB)

    def _beside(self, over: NDArray[np.float32], k: int, hz: float, spindle_hz: float) -> int:
        """Number of other tones that are no multiples or sidebands of the line."""
        least = NOISE_SHOWS * max(BESIDE_LEAST, over.item(k) / NOISE_SHOWS * 10 ** (-BESIDE_DB / 10))
        rotation = spindle_hz if spindle_hz == spindle_hz else 0.0
        near = SIDEBANDS * rotation + self._lobe * self._bin_hz
        tones = [at * self._bin_hz for at in np.flatnonzero(over > least).tolist()]
        base = self._base_of(hz, tones)
        others, last = 0, -math.inf
        for f in tones:
            # a low fundamental may drown while its multiple stands out: halves and thirds belong to it too
            multiple = float(max(1, round(f / hz))) if f > 0.75 * hz else 1 / max(2, min(round(hz / f), 3))
            whole = max(1, round(f / base)) * base
            off = min(abs(f - multiple * hz), abs(f - whole))
            related = abs(f - hz) <= near or off <= self._lobe * self._bin_hz + WITHIN * f
            if not related and f - last > self._lobe * self._bin_hz:
                others += 1
            last = f
        return others

    def _base_of(self, hz: float, tones: Sequence[float]) -> float:
        """A third or half of a line's frequency, if heard too: it is the fundamental then, and others may be
        its multiples that are none of the line's. Else the line's own."""
        for base in (hz / 3, hz / 2):
            reach = self._lobe * self._bin_hz / 2
            if base > 2 * self._lobe * self._bin_hz and any(abs(f - base) <= reach for f in tones):
                return base
        return hz

    def _peak_hz(self, k: int, near: list[float]) -> float:
        """Frequency of a peak by the parabola through the logarithms of its bin and those beside it."""
        if not 0 < k < self._n_bins - 1:
            return k * self._bin_hz
        a, b, c = near
        a = math.log(a if a > 1e-20 else 1e-20)
        b = math.log(b if b > 1e-20 else 1e-20)
        c = math.log(c if c > 1e-20 else 1e-20)
        bend = a - 2 * b + c
        shift = 0.5 * (a - c) / bend if bend < 0 else 0.0
        return (k + (1.0 if shift > 1 else -1.0 if shift < -1 else shift)) * self._bin_hz

    def _beside_bins(self, hz: float, within: float = WITHIN) -> slice:
        """Bins to which a line that keeps its frequency may have moved."""
        at, reach = hz / self._bin_hz, within * hz / self._bin_hz
        if reach < 1:
            reach = 1.0
        low, high = math.ceil(at - reach - 0.5), math.floor(at + reach + 0.5) + 1
        return slice(low if low > self._first else self._first, high if high < self._n_bins else self._n_bins)

    def _around(self, hz: float) -> slice:
        k = round(hz / self._bin_hz)
        return slice(max(0, k - self._lobe), k + self._lobe + 1)

    # ---- what it is ---------------------------------------------------------------------------------

    def _lose(self, hop: Hop, track: _Track) -> None:
        """The line is gone, with the cut or within it, or another one stands out more."""
        gone = track.enough <= 0 or track.db <= track.best_db - ENDED_DB
        if track.inside and track.proven and not self._cutting and gone:
            self._end(hop, track)
        self._leave(hop, track)

    def _end(self, hop: Hop, track: _Track) -> None:
        """The line ended with the cut; what came as chatter does not while music played is a note of it."""
        if not (_came_otherwise(track) and hop.t - self._background_s < BACKGROUND_S):
            self._ended_hz, self._ended_s = track.hz, hop.t

    def _leave(self, hop: Hop, track: _Track) -> None:
        """Follow the line no more. One that came and went within a cut was a tone of something else."""
        if self._cutting and hop.t - track.start_s >= PASSING_S and track.best_db >= PASSING_DB:
            self._note_tone(hop, track)
        forgotten = hop.t - self._left_s >= GLIDE_LATELY_S
        elsewhere = _came_otherwise(track)
        if track.best_db >= GLIDE_LEAST_DB and (elsewhere or forgotten or not self._left_sudden):
            self._left_hz, self._left_s, self._left_sudden = track.hz, hop.t, elsewhere
            self._left_own = track.inside and not elsewhere
        self._track = None

    def _is_background(self, hop: Hop, track: _Track, tones: Tones) -> None:
        """The line is heard outside of the cut."""
        self._keeps_pitch(hop, track)
        self._note_tone(hop, track)
        if _near(track.hz, self._stood_hz):
            self._stood_s = 0.0
        if _near(track.hz, self._ended_hz):
            self._ended_hz = math.nan
        self._track = None
        self._memory.hear_outside(tones, None)

    def _note_tone(self, hop: Hop, track: _Track) -> None:
        """Keep a tone that was not of the cut; two that are unrelated are music, voices, another machine."""
        self._tones = [(t, hz, cut) for t, hz, cut in self._tones if hop.t - t < BACKGROUND_S]
        own = self._cutting and not _came_otherwise(track)  # it may have chattered
        for _, hz, cut in self._tones:
            if not (_is_multiple(track.hz, hz) or (own and cut and self._same(track.hz, hz))):
                self._background_s = hop.t
        self._tones.append((hop.t, track.hz, own))

    def _is_chatter(self, hop: Hop, track: _Track, work: Work) -> bool:
        # A program that is over has drawn the drill out; but a cut that began after it belies the reckoning.
        # Whether the load shows is not asked: loops and wander hide it, and what is heard in no cut is none.
        # But a centre drill turns at a speed, and cuts for a time, at which load's lines are not known.
        over = work.contact_s != work.contact_s and (self._foreseen or not _is_own(track))
        if over or work.spotting or not (track.inside and self._cutting):
            return False
        if track.told:
            return track.enough >= ENOUGH / 2
        track.told = (
            track.enough >= ENOUGH
            and statistics.fmean(list(self._strengths)[-NOW_HOPS:]) >= GOES_ON * track.strength
            and track.level_db >= TOLD_DB
            and self._keeps_pitch(hop, track)
            and not self._doubtful(hop, track)
            and track.slow_db >= (NEW_DEPARTS_DB if self._good_pecks < NEW_PECKS else DEPARTS_DB)
            and _is_steady(track)
            and track.slow_db > track.slow_best_db - FADES_DB
            and track.crowd < CROWDED
            and self._has_grown(track)
            and (track.straight or not track.rung)
            and track.enough >= (ENOUGH if _is_own(track) or self._is_back(track) else UNPROVEN * ENOUGH)
        )
        return track.told

    def _doubtful(self, hop: Hop, track: _Track) -> bool:
        """Whether it may be a sound of elsewhere; not if it ended with an earlier cut and is back.

        Chatter is silent between cuts: what was heard there lately, and has grown since, is none. Nor does
        it prove much that a line is back if unrelated tones were heard since it ended: notes of a tune come
        back. And a tune swells: while it is on, no growth tells it from chatter.
        """
        for_s = LATELY_S if _is_own(track) else BACKGROUND_S
        company = hop.t - self._background_s < for_s or self._other_tone(track)
        elsewhere = _came_otherwise(track) or company
        outside = self._heard_outside(hop, track)
        return outside or (elsewhere and not self._is_back(track))

    def _is_back(self, track: _Track) -> bool:
        """Whether the line ended with an earlier cut, and no music was heard since, or it grew by itself.

        One that the turn pushes ends with every cut, and is back with every other.
        """
        alone = track.straight or (self._background_s <= self._ended_s and not track.rung)
        return _near(track.hz, self._ended_hz) and alone

    def _other_tone(self, track: _Track) -> bool:
        """Whether a tone that is new here, and not of the cut, was heard shortly before the line or since."""
        return self._good_pecks >= NEW_PECKS and any(
            track.start_s - t < LATELY_S
            and not (cut and (_is_multiple(track.hz, hz) or self._same(track.hz, hz)))
            for t, hz, cut in self._tones
        )

    def _has_grown(self, track: _Track) -> bool:
        track.grew = track.grew or self._grows(track)
        return track.grew

    def _grows(self, track: _Track) -> bool:
        """Whether the line has risen lately, and not only come.

        By its own power too: as another sound dies away, a line that it hid comes out of it.
        """
        if _is_own(track):
            return True
        past = list(track.past_db)
        if len(past) == GROWS_HOPS:
            powers, third = list(track.past_power_db), GROWS_HOPS // 3
            rise = statistics.fmean(powers[-third:]) - statistics.fmean(powers[:third])
            return rise >= GROWS_DB and track.slow_db - statistics.fmean(past[:third]) >= GROWS_DB
        if self._is_back(track):
            return True
        return any(self._young_growth(track))

    def _young_growth(self, track: _Track) -> tuple[bool, bool]:
        """Whether the line rises now, and whether it rose lately, by more, out of one that already stood."""
        bins = self._beside_bins(track.hz, CAME_WITHIN)
        levels = _levels(self._past, bins)
        pieces = [levels[k : k + YOUNG_HOPS] for k in range(len(levels) - YOUNG_HOPS + 1)]
        *rises, newest = map(min, _young_rises(levels), _young_rises(_powers(self._past, bins)))
        return newest >= YOUNG_DB, any(
            rise >= BOUNDED_DB and min(piece) >= STEP_NOISE_DB + STEP_NEAR_DB
            for rise, piece in zip(rises, pieces, strict=False)
        )

    @property
    def _passing_hz(self) -> float:
        """How often a lip passes."""
        return self._flutes * self._spindle_hz if self._spindle_hz < math.inf else 0.0

    def _forced(self, hz: float) -> bool:
        """Whether a cut may push so often by itself: once a turn, once a lip, and twice that."""
        rotation_hz = self._passing_hz / self._flutes
        pushes = (1, self._flutes, 2 * self._flutes)
        return self._cutting and any(abs(hz - order * rotation_hz) <= self._bin_hz for order in pushes)

    def _same(self, hz: float, other_hz: float) -> bool:
        """Whether two lines of a cut may be of one vibration."""
        return abs(hz - other_hz) <= self._passing_hz + self._bin_hz

    def _heard_outside(self, hop: Hop, track: _Track) -> bool:
        """Whether the line was heard between cuts lately."""
        return any(hop.t - t < BACKGROUND_S and _near(track.hz, hz) and not cut for t, hz, cut in self._tones)

    def _keeps_pitch(self, hop: Hop, track: _Track) -> bool:
        """Whether the pitches differ by no more than those of a vibration, the newest and on average; else it
        may be a voice."""
        if track.shivers > SHIVERS:
            track.shivered = True
            self._background_s = hop.t
        glides = track.glides_hz > max(WITHIN * track.hz, self._bin_hz)
        steady = max(track.shivers, track.mean_shivers) <= 1 and not (track.shivered or glides)
        return bool(track.pitched) and steady

    def _shivers(self, track: _Track) -> float:
        """Deviation of the pitch over the last spectra, in those of a vibration heard through this noise."""
        pitches = [self._peak_hz(k, near) for k, near, _ in track.peaks]
        weights = [
            1 / ((SHIVER * track.hz) ** 2 + SHIVER_HZ**2 + self._unsure_hz**2 / shown)
            for _, _, shown in track.peaks
        ]
        total = sum(weights, 0.0)
        mean = sum(map(operator.mul, weights, pitches), 0.0) / total
        middle = sum(map(operator.mul, weights, range(len(weights))), 0.0) / total
        times = [k - middle for k in range(len(weights))]
        rise = sum([w * at * (hz - mean) for w, at, hz in zip(weights, times, pitches, strict=True)], 0.0)
        rise /= sum([w * at * at for w, at in zip(weights, times, strict=True)], 0.0)
        track.glides_hz = abs(rise) * (len(times) - 1)
        return math.sqrt(
            statistics.fmean(
                w * (hz - mean - rise * at) ** 2 for w, at, hz in zip(weights, times, pitches, strict=True)
            )
        )

    def _found(self, hop: Hop, track: _Track, work: Work) -> Finding:
        if not _near(track.hz, self._stood_hz):
            self._stood_s = 0.0
        self._stood_hz = track.hz
        self._stood_s += hop.step_s
        severity = Severity.WARNING
        certain = work.working and self._stood_s >= HOLD_S
        if certain and _is_steady(track) and _near(track.hz, self._ended_hz):
            severity = Severity.HOLD
        message = (
            f"Chatter: a tone of {track.hz:.0f} Hz has grown in the cut, {track.level_db:.0f} dB over the "
            "noise around it: retract, then change the speed or the feed, or clamp the work shorter."
        )
        return Finding(Kind.CHATTER, severity, message, track.level_db, TOLD_DB, "dB", track.start_s)


def _db(power: float) -> float:
    """In dB, -30 at least. What runs at every hop asks `if`: `max` takes ten times as long."""
    return 10 * math.log10(power if power > 1e-3 else 1e-3)


def _powers(spectra: Iterable[Tones], bins: slice) -> list[float]:
    """Of the strongest of these bins in each newest spectrum, in dB."""
    return [10 * math.log10(max(float(one.newest[bins].max()), 1e-20)) for one in spectra]


def _is_straight(levels: Sequence[tuple[float, float]]) -> bool:
    """Whether levels, in dB and in dB over the noise, rise like those of what grows exponentially."""
    n = len(levels)
    powers, shown = [db for db, _ in levels], [db for _, db in levels]
    if n < STRAIGHT_HOPS or sorted(shown)[n // 4] < STEP_NOISE_DB:
        return False
    middle = (n - 1) / 2
    spread = n * (n * n - 1) / 12
    times = [(n - 1) * (k - middle) / spread for k in range(n)]
    rise: float = sum(map(operator.mul, times, powers))
    over: float = sum(map(operator.mul, times, shown))
    mean = math.fsum(powers) / n
    off = [db - mean - rise * (k - middle) / (n - 1) for k, db in enumerate(powers)]
    deviation = math.sqrt(sum(x * x for x in off) / (n - 2))
    return min(rise, over) >= max(STRAIGHT_DB, STRAIGHT * max(deviation, STRAIGHT_LEAST_DB))


def _young_rises(levels: list[float]) -> list[float]:
    """By how much the median of `YOUNG_HOPS` levels rises within `YOUNG_APART` hops, oldest first."""
    medians = [statistics.median(levels[k : k + YOUNG_HOPS]) for k in range(len(levels) - YOUNG_HOPS + 1)]
    return list(map(operator.sub, medians[YOUNG_APART:], medians))


def _is_multiple(hz: float, other_hz: float) -> bool:
    """Whether one frequency is a whole multiple of the other, within 2 %."""
    ratio = max(hz, other_hz) / min(hz, other_hz)
    return abs(ratio - round(ratio)) <= 0.02 * ratio


def _came_otherwise(track: _Track) -> bool:
    """Whether the line came as chatter does not; fast growth passes for a step, but no step is straight."""
    sudden = bool(track.sudden) and not track.lips
    return track.drifts or (not track.straight and (sudden or _is_mains(track.hz)))


def _is_own(track: _Track) -> bool:
    """Whether the line was seen to be the cut's own: to grow by itself, or to beat with its lips."""
    return track.straight or track.lips


def _is_mains(hz: float) -> bool:
    """Whether a frequency is one of the first multiples of the mains, or a motor's that slips behind."""
    return hz < MAINS_MOST + MAINS_OFF_HZ and any(
        -MAINS_OFF_HZ - SLIPS * multiple <= hz - multiple <= MAINS_OFF_HZ
        for multiple in (max(1, math.ceil((hz - MAINS_OFF_HZ) / mains)) * mains for mains in MAINS_HZ)
    )


def _near(hz: float, other_hz: float) -> bool:
    return abs(hz - other_hz) <= 0.02 * hz


def _levels(spectra: Iterable[Tones], bins: slice) -> list[float]:
    """Of the strongest of these bins in each newest spectrum, in dB over the floor."""
    return [_db(float((one.newest[bins] * one.per_floor[bins]).max())) for one in spectra]


def _is_steady(track: _Track) -> bool:
    return track.change_db < (STEADY_DB if track.slow_db < STRONG_DB else STRONG_STEADY_DB)
