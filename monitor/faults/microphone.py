"""`mic_fault`: the ear itself fails.

Physical reasons. A dead converter or a lost device repeats one value. An unplugged capsule falls silent
within milliseconds, while a spindle needs tenths of a second to run down and a room to decay: a fall of
the broadband floor by 15 dB within 0.15 s, from a turning spindle to below what the room itself sounds like,
is the microphone. An open input picks up the mains: one waveform that repeats with it, as loud all the time,
and nothing else. Clipping folds new tones into the spectrum, so nothing measured under it can
be trusted for long. Thresholds are physics and full-scale facts, none fitted.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from dataclasses import dataclass, field

from monitor.faults.episode import Finding
from monitor.hop import HEARD, Hop
from monitor.measurements import Kind, Severity
from monitor.signal.hum import STEADY_HOPS
from monitor.spindle import MASKED, STOPPED, TURNING, UNKNOWN, Rotation

LOST_AFTER_S = 0.25
"""Silence or a stuck value this long means hearing is lost: longer than any buffer hiccup that recovers
by itself, and half of the half second allowed for an unplugged microphone."""

CLIPPED_SHARE = 0.005
"""Share of samples at full scale that is clipping rather than one click: 12 of 2400."""

CLIPPED_TELL_S = 0.15
"""Clipping shorter than this is a single chip or tap."""

CLIPPED_AGAIN_S, WORSE = 600.0, 2.0
"""A warning that it clips is not given again for so long, unless so many times as many samples clip: loud
cuts clip in every blank, the person comes to turn it down when one is over, and a bell that rings at each of
them is soon not listened to."""

CLIPPED_HOLD_S = 1.0
"""Clipping this long is loss of hearing (public contract)."""

FALL_DB, FALL_WITHIN_HOPS, BEFORE_HOPS, QUIET_DB = 15.0, 3, 10, -30.0
"""Fall of the broadband floor within 0.15 s, from what it was for half a second, and how far under the
running machine it must end while nothing is known of the room. A braked spindle may fall as fast, but it
ends in the room."""

AT_SPEED_DB = 8.0
"""A machine at its speed is no further under what it sounds like running free. What falls from below that was
of a spindle that ran down: in a quiet room the last of its sound goes as fast as its last turns."""

UNDER_ROOM_DB, UNDER_MACHINE_DB, ROOM_S = 6.0, 6.0, 3.0
"""Once the room was heard with the spindle standing: so far under it no room is left, only the microphone. So
far under the running machine at least: the room may have been heard under another sound. And where no speed
is heard, the room is known once it was heard for so long, in which voices and tools pause."""

LEVEL_FALL_DB = 20.0
"""Fall of all sound, lines and hum included, that tells as well: the noise of an input may lie so little
under a machine that hums and hardly hisses. A hundredth of its power in 0.15 s: rooms ring for longer."""

AT_ONCE_DB, AT_ONCE_HOPS = 30.0, 2
"""Fall of all sound within 0.1 s that is a cable torn or unplugged, whether the spindle turned or not: a room
that rings for 0.2 s lets sound die away by 30 dB in that time, and most ring longer."""

MAINS_HZ, MULTIPLES, MAINS_OFF = (50.0, 60.0), (1, 2, 3), 0.008
"""What an open input picks up repeats with the mains or, where odd multiples are weak, with twice or three
times of it; within so much, as grids keep within a hundredth and the repetition is known to a thousandth or
two. A bell, a horn, a whistle or an alarm repeats hundreds of times a second, and a voice is never steady."""

CAME_DB = 3.0
"""A plug that is pulled mostly changes the level by more. Where it does not, and the spindle seems to be
heard still, the hum was there before: a ground loop, or the machine's own motor."""

ROOM_QUANTILE, ROOM_STEP_DB = 0.1, 0.5
"""Quantile of the room's level that is followed, and its step (Robbins and Monro 1951, from memory): down by
9 dB a second, up by 1."""

NOTHING_DB, NOTHING_S = -50.0, 1.0
"""This much under the free-running machine is no room, however quiet: 75 dB(A) of machine less 30 dB(A) of
room and capsule noise leave 45 (levels of the trade, no published source)."""


@dataclass(slots=True)
class MicrophoneRule:
    """One `step` a hop. ``lost``: the sound has fallen to what only a lost microphone gives."""

    lost: bool = field(init=False, default=False)
    _bad_since_s: float = math.nan
    _clipped_since_s: float = math.nan
    _last_clip_s: float = -math.inf
    _clipped_hops: int = 0
    _clipped_worst: float = 0.0
    _warned_s: float = -math.inf
    _warned_share: float = math.inf
    _nothing_since_s: float = math.nan
    _room_db: float = math.inf
    _room_s: float = 0.0
    _free_db: float = 0.0
    _fell: bool = False
    _fell_since_s: float = math.nan
    _last_turning_s: float = -math.inf
    _floor: deque[float] = field(default_factory=lambda: deque(maxlen=FALL_WITHIN_HOPS + BEFORE_HOPS))
    _level: deque[float] = field(default_factory=lambda: deque(maxlen=FALL_WITHIN_HOPS + BEFORE_HOPS))
    _upper_room_db: float = math.inf
    _sound_hops: int = 0
    _hums: bool = False
    _rooms: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=STEADY_HOPS + 1))

    def step(self, hop: Hop, rotation: Rotation) -> Finding | None:
        """Finding while the microphone cannot be trusted."""
        self._hear_room(hop, rotation)
        quiet_db = QUIET_DB
        if self._room_db < math.inf:
            quiet_db = self._room_db - UNDER_ROOM_DB - (hop.broadband_db - hop.over_db)
            quiet_db = quiet_db if quiet_db < -UNDER_MACHINE_DB else -UNDER_MACHINE_DB
        fallen = self._fallen(hop, rotation, quiet_db)
        hum = self._hum(hop, rotation)
        found = self._deaf(hop) or fallen or self._nothing(hop) or self._clipping(hop) or hum
        self.lost = self._fell or self._nothing_since_s == self._nothing_since_s or hum is not None
        return found

    def _hear_room(self, hop: Hop, rotation: Rotation) -> None:
        """Follow the quietest tenth of the room while the spindle stands: voices and music pause."""
        if rotation.state is not STOPPED or hop.deaf or self._fell or self._hums:
            return
        self._rooms.append((self._room_db, self._upper_room_db))
        if self._room_db == math.inf:
            self._room_db, self._upper_room_db = hop.broadband_db, hop.upper_db
        self._room_s += hop.step_s
        self._room_db += ROOM_STEP_DB * (ROOM_QUANTILE - (hop.broadband_db < self._room_db))
        self._upper_room_db += ROOM_STEP_DB * (ROOM_QUANTILE - (hop.upper_db < self._upper_room_db))

    def _nothing(self, hop: Hop) -> Finding | None:
        if hop.over_db > NOTHING_DB:
            self._nothing_since_s = math.nan
            return None
        if self._nothing_since_s != self._nothing_since_s:
            self._nothing_since_s = hop.t - hop.step_s
        lasted = hop.t - self._nothing_since_s
        if lasted < NOTHING_S:
            return None
        message = (
            f"The microphone hears next to nothing ({-hop.over_db:.0f} dB under the machine running free): "
            "check plug, gain and mute, then reset."
        )
        onset = self._nothing_since_s
        return Finding(Kind.MIC_FAULT, Severity.HOLD, message, hop.over_db, NOTHING_DB, "dB", onset)

    def _deaf(self, hop: Hop) -> Finding | None:
        if not hop.deaf:
            self._bad_since_s = math.nan
            return None
        bad = max(hop.stuck, hop.broken)
        if self._bad_since_s != self._bad_since_s:
            self._bad_since_s = hop.t - bad * hop.step_s
        lasted = hop.t - self._bad_since_s
        what = "one unchanging value"
        if hop.broken >= hop.stuck:  # a live microphone that is gone comes as NaN too
            what = "no sound, or numbers that are not sound"
        if lasted >= LOST_AFTER_S:
            message = (
                f"The microphone gives {what}: hearing is lost. "
                "Check the plug, the cable and the sound device, then reset."
            )
            return Finding(
                Kind.MIC_FAULT, Severity.HOLD, message, lasted, LOST_AFTER_S, "s", self._bad_since_s
            )
        message = f"The microphone dropped out: {what} for {lasted * 1000:.0f} ms."
        return Finding(
            Kind.MIC_FAULT, Severity.WARNING, message, lasted, LOST_AFTER_S, "s", self._bad_since_s
        )

    def _fallen(self, hop: Hop, rotation: Rotation, quiet_db: float) -> Finding | None:
        # A cut may drown the lines, so that no speed is heard. What drowns all of them may be another sound,
        # and end in the room, which has to be known then.
        turning = rotation.state is TURNING and (hop.heard or hop.running >= HEARD)
        if turning or (rotation.state is MASKED and self._room_s >= ROOM_S):
            self._last_turning_s = hop.t
        if (
            turning and hop.heard and rotation.settled
        ):  # its quiet tenth, which is no cut; the gain may be lower
            self._free_db += ROOM_STEP_DB * (ROOM_QUANTILE - (hop.over_db < self._free_db))
            self._free_db = min(self._free_db, 0.0)
        if not self._fell and hop.over_db < quiet_db and len(self._floor) == self._floor.maxlen:
            fell = _fall(self._floor, hop.over_db) >= FALL_DB
            fell = fell or _fall(self._level, hop.level_db) >= LEVEL_FALL_DB
            at_speed = statistics.median(self._floor) >= self._free_db - AT_SPEED_DB
            lately = at_speed and hop.t - self._last_turning_s <= LOST_AFTER_S
            if (fell and lately) or _fall(self._level, hop.level_db, AT_ONCE_HOPS) >= AT_ONCE_DB:
                self._fell, self._fell_since_s = True, hop.t - FALL_WITHIN_HOPS * hop.step_s
        self._floor.append(hop.over_db)
        self._level.append(hop.level_db)
        if self._fell and hop.over_db > min(quiet_db + FALL_DB / 2, -UNDER_MACHINE_DB / 2):
            self._fell = False
        if not self._fell or hop.t - self._fell_since_s < LOST_AFTER_S:
            return None
        message = (
            f"The sound fell to {-hop.over_db:.0f} dB under the free-running machine, "
            "faster than a spindle can stop: the microphone is unplugged or covered. Check it, then reset."
        )
        return Finding(
            Kind.MIC_FAULT, Severity.HOLD, message, hop.over_db, quiet_db, "dB", self._fell_since_s
        )

    def _hum(self, hop: Hop, rotation: Rotation) -> Finding | None:
        # of what is deaf or clips it is told otherwise
        self._sound_hops = 0 if hop.deaf or hop.clipped >= CLIPPED_SHARE else self._sound_hops + 1
        hums = self._sound_hops >= STEADY_HOPS and _mains_hz(hop.hum_hz) > 0
        self._hums = hums and (self._hums or self._nothing_else(hop, rotation))
        if not self._hums:
            return None
        message = (
            "The microphone gives one steady hum, and nothing of the room: its plug or cable is open. "
            "Check them, then reset."
        )
        onset_s = hop.t - STEADY_HOPS * hop.step_s
        mains_hz = _mains_hz(hop.hum_hz)
        return Finding(Kind.MIC_FAULT, Severity.HOLD, message, hop.hum_hz, mains_hz, "Hz", onset_s)

    def _nothing_else(self, hop: Hop, rotation: Rotation) -> bool:
        """Whether nothing is heard but the hum: transformers hum alike, in a room that is heard beside."""
        if rotation.state is UNKNOWN:
            return True  # nothing was ever heard
        lasted_s = STEADY_HOPS * hop.step_s
        if hop.t - self._last_turning_s <= lasted_s + LOST_AFTER_S and rotation.state is TURNING:
            # no spindle stops so fast
            came = abs(self._level[0] - hop.level_db) > CAME_DB
            return came or not (hop.heard or hop.running >= HEARD)
        if self._room_s < ROOM_S:
            return False
        room_db, upper_db = self._rooms[0]  # before it hummed
        upper = hop.upper_db < upper_db - UNDER_ROOM_DB  # a buzz fills up what lies below
        return upper or hop.broadband_db < room_db - UNDER_ROOM_DB

    def _clipping(self, hop: Hop) -> Finding | None:
        if hop.clipped >= CLIPPED_SHARE:
            if self._clipped_since_s != self._clipped_since_s:
                self._clipped_since_s = hop.t - hop.step_s
            self._last_clip_s = hop.t
            self._clipped_hops += 1
            self._clipped_worst = max(self._clipped_worst, hop.clipped)
        elif hop.t - self._last_clip_s > 2.5 * hop.step_s:  # loudness beats with rotation: bridge two hops
            self._clipped_since_s, self._clipped_hops, self._clipped_worst = math.nan, 0, 0.0
            return None
        elif self._clipped_since_s != self._clipped_since_s:
            return None
        lasted = hop.t - self._clipped_since_s
        clipped_s = self._clipped_hops * hop.step_s
        if clipped_s < CLIPPED_TELL_S - hop.step_s / 2:
            return None
        # Loudness beats with rotation, so clipping comes and goes: half of the time is all of it.
        lasting = lasted >= CLIPPED_HOLD_S and clipped_s >= 0.5 * lasted
        severity = Severity.HOLD if lasting else Severity.WARNING
        if severity is Severity.WARNING:
            again = self._clipped_since_s > self._warned_s > hop.t - CLIPPED_AGAIN_S
            if again and self._clipped_worst < WORSE * self._warned_share:
                return None
            self._warned_s, self._warned_share = hop.t, self._clipped_worst
        message = (
            f"The microphone clips ({self._clipped_worst * 100:.1f} % of samples at full scale): "
            "turn its gain down, or move it away."
        )
        return Finding(Kind.MIC_FAULT, severity, message, lasted, CLIPPED_HOLD_S, "s", self._clipped_since_s)


def _mains_hz(repeats_hz: float) -> float:
    """The multiple of the mains that this is, NaN where none."""
    multiples = (mains * k for mains in MAINS_HZ for k in MULTIPLES)
    return next((hz for hz in multiples if abs(repeats_hz / hz - 1) <= MAINS_OFF), math.nan)


def _fall(levels: deque[float], now_db: float, hops: int = FALL_WITHIN_HOPS) -> float:
    """By how much what was there all the time, not the end of a drum beat, fell within some hops, dB."""
    before, last = list(levels)[:-hops], list(levels)[-hops - 1 :]
    return min(statistics.median(before), max(last)) - now_db
