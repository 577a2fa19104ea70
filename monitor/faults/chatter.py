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

How it came and grows stands in `chatter_growth`, its pitch in `chatter_pitch`, tones beside it in
`chatter_beside`, what the machine does by itself in `chatter_usual`, what others do in `chatter_elsewhere`.
"""

from __future__ import annotations

import math
import statistics
from collections import deque

import numpy as np
from numpy.typing import NDArray

from monitor.faults.chatter_beside import tones_beside
from monitor.faults.chatter_elsewhere import BACKGROUND_S, PASSING_DB, PASSING_S, Elsewhere
from monitor.faults.chatter_growth import (
    GROWS_EVERY,
    PAST_HOPS,
    STRAIGHT_HOPS,
    came_in_a_step,
    grew_straight,
    in_db,
    straight_hops,
    young_growth,
)
from monitor.faults.chatter_line import Line, near
from monitor.faults.chatter_pitch import CAME_WITHIN, SHIVERS, WITHIN, Bins, Peak
from monitor.faults.chatter_usual import Usual
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

STRONGER_DB = 4.0
"""A line that departs by so much more is followed instead."""

CROWDED = 0.5
"""So many unrelated tones beside it on average: no chatter, but music, voices, or another machine."""

HOLD_S = 3.0
"""A line that has lasted so long in cuts, was gone between them and is back is no passing thing: some fifty
turns of marred wall at 1000 rpm. What starts elsewhere by chance within a cut (a vacuum cleaner, a pump)
does not stop with the retract and begin again with the next peck: only that tells it surely from chatter, so
a first peck warns and no more."""

GOES_ON, NOW_HOPS, WAS_HOPS = 0.5, 4, 16
"""Share of its sound from before that a cut which chatters has at least now, and hops of either: chatter adds
to it. A tone that grows as the cut dies away is the feed's that draws the drill out, say."""

ENDS_S = 0.6
"""So long after the cut nothing of it is left in an average of 0.4 s, but for the room's last ringing."""

ENDED_DB = 10.0
"""So far a line must have fallen by then to have ended with the cut."""

BELIES_S = 0.6
"""A program that is reckoned to be over so soon after a contact, less than pecks take, was over before it:
the cut belies that, and the drill was not drawn out."""

CATCHES_UP = 10
"""Hops before a line was followed whose sound counts, if it stood out then: the least time to decide in. They
count for a line that was seen to be the cut's own, or is back. One that was not seen to grow has to be
followed for as long as ever, since whether it rises yet is asked meanwhile."""

STEADY_HOPS = 10
"""Half a second after a change of speed no spectrum in the average is of that change."""

CONTACT_LATE_S, GREW_LATE_S, CONTACT_HOPS = 0.1, 0.5, 8
"""An onset is dated by so much; that of a faint cut by so much that a line may be growing already; and the
average of so many hops before a cut is known is of before contact."""

TOLD_DB, TOLD_HZ, DEPARTS_DB, NEW_DEPARTS_DB = 12.0, 20.0, 6.0, 7.0
"""A line is told from so much over the noise in so wide a band around it, and so much over all that is usual
there: four times the power; five times before good pecks have shown what load does to the machine's lines."""

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
        self._bins = Bins.of(geometry)
        self._bin_hz = geometry.bin_hz
        self._band_db = 10 * math.log10(TOLD_HZ / geometry.enbw_hz)
        self._most = ENOUGH / round(LEAST_S / hop_s)
        self._usual = Usual(lines, grid_hz, self._bins, hop_s, flutes)
        self._elsewhere = Elsewhere(self._bins, self._usual, hop_s)
        self._hops = 0
        ones = np.ones((1, geometry.n_bins), np.float32)
        self._past: deque[Tones] = deque([*tones_of(ones, ones, ones)] * PAST_HOPS, PAST_HOPS)
        self._spare = np.zeros(geometry.n_bins, np.float32)  # for the next departure
        self._steady_hops = 0
        self._known_hops = 0  # in a row, whose departures are kept, of this cut or pause
        self._line: Line | None = None
        self._mean_db, self._spread_db = 0.0, 1.0
        self._suspect, self._foreseen = False, True
        self._strengths: deque[float] = deque(maxlen=WAS_HOPS)
        self._ended_hz, self._ended_s = math.nan, -math.inf
        self._stood_s, self._stood_hz = 0.0, math.nan

    def step(self, hop: Hop, rotation: Rotation, work: Work) -> Finding | None:
        """Finding while a line stands that only chatter explains."""
        if hop.deaf:
            self._line, self._known_hops = None, 0
            return None
        tones = hop.tones
        self._strengths.append(work.strength)
        self._usual.follow_speed(hop, rotation, self._hops)
        # Lines that sweep as the spindle runs up or down are not learned ones for long.
        steady = rotation.settled and not rotation.changed
        self._steady_hops = self._steady_hops + 1 if steady else 0
        if self._steady_hops < STEADY_HOPS:
            self._follow_cut(hop.t, work)
            self._past.append(tones)
            self._hops += 1
            self._line, self._known_hops = None, 0
            return None
        over = self._usual.memory.departure(tones, self._spare)  # from what was usual up to the hop before
        self._follow_cut(hop.t, work)
        self._follow_line(hop, over, tones, work)
        self._known_hops += 1
        self._past.append(tones)
        self._spare = self._elsewhere.keep(self._hops, over)
        line = self._line
        if self._hops % ToneMemory.LEARNS_EVERY == 0:
            self._usual.learn(hop, tones, work, None if line is None else self._bins.around(line.hz))
        self._hops += 1
        if line is None or not self._is_chatter(hop, line, work):
            return None
        return self._found(hop, line, work)

    def _follow_cut(self, t: float, work: Work) -> None:
        usual = self._usual
        if work.in_cut and not usual.cutting:
            usual.memory.begin_peck()
            self._suspect = False
            self._foreseen = work.contact_s == work.contact_s
            line, but = self._line, None
            if line is not None and line.start_s > work.cut_s - CONTACT_LATE_S:
                around = self._bins.around(line.hz)
                silent = float(self._past[-CONTACT_HOPS].average[around].max()) < NOISE_SHOWS
                if silent or near(line.hz, self._ended_hz):  # the average shows the cut before
                    line.inside, but = True, around  # a faint cut is known late
            elif line is not None and line.inside and line.grows_on:
                but = self._bins.around(line.hz)  # the cut was not over
            for hops in range(CONTACT_HOPS, PAST_HOPS, AVERAGED):  # whatever went before
                usual.memory.hear_outside(self._past[-hops], but)
        elif usual.cutting and not work.in_cut and not self._suspect:
            usual.end_peck()
        if work.in_cut and work.contact_s != work.contact_s and t - work.cut_s < BELIES_S:
            self._foreseen = False
        if usual.cutting is not work.in_cut:
            self._known_hops = 0
        usual.cutting = work.in_cut

    # ---- the line -----------------------------------------------------------------------------------

    def _follow_line(self, hop: Hop, over: NDArray[np.float32], tones: Tones, work: Work) -> None:
        line, cutting = self._line, self._usual.cutting
        if line is not None:
            self._go_on(hop, line, over, tones)
            if line.inside and line.past_power_db:
                line.take_pause(cutting, hop.t - work.end_s)
            if line.straight and cutting and line.start_s > work.cut_s - GREW_LATE_S:
                line.inside = True
            strongest_hz = int(over.argmax()) * self._bin_hz
            stronger = not line.told and self._stronger(over, line)
            if stronger and line.inside and self._is_of(strongest_hz, line):
                line.go_over(strongest_hz)
                self._catch_up(line, over, tones)
            elif stronger or line.enough <= 0:
                self._lose(hop, line)
                passed = hop.t - line.followed_s >= PASSING_S and line.best_db >= PASSING_DB
                if passed and not (line.inside or cutting or self._is_of(strongest_hz, line)):
                    self._usual.learn_left(hop, line.start_s, work, self._past)
            elif not line.told and self._usual.slipped(tones, round(line.hz / self._bin_hz)):
                self._line = None
            elif (not line.inside and line.enough >= ENOUGH) or (
                line.sounds_on and line.best_db >= PASSING_DB
            ):
                self._is_background(hop, line, tones)
            elif line.inside and not cutting and hop.t - work.end_s > ENDS_S:
                if line.proven and line.db > line.best_db - ENDED_DB:
                    self._is_background(hop, line, tones)
                elif line.proven:
                    self._end(hop, line)
                self._line = None
        if self._line is None:
            self._begin(hop, over, tones)
        elif self._line.enough >= ENOUGH / 2:
            line = self._line
            self._suspect = line.was_suspect or not line.rung or line.straight or line.told

    @staticmethod
    def _stronger(over: NDArray[np.float32], line: Line) -> bool:
        """Whether another line departs much farther."""
        return over.item(over.argmax()) / NOISE_SHOWS > 10 ** ((line.db + STRONGER_DB) / 10)

    def _is_of(self, hz: float, line: Line) -> bool:
        """Whether a line is the double or treble of the one followed, or that of it: one vibration."""
        low, high = (hz, line.hz) if hz < line.hz else (line.hz, hz)
        multiple = min(max(round(high / low), 2), 3)
        return abs(high - multiple * low) <= self._bins.lobe * self._bin_hz + WITHIN * high

    def _begin(self, hop: Hop, over: NDArray[np.float32], tones: Tones) -> None:
        usual, k = self._usual, int(over.argmax())
        if usual.slipped(tones, k) or (not usual.knows_good and usual.forced(k * self._bin_hz)):
            return
        db = in_db(over.item(k) / NOISE_SHOWS)
        if usual.cutting:
            self._mean_db += 0.01 * (db - self._mean_db)
            self._spread_db += 0.01 * (1.25 * abs(db - self._mean_db) - self._spread_db)
        if db > self._mean_db and db > 0:
            strength = math.fsum(self._strengths) / len(self._strengths)
            self._line = Line(k * self._bin_hz, hop.t, usual.cutting, strength, enough=1e-6)
            self._line.was_suspect = usual.cutting and self._suspect
            self._elsewhere.begin(hop, self._line)
            self._line.followed_s = hop.t
            hops = self._catch_up(self._line, over, tones)
            self._line.start_s -= hops * hop.step_s

    def _catch_up(self, line: Line, over: NDArray[np.float32], tones: Tones) -> int:
        """Take what was heard of a line before it was followed; the number of hops.

        Another line stood out more meanwhile, be it of noise, or the same vibration at another of its
        multiples: that says nothing against this one. So its sequential test begins where it would have, had
        it been followed all the time: after the last hop at which its sum was zero.
        """
        known = min(CATCHES_UP, self._known_hops)
        bins = self._bins.beside(line.hz)
        if (
            not known
            or bins.stop <= bins.start
            or self._weight(in_db(float(over[bins].max()) / NOISE_SHOWS)) <= 0
        ):
            return 0
        past = list(self._past)[-known:]
        heard = [*zip(past, self._elsewhere.lately(self._hops, known), strict=True), (tones, over)]
        begin, enough = 0, 0.0
        for k, (_, departs) in enumerate(heard):
            enough += self._weight(in_db(float(departs[bins].max()) / NOISE_SHOWS))
            if enough <= 0:
                begin, enough = k + 1, 0.0
        before, followed, line.enough = line.enough, line.followed, 0.0
        for one, departs in heard[begin:]:
            self._take(line, departs, one, bins)
        line.followed = followed
        for levels in (line.levels, line.past_db, line.past_power_db):
            levels.clear()  # that it came is no growth
        if line.enough < before:
            line.enough = before
        return len(heard) - 1 - begin

    def _go_on(self, hop: Hop, line: Line, over: NDArray[np.float32], tones: Tones) -> None:
        bins = self._bins.beside(line.hz)
        if bins.stop <= bins.start:
            line.enough = 0.0
            return
        k = self._take(line, over, tones, bins)
        if line.enough >= ENOUGH / 2:
            self._see_how_it_came(line, bins, tones)
        if line.sudden is None and line.enough >= ENOUGH:
            came = self._bins.beside(line.hz, CAME_WITHIN)
            line.sudden = came_in_a_step([*self._past, tones], came)
        if line.enough >= ENOUGH / 2:
            self._look(hop, line, over, k, tones)

    def _take(self, line: Line, over: NDArray[np.float32], tones: Tones, bins: slice) -> int:
        """Take a hop of a line; the bin in which it is strongest."""
        k: int = bins.start + int(over[bins].argmax())
        line.n = n = line.n + 1
        peak_hz = self._bins.peak_hz(k, tones.average[k - 1 : k + 2].tolist())
        line.hz += (peak_hz - line.hz) / (n if n < 10 else 10)
        line.db = db = in_db(over.item(k) / NOISE_SHOWS)
        self._weigh(line)
        line.take_level(db, in_db(tones.average.item(k)) - self._band_db)
        line.proven = line.proven or (self._usual.cutting and line.enough >= ENOUGH)
        peak = _peak(tones, k)
        newest = max(peak[1])
        newest = newest if newest > 1e-20 else 1e-20
        line.take_spectrum(peak, 10 * math.log10(newest), in_db(newest * tones.per_floor.item(k)))
        line.take_drift()
        return k

    def _weight(self, db: float) -> float:
        """What a departure of one hop adds to the sequential test."""
        mean_db = self._mean_db if self._mean_db > 0 else 0.0
        z = (db - mean_db) / (self._spread_db if self._spread_db > 1 else 1.0) - SLACK
        return z if z < self._most else self._most

    def _weigh(self, line: Line) -> None:
        """Add what a hop's departure says: the sequential test."""
        weight = self._weight(line.db)
        enough, followed = line.enough + weight, line.followed + weight
        line.enough = enough if enough < 2 * ENOUGH else 2 * ENOUGH
        line.followed = 0.0 if followed < 0 else followed if followed < 2 * ENOUGH else 2 * ENOUGH
        if line.n == 1:
            line.enough = max(line.enough, 1e-6)

    def _see_how_it_came(self, line: Line, bins: slice, tones: Tones) -> None:
        if not line.straight:
            came = self._bins.beside(line.hz, CAME_WITHIN)
            hops = straight_hops(list(line.levels)) or grew_straight(
                [*self._past, tones], came, newest=line.looks > 0
            )
            if hops:  # it stood over the noise for as long as it rose
                line.straight = True
                line.enough = max(line.enough, self._most * hops)
            if line.straight and line.n < STRAIGHT_HOPS:
                line.peaks.clear()
                for one in [*self._past, tones][-STRAIGHT_HOPS:]:
                    line.peaks.append(_peak(one, bins.start + int(one.newest[bins].argmax())))
        if not line.looks:
            line.drifts = line.drifts or self._elsewhere.is_from(line, bins, self._hops)

    def _look(self, hop: Hop, line: Line, over: NDArray[np.float32], k: int, tones: Tones) -> None:
        """Look at what takes longer, of a line for which much speaks: company, beat, pitch."""
        line.looks += 1
        cutting, n = self._usual.cutting, line.n
        if cutting and n >= PAST_HOPS and n % GROWS_EVERY == 0:
            line.grew = line.grew or self._young_growth(line)[1]
        beside = tones_beside(over, k, line.hz, hop.spindle_hz, self._bins)
        line.crowd += (beside - line.crowd) / min(line.looks, 6)
        if cutting and not line.is_own and n % LIPS_EVERY == 0:
            self._hear_lips(line, tones)
        line.take_pitch(self._bins)

    def _hear_lips(self, line: Line, tones: Tones) -> None:
        """Whether the line beats as the lips pass, since it stands."""
        hops = min(line.n, PAST_HOPS - 1)
        sound = np.concatenate([*(one.sound for one in list(self._past)[-hops:]), tones.sound])
        if line.lip_looks < LIPS_LOOKS and sound.size >= LIPS_LEAST_S * self._fs:
            line.lip_looks += 1
            turn_hz, passing_hz = self._usual.rotation_hz, self._usual.passing_hz
            line.rung = self._flutes > 1 and turn_beat(sound, self._fs, line.hz, turn_hz) >= RUNG
            line.lips = not line.rung and lip_beat(sound, self._fs, line.hz, passing_hz) >= LIPS

    def _young_growth(self, line: Line) -> tuple[bool, bool]:
        return young_growth(self._past, self._bins.beside(line.hz, CAME_WITHIN))

    # ---- what it is ---------------------------------------------------------------------------------

    def _lose(self, hop: Hop, line: Line) -> None:
        """The line is gone, with the cut or within it, or another one stands out more."""
        gone = line.enough <= 0 or line.db <= line.best_db - ENDED_DB
        if line.inside and line.proven and not self._usual.cutting and gone:
            self._end(hop, line)
        self._elsewhere.leave(hop, line)
        self._line = None

    def _end(self, hop: Hop, line: Line) -> None:
        """The line ended with the cut; what came as chatter does not while music played is a note of it."""
        if not (line.came_otherwise and hop.t - self._elsewhere.background_s < BACKGROUND_S):
            self._ended_hz, self._ended_s = line.hz, hop.t

    def _is_background(self, hop: Hop, line: Line, tones: Tones) -> None:
        """The line is heard outside of the cut."""
        self._keeps_pitch(hop, line)
        self._elsewhere.note_tone(hop, line)
        if near(line.hz, self._stood_hz):
            self._stood_s = 0.0
        if near(line.hz, self._ended_hz):
            self._ended_hz = math.nan
        self._line = None
        self._usual.memory.hear_outside(tones, None)

    def _is_chatter(self, hop: Hop, line: Line, work: Work) -> bool:
        # A program that is over has drawn the drill out; but a cut that began after it belies the reckoning.
        # Whether the load shows is not asked: loops and wander hide it, and what is heard in no cut is none.
        # But a centre drill turns at a speed, and cuts for a time, at which load's lines are not known.
        over = work.contact_s != work.contact_s and (self._foreseen or not line.is_own)
        if over or work.spotting or not (line.inside and self._usual.cutting):
            return False
        if line.told:
            return line.enough >= ENOUGH / 2
        known = line.is_own or self._is_back(line)
        line.told = (
            (line.enough if known else line.followed) >= ENOUGH
            and statistics.fmean(list(self._strengths)[-NOW_HOPS:]) >= GOES_ON * line.strength
            and line.level_db >= TOLD_DB
            and self._keeps_pitch(hop, line)
            and not self._doubtful(hop, line)
            and line.slow_db >= (DEPARTS_DB if self._usual.knows_good else NEW_DEPARTS_DB)
            and line.is_steady
            and not line.has_faded
            and line.crowd < CROWDED
            and self._has_grown(line)
            and (line.straight or not line.rung)
            and (known or line.followed >= UNPROVEN * ENOUGH)
        )
        return line.told

    def _doubtful(self, hop: Hop, line: Line) -> bool:
        """Whether it may be a sound of elsewhere; not if it ended with an earlier cut and is back.

        Chatter is silent between cuts: what was heard there lately, and has grown since, is none. Nor does
        it prove much that a line is back if unrelated tones were heard since it ended: notes of a tune come
        back. And a tune swells: while it is on, no growth tells it from chatter.
        """
        elsewhere = line.came_otherwise or self._elsewhere.company(hop, line)
        return self._elsewhere.heard(hop, line) or (elsewhere and not self._is_back(line))

    def _is_back(self, line: Line) -> bool:
        """Whether the line ended with an earlier cut, and no music was heard since, or it grew by itself.

        One that the turn pushes ends with every cut, and is back with every other.
        """
        alone = line.straight or (self._elsewhere.background_s <= self._ended_s and not line.rung)
        return near(line.hz, self._ended_hz) and alone

    def _has_grown(self, line: Line) -> bool:
        line.grew = line.grew or self._grows(line)
        return line.grew

    def _grows(self, line: Line) -> bool:
        """Whether the line has risen lately, and not only come."""
        if line.is_own:
            return True
        risen = line.has_risen
        if risen is not None:
            return risen
        return self._is_back(line) or any(self._young_growth(line))

    def _keeps_pitch(self, hop: Hop, line: Line) -> bool:
        """Whether it keeps its pitch; a voice does not, and is known from then on."""
        if line.shivers > SHIVERS:
            self._elsewhere.background_s = hop.t
        return line.keeps_pitch(self._bin_hz)

    def _found(self, hop: Hop, line: Line, work: Work) -> Finding:
        if not near(line.hz, self._stood_hz):
            self._stood_s = 0.0
        self._stood_hz = line.hz
        self._stood_s += hop.step_s
        severity = Severity.WARNING
        certain = work.working and self._stood_s >= HOLD_S
        if certain and line.is_steady and near(line.hz, self._ended_hz):
            severity = Severity.HOLD
        message = (
            f"Chatter: a tone of {line.hz:.0f} Hz has grown in the cut, {line.level_db:.0f} dB over the "
            "noise around it: retract, then change the speed or the feed, or clamp the work shorter."
        )
        return Finding(Kind.CHATTER, severity, message, line.level_db, TOLD_DB, "dB", line.start_s)


def _peak(tones: Tones, k: int) -> Peak:
    """The newest spectrum about a bin."""
    powers: list[float] = tones.newest[k - 1 : k + 2].tolist()
    shown = max(powers) * tones.per_floor.item(k)
    return k, powers, shown if shown > 1 else 1.0
