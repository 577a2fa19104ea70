"""The whole chain: samples in, measured curves and events out. Live, replay and demo all run this.

`Listener.feed` cuts the samples into hops of about 50 ms, measures each hop with operations of one
fixed shape (see ``monitor.signal.frames``), then walks the hops one by one through the rules on which
others depend, and rule by rule through the rest. So the result does not depend on how the samples are cut
into blocks, and nothing looks ahead.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import repeat
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.baseline import Baseline
from monitor.cutting import CuttingDetector, floor_by_speed
from monitor.faults.cause import FAULTS, only_warning, untangled
from monitor.faults.chatter import ChatterRule
from monitor.faults.departure import Departure
from monitor.faults.episode import Episode, Finding, Place
from monitor.faults.loosening import LooseningRule
from monitor.faults.loosening_lines import KnockLines
from monitor.faults.lost_cut import LostCutRule, broken_off
from monitor.faults.masking import MaskingRule
from monitor.faults.melting import MeltingRule
from monitor.faults.microphone import MicrophoneRule
from monitor.faults.no_contact import NoContactRule
from monitor.faults.packing import PackingRule
from monitor.faults.returned import ReturnedMicrophone, gain_change_db
from monitor.faults.sag import SagRule
from monitor.faults.stall import StallRule
from monitor.faults.stopped_early import StoppedEarlyRule
from monitor.faults.variogram import wander_of
from monitor.hop import HEARD, Hop
from monitor.job import Job
from monitor.measurements import Event, Heard, Kind, Severity, TraceRow
from monitor.pecks import follow
from monitor.pecks.cycle import Cycle
from monitor.schedule import POINT_DIAMETERS
from monitor.signal.crackle import crackle_db
from monitor.signal.crowding import frames_for
from monitor.signal.cut_colour import CutColour
from monitor.signal.envelope import fine_envelope
from monitor.signal.frames import Decimator, overlapping
from monitor.signal.hum import repeats_hz, steady
from monitor.signal.level import LOST_SHARE, SILENCE_DB, hop_levels, peaks, slope_per_s
from monitor.signal.line_choice import learned_floor
from monitor.signal.pieces import band_pieces
from monitor.signal.revolutions import Revolutions
from monitor.signal.rhythm import CutRhythm
from monitor.signal.spectrum import (
    band_floor,
    hearing_floor,
    inverse_power,
    power_density,
    spectrum_geometry,
    spread_floor,
    to_db,
)
from monitor.signal.speed import SpeedTracker
from monitor.signal.tones import AVERAGED, averaged, learned_lines, strongest_tone_db, tones_of
from monitor.signal.turn_lines import TurnLines
from monitor.spindle import STOPPED, Rotation, Spindle, heard_speeds
from monitor.work import AS_LOUD_DB, Work, WorkJudge

_HOPS_AT_ONCE = 100  # measured with one gain and one colour of the cut: 5 s, which bounds memory too (8 MB)
_GAIN_HOPS = 400  # a gain is followed every 20 s
_FIRST_PIECES = (60, 100, 140, 200, 300)  # the gain is known after some seconds of free running
_USUAL_SAG, _USUAL_RISE = 0.04, 0.02  # of the commanded speed: what cuts and drift make
_SURELY = 0.9  # confidence of a speed whose lines are known to be elsewhere
_SAME_GAIN_DB = 4.0  # lines waver by 2 dB as load and pose change; twice that
_LOUDEST = 16  # a float recording may hold anything; keep powers finite
_RISE_HOPS = 40  # slope of the level over two seconds: several revolutions even at 300 rpm
_LOWEST_HZ = 300.0  # telephones hear nothing below
_CUT_SOUND_FROM_HZ = 500.0  # cutting sound is judged above: hum, rumble and doors lie below


class _At(NamedTuple):
    """Where the drill was at some ``turns`` of the cut under way."""

    cycle: Cycle
    turns: float

    @property
    def place(self) -> Place:
        """Where in the batch."""
        return self.cycle.place_at(self.turns)


class Listener:
    """Hears one spindle: `feed` it samples, it gives a trace row a hop, events and peck rows.

    Parameters
    ----------
    baseline : Baseline
        What the machine sounds like running free; may be of another sample rate.
    job : Job
        What is drilled, and the thresholds.
    fs : float
        Sample rate of the samples, 8000 to 192000 Hz.
    live : bool
        The sound comes from a microphone now: it has to be the one that learned the baseline.
    blanks_before : int
        Blanks of the batch that were drilled before: the first one heard is numbered after them.

    Notes
    -----
    Causal; a row's ``t`` is the newest sample used. Memory is constant: some 0.4 s of sound and tables
    of a few MB. Not thread-safe: one caller at a time.

    Raises
    ------
    ValueError
        Sample rate out of range.
    InputError
        No line of the baseline can be heard at the job's speed, or the material is not known.
    """

    def __init__(
        self, baseline: Baseline, job: Job, fs: float, live: bool = False, blanks_before: int = 0
    ) -> None:
        self._job = job
        speeds = (job.spindle_rpm,) if job.spot_rpm is None else (job.spindle_rpm, job.spot_rpm)
        self._g = frames_for(baseline, speeds, fs)
        self._sg = spectrum_geometry(self._g.fs, self._g.n_short, self._g.usable_hz)
        g = self._g
        self._tracker = SpeedTracker(baseline, speeds, self._sg, g.usable_hz, g.hop_s, g.delay_s)
        lines = learned_lines(baseline, self._tracker.grid_hz, self._sg)
        self._unexplained = (lines <= 0).astype(np.float32)
        bins_hz: NDArray[np.float64] = self._sg.bin_hz * np.arange(self._sg.n_bins, dtype=np.float64)
        idle_db = learned_floor(baseline, bins_hz, np.full(bins_hz.size, job.spindle_rpm))
        self._colour = CutColour(idle_db)
        self._usual_hz = [
            ((1 - _USUAL_SAG) * rpm / 60, (1 + _USUAL_RISE) * rpm / 60)
            for rpm in heard_speeds(baseline, speeds)
        ]
        centres = self._sg.band_centres_hz
        top = min(baseline.floor_hz[-1], self._g.usable_hz)
        cut_bands = np.flatnonzero((centres >= _CUT_SOUND_FROM_HZ) & (centres <= top))
        cut_bands = cut_bands if cut_bands.size else np.arange(centres.size)
        upper = np.flatnonzero(centres >= 0.5 * centres[-1])
        lower = np.flatnonzero((centres >= _LOWEST_HZ) & (centres <= 0.25 * centres[-1]))
        # of the bands three means are taken; those of each stand one after another
        self._bands = np.concatenate([cut_bands, upper, lower])
        self._sizes = np.array([cut_bands.size, upper.size, lower.size])
        self._begins = np.cumsum(self._sizes) - self._sizes
        self._idle_floor = floor_by_speed(baseline, centres[cut_bands], self._tracker.grid_hz)

        self._decimator = Decimator(self._g)
        self._envelope = fine_envelope(self._g)
        self._pieces = band_pieces(g, job.spindle_rpm / 60)
        self._revolutions = Revolutions(
            self._pieces.n_pieces,
            self._pieces.n_bands,
            self._envelope.n_fine,
            job.spindle_rpm / 60,
            g.hop_s,
            job.flutes,
        )
        self._turn_lines = TurnLines(g, job.spindle_rpm / 60)
        self._rhythm = CutRhythm(
            self._tracker.grid_hz,
            job.spindle_rpm / 60,
            job.flutes,
            self._envelope.n_fine,
            self._envelope.step_s,
        )
        self._pending: list[NDArray[np.float32]] = []
        self._n_pending = 0
        self._n_hops = 0
        self._history = np.zeros(self._g.n_long - self._g.hop, np.float32)
        self._over_history = np.ones((2, 2 * AVERAGED - 2, self._sg.n_bins), np.float32)
        self._level_history = np.full(_RISE_HOPS - 1, SILENCE_DB)

        rotations_s = job.spindle_rpm / 60
        feed_mm_s = job.feed_mm_per_rev * rotations_s
        longest_s = max(job.pecks_mm) / feed_mm_s
        expected_rpm = heard_speeds(baseline, speeds)
        self._cut_detector = CuttingDetector(longest_s, tuple(rpm / 60 for rpm in expected_rpm))
        self._spindle = Spindle(expected_rpm)
        self._cycle = Cycle(job, job.properties.bulking, blanks_before, self._catch_up)
        self._returned = ReturnedMicrophone(math.ceil(longest_s / g.hop_s), live)
        self._work = WorkJudge(_followed_from(job.sag_warning_pct))
        lag_s = g.n_short / g.fs / 2 + g.delay_s
        self._sag = SagRule(job.sag_warning_pct, job.sag_hold_pct, lag_s, job.flutes)
        self._departure = Departure()
        self._stall = StallRule()
        self._stopped_early = StoppedEarlyRule()
        self._microphone = MicrophoneRule()
        self._masking = MaskingRule()
        self._loosening = LooseningRule(
            self._revolutions.sectors,
            self._revolutions.bands,
            self._revolutions.every,
            job.spindle_rpm / 60,
            g.hop_s,
            job.flutes,
            KnockLines(self._turn_lines, g.hop_s) if self._turn_lines.hears else None,
        )
        self._chatter = ChatterRule(lines, self._tracker.grid_hz, self._sg, self._g.hop_s, job.flutes)
        softens = job.properties.softens_c is not None
        # a hole hardly deeper than the point is all entry: there it counts as in after half of it
        self._point_mm = min(POINT_DIAMETERS * job.drill_diameter_mm, job.depth_mm / 2)
        self._melting = MeltingRule(softens, self._point_mm, feed_mm_s, job.depth_mm)
        self._lost_cut = LostCutRule(feed_mm_s)
        self._no_contact = NoContactRule(feed_mm_s)
        self._packing = PackingRule(job, wander_of(baseline.wander))
        self._episodes = {kind: Episode() for kind in FAULTS}
        self._warn_only = frozenset(map(Kind, job.warn_only))
        self._lasting = False
        self._cutting = False
        self._gain_db = 0.0
        # hops that wait for the rules on which no others depend, with what was judged of each: rotation and
        # work; whether the microphone hears nothing, up to the hop before and with this one; what `mic_fault`
        # and `lost_cut` have found; when a cut broke off, if one did; the turns of the cut under way, up to
        # the hop before
        self._waiting: list[
            tuple[Hop, Rotation, Work, bool, bool, Finding | None, Finding | None, float, float]
        ] = []
        self._told: list[Event] = []

    @property
    def fs(self) -> float:
        """Sample rate in Hz."""
        return self._g.fs_in

    @property
    def over_baseline_db(self) -> tuple[float, float] | None:
        """Lines and noise floor over the baseline's, dB, in the newest 1.5 s of free running; None before."""
        return self._returned.over_baseline_db

    @property
    def t(self) -> float:
        """Seconds of signal judged so far."""
        return self._n_hops * self._g.hop_in / self._g.fs_in

    def forget_told(self) -> None:
        """A person has reset: what is found from now on is told anew, however soon it comes.

        Otherwise the same cause coming back within the time in which it still counts would find the line
        closed and raise nothing.
        """
        for episode in self._episodes.values():
            episode.worst = -1

    def feed(self, x: NDArray[np.floating]) -> Heard:
        """Take the next samples.

        Parameters
        ----------
        x : shape (n,), any n, full scale 1
            Samples that are not numbers count as a microphone fault.

        Returns
        -------
        Heard
            What was decided with them; empty while no hop is complete.
        """
        x = np.asarray(x)
        if x.ndim != 1:
            raise ValueError(f"samples have shape {x.shape}; give one channel, shape (n,)")
        if x.dtype.kind != "f":
            raise ValueError(f"samples are {x.dtype}; give floats with full scale 1")
        if x.dtype != np.float32:
            with np.errstate(over="ignore"):  # what float32 cannot hold becomes infinite, counts as broken
                x = x.astype(np.float32)
        x = np.ascontiguousarray(x)  # elsewhere products would round otherwise
        heard = Heard()
        n_hops = (self._n_pending + x.size) // self._g.hop_in
        if not n_hops:
            self._pending.append(x.copy())
            self._n_pending += x.size
        else:
            flat = np.concatenate([*self._pending, x]) if self._n_pending else x
            used = n_hops * self._g.hop_in
            self._pending, self._n_pending = [flat[used:].copy()], flat.size - used
            hops = flat[:used].reshape(n_hops, self._g.hop_in)
            start = 0
            while start < n_hops:
                end = min(start + _hops_left(self._n_hops), n_hops)
                self._judge(hops[start:end], heard)
                start = end
        heard.active = self._active()
        return heard

    @property
    def sag_limits_pct(self) -> tuple[float, float]:
        """The sag that warns and the one that holds, in per cent."""
        return self._job.sag_warning_pct, self._job.sag_hold_pct

    def set_sag_limits(self, warning_pct: float, hold_pct: float) -> None:
        """Judge every hop from now on by these sags, in per cent; what was raised stays raised."""
        self._job = self._job.model_copy(update={"sag_warning_pct": warning_pct, "sag_hold_pct": hold_pct})
        self._work.small_sag = _followed_from(warning_pct)
        self._sag.warning_pct, self._sag.hold_pct = warning_pct, hold_pct
        self._packing.job = self._job

    def finish(self) -> Heard:
        """End of the recording or session: close the peck and blank under way."""
        heard = Heard()
        heard.events.extend(follow.finish(self._cycle, self.t))
        self._take_rows(heard)
        heard.active = self._active()
        return heard

    def _active(self) -> frozenset[Kind]:
        active = {kind for kind, episode in self._episodes.items() if episode.active(self.t)}
        return frozenset(active | {Kind.MIC_FAULT} if self._returned.unchecked(self.t) else active)

    def _judge(self, hops: NDArray[np.float32], heard: Heard) -> None:
        self._walk(self._measure(hops), heard)
        if _hops_left(self._n_hops - 1) == 1:
            if self._n_hops in _FIRST_PIECES or self._n_hops % _GAIN_HOPS == 0:
                self._follow_gain()
            self._colour.update()

    def _follow_gain(self) -> None:
        """Expect the lines as loud as they are heard free, where that is not as in the baseline."""
        over = self._returned.free_over_baseline_db
        if over is None:
            return
        change = gain_change_db(*over)
        change = change if abs(change) > _SAME_GAIN_DB else 0.0
        if abs(change - self._gain_db) > _SAME_GAIN_DB / 2:
            self._gain_db = change
            self._tracker.set_gain(change)
            self._colour.set_gain(change)

    def _walk(self, hops: list[Hop], heard: Heard) -> None:
        """Walk hops through the rules, in the order in which they depend on each other."""
        self._told = heard.events
        for hop in hops:
            heard.trace.append(self._step(hop))
            if self._cycle.rows:
                self._take_rows(heard)
        self._catch_up()

    def _take_rows(self, heard: Heard) -> None:
        heard.pecks.extend(self._cycle.rows)
        self._cycle.rows.clear()

    def _measure(self, hops: NDArray[np.float32]) -> list[Hop]:
        """Everything that needs arrays, for a stack of hops, shape (n_hops, hop_in)."""
        broken = np.zeros(hops.shape[0])
        peak = peaks(hops)
        if not peak.max() <= _LOUDEST:
            finite = np.isfinite(hops)
            broken = 1.0 - finite.mean(axis=1)
            hops = np.clip(np.where(finite, hops, np.float32(0)), -_LOUDEST, _LOUDEST)
            peak = peaks(hops)
        levels = hop_levels(hops, peak, broken)
        y = self._decimator.feed(hops)
        long = overlapping(self._history, y, self._g.n_long)
        self._history = long[-1, self._g.hop :].copy()
        envelope = self._envelope.power(long)
        density = power_density(long[:, self._g.n_long - self._g.n_short :], self._sg)
        bands = band_floor(density, self._sg)
        density_db = to_db(density)
        floor_db = hearing_floor(spread_floor(bands, self._sg), density_db)
        deaf = np.maximum(levels.stuck, levels.broken) >= LOST_SHARE
        beats = self._rhythm.feed(envelope)
        n_before = self._over_history.shape[1]
        seen = np.empty((2, n_before + hops.shape[0], self._sg.n_bins), np.float32)
        seen[:, :n_before] = self._over_history
        over, per_floor = seen[:, n_before:]  # power over floor, and 1 / floor
        inverse_power(floor_db, out=per_floor)
        np.multiply(density, per_floor, out=over)
        self._over_history = seen[:, hops.shape[0] :].copy()
        of_cut = self._colour.of_cut(per_floor)
        coloured_db = self._colour.add(floor_db, of_cut)
        speeds = self._tracker.feed(density_db, coloured_db, long, deaf, beats)
        # take() copies row by row: a fancy index may lay memory out by the number of hops, and sums would
        # then round differently from one block size to another
        sums = np.add.reduceat(bands.take(self._bands, axis=1), self._begins, axis=1)
        broadband, upper, lower = (sums.astype(np.float64) / self._sizes).T
        over_db = broadband - self._idle_floor[speeds.state]
        sure = (speeds.confidence >= _SURELY) & (speeds.support >= HEARD)
        hz = speeds.spindle_hz
        sure &= np.logical_or.reduce([(hz > low) & (hz < high) for low, high in self._usual_hz])
        if sure.any():
            self._colour.learn(over[sure], of_cut[sure], self._unexplained[speeds.state[sure]] > 0)
        average, mean_per_floor = averaged(seen)
        chatter_db = strongest_tone_db(average, self._unexplained, speeds.state)
        tones = tones_of(average, density, mean_per_floor, y.copy())  # y may be the caller's
        curve = np.concatenate([self._level_history, levels.level_db])
        self._level_history = curve[levels.level_db.size :].copy()
        rise = slope_per_s(curve, _RISE_HOPS, self._g.hop_s)
        rise[: max(0, _RISE_HOPS - 1 - self._n_hops)] = 0.0  # no slope before two seconds were heard
        hum_hz = np.full(levels.level_db.size, np.nan)
        for i in steady(curve, hum_hz.size).tolist():
            hum_hz[i] = repeats_hz(long[i], self._g.fs)
        known_hz = np.where(speeds.confidence >= HEARD, speeds.spindle_hz, np.nan)
        turns = self._revolutions.feed(self._pieces.power(long), envelope[:, 1], known_hz.tolist())
        lines = self._turn_lines.feed(y, known_hz.tolist())
        columns = (
            speeds.spindle_hz,
            speeds.sd_hz,
            speeds.rate_hz_s,
            speeds.confidence,
            speeds.running,
            speeds.audible,
            speeds.support,
            speeds.line_db,
            levels.level_db,
            levels.clipped,
            levels.stuck,
            levels.broken,
            broadband,
            over_db,
            chatter_db.astype(np.float64),
            rise,
            beats.power(speeds.state),
            crackle_db(np.ascontiguousarray(envelope[:, 1])).astype(np.float64),
            upper,
            lower,
            hum_hz,
            deaf,
            ~np.isnan(known_hz),
        )
        step_s = self._g.hop_in / self._g.fs_in
        first = self._n_hops
        colour_db = None if coloured_db is floor_db else coloured_db - floor_db
        between = self._tracker.between(speeds, beats, long, colour_db)
        times = [(first + i + 1) * self._g.hop_in / self._g.fs_in for i in range(len(turns))]
        values = (column.tolist() for column in columns)
        return list(
            map(
                Hop,
                times,
                repeat(step_s),
                *values,
                turns,
                lines,
                range(len(turns)),
                repeat(between),
                tones,
                beats.level,
            )
        )

    def _step(self, hop: Hop) -> TraceRow:
        """Walk one hop through the rules on which others depend; the others take it in `_catch_up`."""
        self._n_hops += 1
        detector, cycle, was_lost = self._cut_detector, self._cycle, self._microphone.lost
        suspected = self._cutting or detector.suspects_load
        loudness = 0.0 if detector.travels else detector.strength
        rotation = self._spindle.step(hop, suspected, cycle.in_blank, loudness, was_lost)
        if rotation.changed:
            detector.out(hop.t)
        self._cutting = detector.step(hop, rotation)
        work = self._work.step(hop, rotation, detector, cycle)
        microphone = self._microphone.step(hop, rotation)
        lost_cut = _either(
            self._lost_cut.step(hop, rotation, detector, cycle),
            self._no_contact.step(hop, rotation, detector, cycle),
        )
        lost = self._microphone.lost
        broke_off_s = self._lost_cut.broke_off_s
        self._waiting.append(
            (hop, rotation, work, was_lost, lost, microphone, lost_cut, broke_off_s, cycle.turns)
        )
        if rotation.started or rotation.vanished:
            self._catch_up()
            self._told.extend(self._spindle_events(hop, rotation))
        for event in follow.step(cycle, hop, rotation, detector):
            self._told.append(event)
        return self._row(hop, rotation, work)

    def _catch_up(self) -> None:
        """Let the rules on which none depends take the hops that wait, and tell what was found in each.

        Rule by rule and not hop by hop: the processor then knows its way. What they find must be known before
        the present peck or blank ends, which is when the cycle asks for it.
        """
        seen, self._waiting = self._waiting, []
        if not seen:
            return
        cycle = self._cycle
        hops, rotations, works, was_lost, lost, microphone, lost_cut, broke_off_s, turns = zip(
            *seen, strict=True
        )
        in_cut = [work.in_cut for work in works]
        spotting = [work.spotting for work in works]
        idle_db = [work.background_db for work in works]
        drowned = [work.drowned for work in works]
        entering = [work.depth_mm < self._point_mm for work in works]
        beside = [work.idle_db - work.alone_db > AS_LOUD_DB for work in works]
        over_db = [hop.over_db - work.idle_db for hop, work in zip(hops, works, strict=True)]
        left, in_place, missing, at_work_s, weak, down, says, surely = zip(
            *map(self._departure.step, hops, rotations, works, was_lost), strict=True
        )
        sag = list(map(self._sag.step, hops, rotations, works, in_place, missing, at_work_s))
        sagging = [one is not None and one.severity is Severity.HOLD for one in sag]
        lines = left, in_place, at_work_s, weak, down, says, surely
        stall = map(self._stall.step, hops, rotations, works, sagging, *lines)
        early = map(self._stopped_early.step, hops, rotations, works, lost)
        knocks = self._loosening.take(
            hops, rotations, in_cut, spotting, idle_db, drowned, entering, beside, over_db
        )
        told_apart = not self._warn_only & {Kind.LOOSENING, Kind.LOST_CUT}  # or a hold may become a warning
        broken = list(map(broken_off, knocks, broke_off_s)) if told_apart else [None] * len(knocks)
        found = (
            list(map(_either, microphone, map(self._returned.step, hops, rotations, in_cut, was_lost))),
            list(map(_either, stall, early)),
            sag,
            list(map(self._chatter.step, hops, rotations, works)),
            list(map(self._masking.step, hops, rotations, repeat(cycle.in_blank), lost)),
            [None if cut else knock for knock, cut in zip(knocks, broken, strict=True)],
            list(map(_either, lost_cut, broken)),
            list(map(self._melting.step, hops, rotations, works, repeat(cycle))),
            list(map(self._packing.step, hops, rotations, works, repeat(cycle))),
        )
        if not (self._lasting or any(map(any, found))):
            return
        for hop, turned, *findings in zip(hops, turns, *found, strict=True):
            if any(findings) or self._lasting:
                told = {one.kind: one for one in findings if one}
                self._told.extend(self._events(hop, told, _At(cycle, turned)))
                self._lasting = any(episode.lasting for episode in self._episodes.values())

    def _events(self, hop: Hop, findings: dict[Kind, Finding], at: _At) -> Iterator[Event]:
        """One event a cause, once while it lasts."""
        if hop.deaf:  # nothing measured through a lost microphone is evidence
            findings = {kind: found for kind, found in findings.items() if kind is Kind.MIC_FAULT}
        for kind in findings.keys() & self._warn_only:
            findings[kind] = only_warning(findings[kind])
        held = {kind for kind, episode in self._episodes.items() if episode.held}
        told = untangled(findings, held)
        for kind, episode in self._episodes.items():
            event = episode.step(hop.t, told.get(kind), at)
            if event is not None:
                follow.note(self._cycle, event)
                yield event

    def _spindle_events(self, hop: Hop, rotation: Rotation) -> Iterator[Event]:
        if rotation.started:
            message = f"The spindle turns, {hop.spindle_hz * 60:.0f} rpm."
            yield Event(hop.t, Kind.SPINDLE_START, Severity.INFO, message, hop.spindle_hz * 60, unit="rpm")
        if rotation.vanished:
            message = "The spindle's sound is gone: it has stopped."
            yield Event(hop.t, Kind.SPINDLE_STOP, Severity.INFO, message, 0.0, unit="rpm")

    def _row(self, hop: Hop, rotation: Rotation, work: Work) -> TraceRow:
        # Sent to another speed, or switched off, a spindle is slower than its free speed without sagging. A
        # centre drill sounds on as the program changes the speed after it, so its fast falls are no load.
        sent = rotation.elsewhere or (rotation.leaving and self._cycle.spotting)
        sags = work.loaded or (rotation.settled and not sent)
        if rotation.state is STOPPED:
            speed, confidence = 0.0, 1 - hop.running
        elif rotation.slipped:  # however surely the lines agree there, it is not the spindle's
            speed, confidence = math.nan, 0.0
        else:
            speed, confidence = hop.spindle_hz * 60 if hop.heard else math.nan, hop.confidence
        sag_pct = 100 * rotation.sag if sags else math.nan
        over_db, chatter_db, rise_db_per_s = hop.over_db, hop.chatter_db, hop.rise_db_per_s
        row = (
            hop.t,
            speed,
            confidence,
            sag_pct,
            hop.level_db,
            over_db,
            chatter_db,
            rise_db_per_s,
            self._cutting,
        )
        return tuple.__new__(TraceRow, row)  # in half the time of the class's own


def _hops_left(n: int) -> int:
    """Hops from the n-th to the end of the piece that is measured with one gain and colour."""
    return next((end - n for end in _FIRST_PIECES if n < end), _HOPS_AT_ONCE - n % _HOPS_AT_ONCE)


def _either(one: Finding | None, other: Finding | None) -> Finding | None:
    return one or other


def _followed_from(warning_pct: float) -> float:
    """The sag, as a fraction, from which on it is followed: half the warning."""
    return warning_pct / 100 / 2
