"""`loosening`: the chuck or work holding backs off, and knocks once a turn, louder every turn.

Physical reason: a holding that has let go shifts under the load at the same angle of every turn and strikes
its seat; each blow lets it go further, so the knock grows by some to tens of dB a second, often with little
sag. What is struck rings in some modes of its own: in a few narrow bands the knock is loud while the sound
as a whole hardly changes. So in each of a row of bands every turn is asked how far each of its sectors stands
out (`monitor.signal.revolutions`), and an exponentially weighted mean over half a second and at least six
turns (a chart for small lasting shifts, Roberts 1959, from memory) is kept for every angle. What stands out
at one angle is the root of the sum of the squares of these means over the bands, those under normal left out:
of all bands it asks for no share that a knock must have, as a mean over them does, and pays little for those
without it (quadratic sum over sensors of which an unknown few change: Mei 2010, Xie and Siegmund 2013, from
memory).

What a sector of one turn counts is bounded: chips that crackle, and blows from elsewhere, are loud but do not
come at one angle in every turn. The dial may be off by 2 %, so the angle may creep: means are kept for a row
of speeds about the one heard. Good cuts tell which of them is the true one, by the beat of the lips; then
blows of a machine at another speed, be it a per cent off, are no longer taken for a knock.

The decision asks three things. The angle that stands out most does so by far more than is normal here, in
cuts or between them. It is loud there in the newest turns, and does not fade. And no other angle stands out
half as much. That it grows is not asked by itself: what is more than this machine's normal has grown. To ask
for growth within one cut tells fewer of drawn knocks at as many false ones: one that grows over pecks, or is
heard best with the drill out of the hole, begins anew in each.

Where turns are short, from some 750 a minute on, the blows run into one another; what they are told by then
is in `monitor.faults.loosening_lines`. How a compressor that strikes as often as the spindle turns is told
from a holding is in `monitor.faults.loosening_others`. One that is normal
here and well heard is judged by its level besides: `monitor.faults.loosening_level`.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.faults.episode import Finding
from monitor.faults.loosening_level import LOUDER_DB as KNOCKS_LOUDER_DB
from monitor.faults.loosening_level import WELL_HEARD, KnockLevel
from monitor.faults.loosening_lines import KnockLines
from monitor.faults.loosening_others import DialError, Masking, OtherMachine
from monitor.faults.loosening_rise import LOUDER_DB, RisingCut
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.signal.cusum import Normal
from monitor.signal.revolutions import Turn, blow_finder, weighted_means
from monitor.signal.turn_lines import FRAME_HOPS, OFF
from monitor.spindle import MASKED, TURNING, Rotation

MEMORY_S, MEMORY_TURNS = 0.5, 6.0
"""Time constant of the means, whichever is longer: some ten turns are believed, one is not."""

SURE_Z, LASTS_TURNS, LASTS_S, AT_ONCE_Z = 5.0, 2, 0.1, 7.0
"""Deviations over normal that tell once so many turns have shown them, over so long a time, and those that
tell at once. A slow spindle's turn is longer than that time, and a third one tells too late. Of 72 drawn
knocks they tell 50 in time; with 5.5 one fewer, with 4.5 one more and a fifth more false ones in drawn good
work. That tail is not of noise, in which none of these would be seen: most of them are strokes of a
compressor that keeps the spindle's speed for a while."""

WITHOUT_LINES_Z = 2.0
"""By so much more it has to stand out where lines at the multiples of the turns a second were heard lately
and are as ever: what strikes at one angle of every turn has them too, and chance has not. A holding whose
blows waver by some per cent of a turn has none either, and is told once it stands out by so much: of 72 drawn
knocks none is told too late by it."""

WITH_LINES_Z = 3.5
"""Deviations of an angle that tell together with a first frame of lines which would tell by itself if they
lasted (`monitor.faults.loosening_lines`), in one of the turns that the frame has heard. Chance makes either:
two loud chips whole turns apart have such lines, but no turn counts for much at an angle; what a rough cut
shows at one angle has no lines at the spindle's very rate. In 0.76 h of drawn good work, 6900 frames, the
nearest to it were lines of 4.6 deviations with an angle of 3.4."""

UNKNOWN = 1.0
"""By so much what stands out normally differs, in deviations of a mean, from what a first look at a machine
shows, and by less the more was seen of it: good cuts are not as alike as noise is."""

ALSO_Z, LOUDER = 3.0, 1.4
"""By so much it has to stand out without the band in which it is loudest, over what is normal with it, or to
be so many times as loud. A blow is short, and so it is heard over a wide band; two lines of the spindle that
beat within one band, as more or fewer of them are heard with the load, keep one angle as well, but swell
over much of a turn. A holding that rings in one mode alone stands out by more in its sector, and is told."""

SLOWER, FASTER = 0.1, 0.04
"""A speed so far under the free one, or over it (a warm motor drifts by less), is not the spindle's: another
sound is followed that comes as regularly, as a compressor's strokes do, and what is sorted by its turns comes
at one angle of them. A holding knocks long before it slows the spindle so much, and `sag` tells that."""

IDLE_SLOWER = 0.015
"""The same with the drill out of the cut: nothing loads the spindle then, and within a blank free ones wander
and warm by less. One that gains its speed again after a cut is judged once it has."""

GAP = 2.5
"""Turns heard without showing it, at most, within what lasts."""

NEAR, ALONE = 0.15, 0.5
"""A loose holding strikes once a turn: nothing farther from its angle than this share of a turn stands out by
more than half as much. What strikes twice a turn, or goes through all angles, is another machine."""

UNDER, OVER = 2.5, 2.5
"""Deviations that one sector of one turn counts at most in a band, under and over what is normal. Crackle
comes in bursts: at 3.5 bursts of some turns pass for a knock, at 1.5 a knock needs longer."""

GROUPS = 8
"""Bands that lie side by side hear much of the same: they are averaged to so many. With four, or with every
band by itself, some knocks fewer are told at as many false ones."""

LOUD = 3.5
"""Deviations, of a band in one turn, by which the newest turns have to stand out on average, however loud
each. The bounded mean asks that every turn knocks; this, that a knock is loud. A compressor's stroke heard
through the cut, or a cut that runs rough, is seen for certain after seconds, but in no turn by so much."""

FADES = 0.5
"""Share of that by which the first third of these turns may have been louder than the last: a compressor that
starts, or a blow on the bench, is loud and dies away. A holding does not tighten by itself."""

RISEN_Z = 1.0
"""A knock began to stand out when it last did so by no more than this."""

SETTLE_S, LOOK_BACK_S, LEAST_TURNS = 0.1, 6.0, 2
"""A knock must have stood out in so many turns of this cut or pause, the first of it left out. Where it began
is sought no further back."""

AUDIBLE_DB = 1.0
"""A cut that raises the sound by less than this cannot be heard to be over, or to begin."""

FIRST_S, FIRST_TURNS = 1.5, 18.0
"""The first of idling, and of cutting, whichever is longer (three memories), is taken for what this machine
does: one may knock at every turn by a belt joint or a key, as loud as it likes, and only what comes on top of
it is told. What is heard while the drill's point enters does not count: it is hardly a cut yet and lets the
machine through, and chips that break in a full cut stand out by more. Nor what a louder sound covers."""

PASSES_TIMES = 4
"""So many times as many turns that do not count are passed over; then they are all there is. What another
sound covered is learned again once it has gone: it hid what the machine does."""

QUIETER_DB = 3.0
"""Half the noise: a machine that idles so far under what it did in its first cuts, for as long as these, was
heard through another sound, which hid what it does at every turn. It is learned anew."""

DROWNED_S, FADES_TIMES = 0.5, 4.0
"""Where another sound is louder than the machine for so long, its blows, as of a compressor that keeps the
spindle's speed, have to be seen off: at contact it takes so long until the load is seen."""

DROWNED_Z = 12.0
"""Deviations over normal that tell under it, and in cuts while another machine is known to strike as often as
the spindle turns: a knock goes on growing, and may itself be what is so loud.
Strokes of drawn compressors came to 11; those of one that kept the very speed of the spindle, to 18, are not
seen off: a knock would have to be as loud."""

BURSTS_DB = 6.0
"""What is at once so much louder than cuts are, twice their amplitude, while no load is seen, is such a sound
from its first turn on: a compressor that starts knocks at any rate up to its own within half a second."""

OWN_S = 1.0
"""What was taken for another machine's, since no cut showed it, and then strikes at one rate for so long in
cuts, two memories, is judged like any knock again."""

VARIES = 0.25
"""Share of what normally stands out by which it varies from cut to cut: a knock in every good turn is as loud
as the cut, give or take a decibel. Twice the amplitude is four times the power."""

WARM_S, PIECE_S, GROWS = 0.5, 3.0, 1.0
"""Of each cut and pause the first is left out, and what follows is learned piece by piece, each once the next
one, be it of the next cut, was louder by no more than this (in deviations of a mean): what grows is never
normal. To learn only what is near to normal would never find out what a machine does that knocks more once
the means have grown."""

_AT_ONCE = 32  # turns: bounds memory; the result does not depend on it
_STAYS_S = 1.0  # a knock told goes on being told over gaps: between turns of growth, and as its feed is held
# what stands out most in noise, in deviations of a mean
_NOISE, _NOISE_SPREAD, _LEAST_SPREAD = 3.8, 0.7, 0.49
_PRIOR_S, _MEMORY_S = 4.0, 300.0  # what noise gives is worth so much; normal is averaged over so much
_USUAL_S = 10.0  # how fast the deviation of a group is learned
# as arrays, since numpy takes longer to make one of a number than to use it
_LEAST_DEVIATION, _NOTHING = np.array(-UNDER, np.float32), np.array(0, np.float32)
_LEAST_USUAL = np.array(0.05, np.float32)


class _Past(NamedTuple):
    t: float
    cutting: bool
    turn: Turn
    z: float


class _State:
    """What is normal while idling, or while cutting; ``means`` of shape (speeds, sectors, groups)."""

    def __init__(self, shape: tuple[int, int, int], step_s: float) -> None:
        self.means = np.zeros(shape, np.float32)
        self.usual, self.turns = np.ones(shape[2], np.float32), 0
        self.first: list[float] = []
        self.passed, self.covered = 0, False
        prior, memory = _PRIOR_S / step_s, _MEMORY_S / step_s
        self.most = Normal(_NOISE, _NOISE_SPREAD, prior, memory, 0, _LEAST_SPREAD)
        self._warm, self._whole = math.ceil(WARM_S / step_s), math.ceil(PIECE_S / step_s)
        self._wait, self._spoilt = 0, False
        self._piece: list[float] = []
        self._waiting: list[float] = []

    def begin(self) -> None:
        """A cut or a pause begins: the means are of another one."""
        self._wait = self._warm

    @property
    def turns_to_learn(self) -> int:
        """Turns after which what is normal may change."""
        return self._wait + self._whole - len(self._piece)

    def learn(self, most: float, teaches: bool, told: bool) -> None:
        """Take a value; if it teaches, it becomes normal once as much sound after it was no louder."""
        if self._wait:
            self._wait -= 1
            return
        self._spoilt = self._spoilt or told
        if not (teaches or told):
            return
        self._piece.append(most)
        if len(self._piece) < self._whole:
            return
        waiting = self._waiting
        if waiting and statistics.fmean(self._piece) < statistics.fmean(waiting) + GROWS * max(
            1.0, self.most.location / _NOISE
        ):
            for one in waiting:
                self.most.step(one)
        self._waiting = [] if self._spoilt else self._piece
        self._piece, self._spoilt = [], False


@dataclass(slots=True)
class LooseningRule:
    """`take` hops; ``sectors``, ``bands``, ``every`` as in `monitor.signal.revolutions.Revolutions`."""

    sectors: int
    bands: int
    every: int
    spindle_hz: float
    hop_s: float
    flutes: int
    lines: KnockLines | None = None
    _groups: NDArray[np.float32] = field(init=False)  # shape (groups, bands): means over neighbours
    _share: float = field(init=False)
    _mean_of_magnitudes: NDArray[np.float32] = field(init=False)
    _ripple: NDArray[np.float32] = field(init=False)  # what a knock leaves at other angles
    _left: float = field(init=False)  # what is left of a knock at its own
    _scale: float = field(init=False)
    _turned: NDArray[np.intp] = field(init=False)  # row k: the sectors from the k-th on, once round
    _creep: NDArray[np.float64] = field(init=False)  # sectors a turn
    _creeps: list[float] = field(init=False)  # the same
    _among: range = field(init=False)  # the speeds that may be the true one
    _noise: float = _NOISE  # what stands out most in noise, among so many speeds
    _dial: DialError = field(init=False)
    _narrowed: dict[float, range] = field(init=False, default_factory=dict)  # from these turns on
    _other: OtherMachine = field(init=False)
    _masking: Masking = field(init=False)
    _paused: bool = True  # since the newest turn of a cut
    _loaded: bool = False  # a drill has cut since the spindle was switched on
    _state: dict[bool, _State] = field(init=False)
    _past: deque[_Past] = field(init=False)
    _newest: int = field(init=False)  # turns over which a knock is measured
    _first_turns: int = field(init=False)
    _settle_turns: int = field(init=False)
    _heard: set[bool | None] = field(init=False, default_factory=set)
    _last: bool | None = None
    _astray: bool = False
    _drowned_s: float = 0.0
    _other_sound: bool = False
    _doubtful: set[float] = field(init=False, default_factory=set)
    _entering: set[float] = field(init=False, default_factory=set)
    _untaught: set[float] = field(init=False, default_factory=set)  # turns that teach nothing
    _unlined: set[float] = field(init=False, default_factory=set)  # turns at which no lines show
    _off_rate: set[float] = field(init=False, default_factory=set)  # or those of another machine do
    _nearly: dict[float, Finding] = field(init=False, default_factory=dict)  # at these turns, by lines
    _drowning: set[float] = field(init=False, default_factory=set)  # turns under what may be another sound
    _unloaded: set[float] = field(init=False, default_factory=set)  # turns before the first load
    _first_db: float = -math.inf
    _cut_db: float = 0.0
    _usual_db: float = math.inf  # of the cuts before this one, once known
    _first_cut_db: float = 0.0
    _quieter_turns: int = 0
    _cut_turns: int = 0
    _over_db: dict[float, float] = field(init=False, default_factory=dict)  # of turns, over idling
    _over_sum_db: float = 0.0  # of the hops of the turn under way
    _over_hops: int = 0
    _cut_over_db: float = 0.0  # mean of cuts
    _cut_over_turns: int = 0
    _of_cut: float = 1.0  # of what a cut shows, how much the means may hold
    _shown_s: float = -math.inf
    _shown_since_s: float = -math.inf
    _shown_turns: int = 0
    _rise: RisingCut = field(init=False)
    _level: KnockLevel = field(init=False)
    _told: Finding | None = None
    _told_s: float = -math.inf

    def __post_init__(self) -> None:
        step_s = self.every * self.hop_s
        memory_s = max(MEMORY_S, MEMORY_TURNS / self.spindle_hz)
        self._share = 1 - math.exp(-step_s / memory_s)
        self._scale = math.sqrt(self._share / (2 - self._share))  # deviation of a mean, in those of a turn
        parts = np.array_split(np.arange(self.bands), min(GROUPS, self.bands))
        self._groups = np.zeros((len(parts), self.bands), np.float32)
        for group, part in enumerate(parts):
            self._groups[group, part] = 1 / part.size
        self._mean_of_magnitudes = np.full(self.sectors, math.sqrt(math.pi / 2) / self.sectors, np.float32)
        ripple = blow_finder(self.sectors)[0]
        self._ripple, self._left = ripple / ripple[0], float(ripple[0])
        # the nearest of these speeds is off by half a sector in twice the memory
        speeds = max(1, math.ceil(OFF * self.sectors * 2 * memory_s * self.spindle_hz))
        sectors = np.arange(self.sectors)
        self._turned = (sectors + sectors[:, None]) % self.sectors
        self._creep = np.linspace(-OFF, OFF, 2 * speeds + 1) * self.sectors
        self._creeps = self._creep.tolist()
        self._among = range(self._creep.size)
        self._dial = DialError(self.flutes, self.spindle_hz, step_s)
        self._begin()
        self._past = deque(maxlen=round(LOOK_BACK_S / step_s))
        self._newest = max(LASTS_TURNS, round(0.5 / self._share))
        self._first_turns = max(2, round(max(FIRST_S, FIRST_TURNS / self.spindle_hz) / step_s))
        self._settle_turns = math.ceil(SETTLE_S / step_s)

    def _begin(self) -> None:
        """Nothing is known of what is normal."""
        # groups last: all of a sector are moved at once
        shape = (self._creep.size, self.sectors, self._groups.shape[0])
        self._state = {cutting: _State(shape, self.every * self.hop_s) for cutting in (False, True)}
        self._rise = RisingCut(self.every * self.hop_s)
        self._level = KnockLevel(self.every * self.hop_s, self.sectors)
        step = self._creeps[1] - self._creeps[0]
        self._other = OtherMachine(SURE_Z, RISEN_Z, 1.5 * step / self.sectors, OWN_S)
        self._masking = Masking(self._share)

    def take(
        self,
        hops: Sequence[Hop],
        rotations: Sequence[Rotation],
        cutting: Sequence[bool],
        spotting: Sequence[bool] | None = None,
        idle_db: Sequence[float] | None = None,
        drowned: Sequence[bool] | None = None,
        entering: Sequence[bool] | None = None,
        beside: Sequence[bool] | None = None,
        over_idle_db: Sequence[float] | None = None,
    ) -> list[Finding | None]:
        """Of each hop the finding, while a knock of every turn is more than normal, and loud.

        A centre drill cuts otherwise, mostly at another speed: ``spotting`` is neither judged nor learned.
        ``idle_db``: level of the machine running free, with what else is heard; ``drowned``: no drill cuts,
        and another sound is louder than the machine; ``entering``: the drill's point is not in yet;
        ``beside``: another sound is half as loud as the machine; ``over_idle_db``: level over that of the
        machine running free.
        """
        spotting = spotting or [False] * len(hops)
        idle_db = idle_db or [0.0] * len(hops)
        drowned = drowned or [False] * len(hops)
        entering = entering or [False] * len(hops)
        beside = beside or [False] * len(hops)
        if over_idle_db is None:
            over_idle_db = [hop.over_db - db for hop, db in zip(hops, idle_db, strict=True)]
        # turns of one cut or pause, whether all is new then, and whether the cut is another one
        runs: list[tuple[bool, list[Hop], bool, bool]] = []
        in_lines: dict[float, Finding] = {}
        ended: list[bool] = []  # of each hop, whether it ends what is told
        states = zip(
            hops, rotations, cutting, spotting, idle_db, drowned, entering, beside, over_idle_db, strict=True
        )
        for hop, rotation, cuts, spots, db, drowns, enters, other, over_db in states:
            self._over_sum_db += over_db
            self._over_hops += 1
            turning = rotation.state is TURNING or rotation.state is MASKED
            ended.append(not turning or spots or hop.deaf)
            self._loaded = turning and (self._loaded or cuts)
            self._paused = self._paused or not cuts
            goes_on = self._is_drowned(drowns, cuts, hop.step_s)
            if hop.heard:  # else the turns go on as they were
                ratio = hop.spindle_hz / rotation.reference_hz
                self._astray = not 1 - (SLOWER if cuts else IDLE_SLOWER) < ratio < 1 + FASTER
            taken = rotation.settled and not (ended[-1] or self._astray)
            self._heard.add(cuts if taken else None)
            if self.lines is not None:
                known = self._loaded, self._dial.off, self._dial.or_off
                told = self.lines.step(hop, taken, cuts, goes_on or other, *known, over_db)
                if told is not None:
                    in_lines[hop.t] = told
                if self.lines.none_shows(hop.t):
                    self._unlined.add(hop.t)
                if self.lines.others:
                    self._off_rate.add(hop.t)
            if hop.turn is not None:
                heard, self._heard = self._heard, set()
                self._over_db[hop.t] = self._over_sum_db / self._over_hops
                self._over_sum_db, self._over_hops = 0.0, 0
                if self.lines is not None and self.lines.nearly is not None:
                    self._nearly[hop.t] = self.lines.nearly
                if goes_on:
                    self._doubtful.add(hop.t)
                if goes_on or (cuts and enters):
                    self._untaught.add(hop.t)
                if cuts and enters:
                    self._entering.add(hop.t)
                if not self._loaded:
                    self._unloaded.add(hop.t)
                if len(heard) == 1 and None not in heard:
                    if cuts and self._paused and self._cut_turns >= self._first_turns:
                        self._usual_db = self._cut_db
                    if drowns and hop.over_db > self._usual_db + BURSTS_DB:
                        self._drowning.add(hop.t)
                    anew = self._is_quieter(db, hop.over_db, cuts)
                    if anew and self.lines is not None:
                        self.lines.begin()
                    another = cuts and self._paused
                    if not runs or runs[-1][0] is not cuts or anew or another:
                        runs.append((cuts, [], anew, another))
                    runs[-1][1].append(hop)
                    self._paused = not cuts
                    if self._dial.step(hop.turn, cuts):
                        self._narrowed[hop.t] = self._narrower()
        found = in_lines | dict(one for cuts, run, *new in runs for one in self._take_run(run, cuts, *new))
        self._doubtful.clear()
        self._untaught.clear()
        self._entering.clear()
        self._unlined.clear()
        self._off_rate.clear()
        self._nearly.clear()
        self._drowning.clear()
        self._unloaded.clear()
        self._narrowed.clear()
        self._over_db.clear()
        if not found and self._told is None:
            return [None] * len(hops)
        findings: list[Finding | None] = []
        for hop, over in zip(hops, ended, strict=True):
            if over:
                self._told_s = -math.inf
            if hop.t in found:
                self._told, self._told_s = found[hop.t], hop.t
            findings.append(self._told if hop.t - self._told_s < _STAYS_S else None)
        return findings

    def _is_drowned(self, drowns: bool, cuts: bool, step_s: float) -> bool:
        """Whether another sound is louder than the machine: one that goes on up to contact does in the cut.

        Strokes waver; but the axis is quiet for some tenths before contact, as the drill comes at its feed.
        Whether it has ended is heard with the drill out of the cut.
        """
        fades = 0.0 if cuts and self._other_sound else 1.0 if cuts else FADES_TIMES
        drowned_s = self._drowned_s + (step_s if drowns else -fades * step_s)
        self._drowned_s = min(max(drowned_s, 0.0), 2 * DROWNED_S)
        if self._drowned_s > DROWNED_S:
            self._other_sound = True
        elif not cuts and self._drowned_s == 0.0:
            self._other_sound = False
        return self._other_sound

    def _is_quieter(self, idle_db: float, level_db: float, cutting: bool) -> bool:
        """Whether what was taken for normal was hidden by a sound that has gone since.

        In a cut idling is not heard; but what hid the first ones made them louder too."""
        first = self._cut_turns < self._first_turns
        if cutting:
            share = 1 / (1 + self._cut_turns) if first else 2 / self._first_turns
            self._cut_db += share * (level_db - self._cut_db)
        if idle_db < self._first_db - QUIETER_DB or (
            cutting and not first and self._cut_db < self._first_cut_db - QUIETER_DB
        ):
            self._quieter_turns += 1
            if self._quieter_turns >= self._first_turns:
                self._first_db, self._quieter_turns, self._cut_turns = idle_db, 0, int(cutting)
                self._cut_db = level_db
                return True
        else:
            self._quieter_turns = 0
        if first:
            self._first_db = idle_db if not self._cut_turns else max(self._first_db, idle_db)
            self._first_cut_db = self._cut_db
            self._cut_turns += cutting
        return False

    def _take_run(
        self, hops: Sequence[Hop], cutting: bool, anew: bool, another: bool
    ) -> list[tuple[float, Finding]]:
        """Turns of one cut or pause, many at once: arrays of them take hardly longer than of one.

        ``anew``: nothing is known of what is normal; ``another``: the drill was out since the last cut, be it
        for less than a turn. Gives what was found, and when.
        """
        if anew:
            before = {which: one.most.location for which, one in self._state.items()}
            self._begin()
            for which, location in before.items():
                # what hid a knock made it seem less: what was as much before is no fault now
                self._state[which].most.location = location
        state = self._state[cutting]
        if self._last is not None and self._last is not cutting:
            # a knock goes on; the larger of two means at every angle would stand out in noise
            both = np.stack([state.means, self._state[self._last].means])
            own, last = self._standing_out(both)[1]
            if last > own and not self._other.heard:
                state.means = both[1]
        if self._last is not cutting:
            state.begin()
            if not cutting:
                self._masking.gone()
        if self._last is not cutting or another:
            for one in (self._rise, self._level):
                one.end()
                if cutting:
                    one.begin()
        self._last = cutting
        found: list[tuple[float, Finding]] = []
        done = 0
        while done < len(hops):
            alike = self._first_turns - len(state.first) or state.turns_to_learn
            done += self._take_some(hops[done : done + min(alike, _AT_ONCE)], state, cutting, found)
        return found

    def _take_some(
        self, hops: Sequence[Hop], state: _State, cutting: bool, found: list[tuple[float, Finding]]
    ) -> int:
        """Take turns as long as a sector counts the same at most; the number taken."""
        beyond, turns, n = self._beyond(state), [hop.turn for hop in hops if hop.turn is not None], 0
        deviations, usual = self._deviations(state, turns, beyond)
        means = self._means(state, turns, deviations)
        among, angles, mosts = self._among, *self._standing_out(means)
        for n, (hop, turn) in enumerate(zip(hops, turns, strict=True)):
            if n and self._beyond(state) != beyond:
                break
            state.turns += 1
            if hop.t in self._narrowed:
                self._narrow(self._narrowed[hop.t])
                if self._among != among:
                    among = self._among
                    angles[n:], mosts[n:] = self._standing_out(means[n:])
            most = mosts[n]
            teaches, doubtful = hop.t not in self._untaught, hop.t in self._doubtful
            of_cut = self._share_of_cut(self._over_db[hop.t], cutting, teaches)
            risen_db = louder_db = None
            if cutting:
                known = len(state.first) == self._first_turns
                z = self._z(state, most) if known else 0.0
                power = np.matmul(self._groups, turn.power)
                enters = hop.t in self._entering
                risen_db = self._rise.step(power, z, most, enters, doubtful)
                louder_db = self._level.step(
                    turn,
                    self._groups,
                    self._creeps[angles[n] // self.sectors],
                    z,
                    known and state.most.location - self._noise >= WELL_HEARD,
                    enters,
                    doubtful or self._other.heard or hop.t in self._off_rate or hop.t in self._drowning,
                )
            if state.covered and not doubtful:
                state.first, state.passed, state.covered = [], 0, False
            if len(state.first) < self._first_turns:
                if teaches or state.passed >= PASSES_TIMES * self._first_turns:
                    state.covered = state.covered or doubtful
                    self._take_first(state, most)
                else:
                    state.passed += 1
                continue
            z = self._z(state, most)
            if not cutting:
                # A drill that enters slowly beats with the stock before its cut is known, and the means hold
                # the last cut for a while: what knocks while idling has to be more than that as well.
                z = min(z, self._z(self._state[True], most, of_cut))
            self._past.append(_Past(hop.t, cutting, turn, z))
            told = None
            sure = z - WITHOUT_LINES_Z if hop.t in self._unlined else z
            loaded, enters = hop.t not in self._unloaded, hop.t in self._entering
            elsewhere = self._is_missed(z, means[n], angles[n], turn, usual[n], cutting, enters)
            rate = self._creeps[angles[n] // self.sectors] / self.sectors
            others = self._other.step(hop.t, z, rate, cutting and not enters, loaded, elsewhere)
            others = others or hop.t in self._off_rate
            least_z = DROWNED_Z if doubtful or others or hop.t in self._drowning else SURE_Z
            if sure >= SURE_Z and z >= least_z and (cutting or not others):
                told = self._judged(cutting, means[n], angles[n], most)
                if told is not None and self._lasts(hop.t, sure):
                    found.append((hop.t, told))
                else:
                    told = None
            if told is None and hop.t in self._nearly and least_z == SURE_Z and self._stood_out(hop.t):
                told = self._nearly[hop.t]
                found.append((hop.t, told))
            if told is None and risen_db is not None:
                told = self._risen(hop.t, risen_db)
                found.append((hop.t, told))
            if told is None and louder_db is not None and least_z == SURE_Z:
                told = self._louder(hop.t, louder_db)
                found.append((hop.t, told))
            if told is not None:
                self._rise.knocks()
                self._level.knocks()
            # what lines say against, or is another machine's, is not told, but it is nothing normal either
            state.learn(most, teaches, told is not None or (z >= SURE_Z and (sure < SURE_Z or others)))
        else:
            n += 1
        state.means, state.usual = means[n - 1].copy(), usual[n - 1].copy()
        return n

    def _stood_out(self, t: float) -> bool:
        """Whether an angle stood out in one of the turns that a frame of lines has heard, as it has to beside
        such a frame."""
        since_s = t - (FRAME_HOPS + 0.5) * self.hop_s
        newest = itertools.takewhile(lambda one: one.t > since_s, reversed(self._past))
        return any(one.z >= WITH_LINES_Z for one in newest)

    def _is_missed(
        self,
        z: float,
        means: NDArray[np.float32],
        angle: int,
        turn: Turn,
        usual: NDArray[np.float32],
        cutting: bool,
        enters: bool,
    ) -> bool:
        """Whether nothing strikes in this cut, where what struck in the pause before it would be heard."""
        unit = np.matmul(self._groups, turn.usual * turn.power) * usual
        if not cutting:
            if z >= SURE_Z:
                speed, sector = divmod(angle, self.sectors)
                self._masking.strikes(means[speed, sector], unit)
            elif z < RISEN_Z:
                self._masking.gone()
            return False
        if enters:
            return False
        missing = self._masking.missing(unit) / self._scale
        return z < RISEN_Z and self._z(self._state[True], missing) >= SURE_Z

    def _risen(self, t: float, louder_db: float) -> Finding:
        message = (
            f"The chuck or work holding knocks once a turn, and the cut is {louder_db:.0f} dB louder than "
            "good ones and grows: stop the spindle, then retract and tighten the holding."
        )
        return Finding(Kind.LOOSENING, Severity.HOLD, message, louder_db, LOUDER_DB, "dB", t - self.hop_s)

    def _louder(self, t: float, louder_db: float) -> Finding:
        message = (
            f"The chuck or work holding knocks once a turn, {louder_db:.0f} dB louder than in good cuts: "
            "stop the spindle, then retract and tighten the holding."
        )
        return Finding(
            Kind.LOOSENING, Severity.HOLD, message, louder_db, KNOCKS_LOUDER_DB, "dB", t - self.hop_s
        )

    def _deviations(
        self, state: _State, turns: list[Turn], beyond: float
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Of each turn, bounded and in usual ones: shape (turns, sectors, groups); usual: (turns, groups)."""
        bounded = np.minimum(np.array([turn.deviations for turn in turns]), np.float32(OVER + beyond))
        np.maximum(bounded, _LEAST_DEVIATION, out=bounded)
        of_groups = np.matmul(self._groups, bounded)
        usual = np.matmul(np.abs(of_groups), self._mean_of_magnitudes)
        share, first = self.every * self.hop_s / _USUAL_S, state.turns + 1
        shares = [max(share, 1 / k) for k in range(first, first + len(turns))]
        usual = weighted_means(usual, state.usual, shares, _LEAST_USUAL)
        deviations = np.empty((len(turns), self.sectors, len(self._groups)), np.float32)
        np.divide(of_groups, usual[:, :, None], out=deviations.transpose(0, 2, 1))
        return deviations, usual

    def _means(
        self, state: _State, turns: list[Turn], deviations: NDArray[np.float32]
    ) -> NDArray[np.float32]:
        """The means after each turn, shape (turns, speeds, sectors, groups)."""
        n_turns, n_sectors, n_groups = deviations.shape
        crept = self._sectors(np.array([turn.turns for turn in turns])[:, None], self._creep)
        crept += np.arange(0, n_turns * n_sectors, n_sectors)[:, None, None]
        moved = deviations.reshape(-1, n_groups).take(crept, axis=0)
        return weighted_means(moved, state.means, [self._share] * n_turns)

    def _standing_out(self, means: NDArray[np.float32]) -> tuple[list[int], list[float]]:
        """At each turn, of all speeds, the angle that stands out most and by how much."""
        # groups before angles, to be added one after another
        among = np.maximum(
            means[:, self._among.start : self._among.stop].transpose(0, 3, 1, 2), _NOTHING, order="C"
        )
        np.square(among, among)
        squares = np.add.reduce(among, axis=1).reshape(len(means), -1)
        angles = squares.argmax(axis=1)
        most = np.maximum.reduce(squares, axis=1).tolist()
        begin = self._among.start * self.sectors
        return (angles + begin).tolist(), [math.sqrt(one) / self._scale for one in most]

    def _share_of_cut(self, over_db: float, cutting: bool, teaches: bool) -> float:
        """How much of what cuts normally show the means may hold, after a turn so loud over idling.

        In a cut all of it. A knock of a good cut is as loud as that, so in a pause a turn shows as much less
        of it as less of its noise is the cut's: that of a cut is as much as the sound has risen, by power.
        What a sector counts is bounded, so as a drill enters two loud turns bring the means to that height.
        """
        if cutting:
            if teaches:
                self._cut_over_turns += 1
                share = max(1 / self._cut_over_turns, 2 / self._first_turns)
                self._cut_over_db += share * (over_db - self._cut_over_db)
            self._of_cut = 1.0
        else:
            here = 1.0
            if self._cut_over_db >= AUDIBLE_DB:
                here = (1 - 10 ** (-0.1 * max(over_db, 0.0))) / (1 - 10 ** (-0.1 * self._cut_over_db))
            self._of_cut += self._share * (min(here, 1.0) - self._of_cut)
            return max(self._of_cut, min(here, 1.0))
        return self._of_cut

    def _z(self, state: _State, most: float, share: float = 1.0) -> float:
        """How far over normal, in deviations of what is to come, which scatters wider if little was heard.

        ``share``: of what normally stands out beside noise, how much is expected here.
        """
        normal, noise = state.most, self._noise
        location, variance = normal.location, normal.spread**2
        if share < 1:
            location = math.hypot(noise, share * math.sqrt(max(location**2 - noise**2, 0.0)))
            own = min(variance, _NOISE_SPREAD**2)
            variance = own + share * share * (variance - own)
        variance += (VARIES * (location - noise)) ** 2
        looks = (len(state.first) + normal.n) * self._share / 2  # that share little: a mean's memory apart
        if looks:
            variance += (variance + UNKNOWN * UNKNOWN) / looks
        return (most - location) / math.sqrt(variance)

    def _beyond(self, state: _State) -> float:
        """By how much more a sector counts where knocks are normal, so that louder ones can show."""
        return max(0.0, 2 * (state.most.location - self._noise) * self._scale / math.sqrt(len(self._groups)))

    def _narrower(self) -> range:
        """The speeds that may be the true one, by how much the dial is known to be off."""
        creeps, true = self._creeps, self._dial.off * self.sectors
        may = self._dial.or_off * self.sectors + 0.5 * (creeps[1] - creeps[0])
        near = [k for k, creep in enumerate(creeps) if abs(creep - true) <= may]
        return range(near[0], near[-1] + 1) if near else range(0)

    def _narrow(self, among: range) -> None:
        """Judge these speeds only, if any: what stands out most of fewer does so by less in noise."""
        if not among:
            return
        fewer = len(among) / len(self._among)
        if fewer != 1:
            # the largest of so many values, whose tail is that of a normal variable's
            self._noise += math.log(fewer) / self._noise
            for state in self._state.values():
                normal = state.most
                normal.location = max(normal.location + math.log(fewer) / normal.location, self._noise)
        self._among = among

    def _lasts(self, t: float, z: float) -> bool:
        """Whether what stands out has done so for long enough, or by so much that it need not."""
        if t - self._shown_s > GAP * self.every * self.hop_s:
            self._shown_since_s, self._shown_turns = t, 0
        self._shown_s = t
        self._shown_turns += 1
        long = self._shown_turns >= LASTS_TURNS and t - self._shown_since_s >= LASTS_S - 0.5 * self.hop_s
        return long or z >= AT_ONCE_Z

    def _sectors(self, turns: float | NDArray[np.float64], creep: NDArray[np.float64]) -> NDArray[np.intp]:
        """Where each angle has crept to, at each speed, shape (..., speeds, sectors)."""
        crept = np.rint(creep * turns).astype(np.intp)
        return self._turned.take(crept % self.sectors, axis=0)

    def _take_first(self, state: _State, most: float) -> None:
        """Another turn of the first of this state; complete, they say what is normal there."""
        state.first.append(most)
        if len(state.first) == self._first_turns:
            late = state.first[self._first_turns // 3 :]  # the means have grown by then
            state.most.location = max(statistics.median(late), state.most.location)

    def _judged(self, cutting: bool, means: NDArray[np.float32], angle: int, most: float) -> Finding | None:
        """The finding, if what stands out does so at one angle only, and did in this cut or pause before."""
        past = self._past
        begin = next((k + 1 for k in range(len(past) - 2, -1, -1) if past[k].z <= RISEN_Z), 0)
        run = [past[k].turn for k in range(begin, len(past)) if past[k].cutting is cutting]
        run = run[self._settle_turns :]
        here = len(list(itertools.takewhile(lambda one: one.cutting is cutting, reversed(past))))
        if min(len(run), here) < LEAST_TURNS:
            return None
        speed, sector = divmod(angle, self.sectors)
        weights = np.maximum(means[speed, sector], 0)
        weights = weights / math.sqrt(float(np.square(weights).sum()))
        others = most * math.sqrt(max(1 - float(weights.max()) ** 2, 0.0))
        loudest = LOUD if self._z(self._state[cutting], others) >= ALSO_Z else LOUDER * LOUD
        now = np.matmul(weights, np.ascontiguousarray(means[speed].T))
        near = max(2, round(NEAR * self.sectors))
        elsewhere = (np.roll(now, -sector) - now[sector] * self._ripple)[near + 1 : self.sectors - near]
        if elsewhere.max(initial=0.0) > ALONE * now[sector]:
            return None
        where = [(sector + round(self._creeps[speed] * turn.turns)) % self.sectors for turn in run]
        blows = np.array([turn.deviations[:, k] for turn, k in zip(run, where, strict=True)])
        heard = np.matmul(np.matmul(blows, self._groups.T), weights)
        loud, third = float(heard[-self._newest :].mean()), max(1, len(run) // 3)
        if loud < loudest or float(heard[:third].mean() - heard[-third:].mean()) > FADES * loud:
            return None
        usual = np.array([turn.usual for turn in run[-self._newest :]])
        over = (blows[-self._newest :] * usual).mean(axis=0)
        excess = max(0.0, float(np.matmul(np.square(weights), np.matmul(self._groups, over))) / self._left)
        knock_db = 10 * math.log10(1 + excess)
        normal_db = 10 * math.log10(1 + excess * min(1.0, self._state[cutting].most.location / most))
        message = (
            f"The chuck or work holding knocks once a turn, {knock_db:.0f} dB over the sound beside it "
            f"(normal here {normal_db:.0f} dB): stop the spindle, then retract and tighten the holding."
        )
        return Finding(
            Kind.LOOSENING, Severity.HOLD, message, knock_db, normal_db, "dB", past[begin].t - self.hop_s
        )
