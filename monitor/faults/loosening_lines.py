"""A holding that knocks at every turn, told by its lines: what `loosening` asks where turns are short.

Of a fast spindle the blows of two turns run into one another, and no sector of a turn stands out for long.
But what is alike in every turn has lines at all multiples of its rate (`monitor.signal.turn_lines`).
A machine has such lines of its own, others in the cut than idling: each is compared to what is normal here in
that state, at each speed that may be the true one, and an exponentially weighted mean of what is more is kept
(a chart for small lasting shifts, Roberts 1959, from memory) over cuts and pauses, since the knock goes on.

The lines tell the rate at which they come, to a few parts in a thousand. A holding's is the spindle's; a
compressor's may be so for a while, and is found out as it wanders (`monitor.faults.loosening_others`).

The even and the odd multiples must be raised, and every third: a knock raises all. It need not grow within
one cut: what is more than this machine's normal has grown.
"""

from __future__ import annotations

import itertools
import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.faults.episode import Finding
from monitor.faults.loosening_others import OtherMachine
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.signal.cusum import Normal
from monitor.signal.turn_lines import CLASSES, EVERY_HOPS, FRAME_HOPS, OFF, SPREAD, STEP, TurnLines

MEMORY_S = 0.5
"""Time constant of the means: longer tells more of slow knocks and later of all."""

SURE_Z, LASTS, AT_ONCE_Z = 5.25, 3, 8.5
"""Deviations over normal that tell once so many frames in a row have shown them, and those that tell at once.
Two loud blows within a frame that happen to lie whole turns apart, as of chips or of a void in burl, have
such lines too, but are over with it: in drawn good work three frames in a row came to 4.2, a single one to
6.4. A knock goes on and grows."""

AGREE = 2
"""So many of them are enough where each by itself stands out most at the same rate, which is the spindle's as
far as it is known: blows of a holding come as often as the spindle turns, and of 25 rates chance has three so
near. Of 60 drawn knocks it tells three more in time, and others 0.2 s sooner."""

CLEAR, JUMPS, GLIDES, GLIDES_MOST = 4.0, 2, 3, 8
"""Deviations of a single frame from which on it tells the rate by itself: to a step, as a rule. Blows of a
holding keep the spindle's rate. So a frame whose rate is so many steps from that of the one before agrees
with nothing yet: of 263 such pairs of drawn knocks, 36 were so far apart. And what glides one way in both
steps of three frames, by so many, but does not jump farther, is another machine that runs up: of 188 of
knocks, one. (What stands and then jumps is none: else blows that waver by some per cent of a turn would be
another machine's.)"""

OWN_S = 5.0
"""What has struck at another rate wanders, and may keep the spindle's for two or three seconds, longest where
it turns back. A holding keeps it all the time: what did so in cuts for so long is judged again."""

SHOWS_Z, NEW_S = 2.5, 1.0
"""A knock of so many deviations has begun to show in lines, and so new has to be what says that none do."""

PLAIN = 2.0
"""Deviations of one frame that lines of the turn stand out normally, at most, where none are said to show: a
machine that has some, or a knock that grew so slowly that it was learned, says nothing by having no more."""

RISEN_Z = 1.0
"""A knock began to stand out when it last did so by no more than this."""

BEGINS_DB = 3.0
"""A pause that is so much louder than the machine running free, by as much power again, may be a cut that is
not known for one yet, as of a drill that enters slowly: what cuts normally show is no fault there."""

FIRST_S, LAG_S, MEMORY_NORMAL_S = 0.8, 2.0, 60.0
"""So much of a state is learned before it is judged. What is heard is normal only so long after, when a knock
that grows would have been told; and normal is averaged over so much."""

UNKNOWN = 4.0
"""Frames for which the mean of so many is trusted like a single one: pecks are not as alike as noise is."""

# what stands out most in noise, of so many speeds, and by how much that varies, in deviations of a mean; they
# are worth so many seconds, and what this machine does is averaged over so many
_NOISE, _NOISE_SPREAD, _PRIOR_S, _MEMORY_S = 1.6, 0.6, 10.0, 300.0
_FRAME_SD = 1.65  # of the sum of a frame, in those of independent amplitudes in noise: gaps are shared
_OVERLAP = 1.25  # frames share half their sound


class _Normal:
    """What a state sounds like in good work; ``mean`` of shape (n_speeds, n_classes)."""

    def __init__(self, shape: tuple[int, int]) -> None:
        self.mean = np.zeros(shape, np.float32)
        self.before = np.full(shape, -np.inf, np.float32)  # the same before all was learned anew
        self.n = 0
        self.waiting: deque[NDArray[np.float32]] = deque()


@dataclass(slots=True)
class KnockLines:
    """`step` hops; ``lines``: what makes their `Hop.lines`."""

    lines: TurnLines
    hop_s: float
    _normal: dict[bool, _Normal] = field(init=False, default_factory=dict)
    _means: NDArray[np.float32] = field(init=False)
    _share: float = field(init=False)
    _scale: float = field(init=False)
    _most: Normal = field(init=False)
    _z: float = 0.0  # of the newest frame, over what is normal, and when that ended
    _z_s: float = -math.inf
    _taken: int = 0  # hops in a row
    _alike: int = 0  # of these, of one cut or pause
    _level_db: float = 0.0  # mean of the newest hops, over the machine running free
    _cutting: bool = False
    _shown: int = 0
    _agree: int = 0
    _clear: deque[float] = field(default_factory=lambda: deque(maxlen=3))  # rates of the newest clear frames
    _other: OtherMachine = field(init=False)
    nearly: Finding | None = None  # what the newest frame shows, of which more is asked
    _plain: bool = False
    _risen_s: float = 0.0

    def __post_init__(self) -> None:
        step_s = EVERY_HOPS * self.hop_s
        self._share = 1 - math.exp(-step_s / MEMORY_S)
        # to the least of the sums: of the even and the odd as one mean
        self._scale = _FRAME_SD * _OVERLAP * math.sqrt(self._share / (2 - self._share) / 2)
        self.begin()

    def begin(self) -> None:
        """What is normal is learned anew, as what hid it has gone. What was as much before is no fault."""
        shape = self.lines.speeds.size, self.lines.roots.size
        normal = {cutting: _Normal(shape) for cutting in (False, True)}
        step_s = EVERY_HOPS * self.hop_s
        for cutting, old in self._normal.items():
            known = old.n * step_s >= FIRST_S
            normal[cutting].before = np.maximum(old.before, old.mean) if known else old.before
        self._normal = normal
        self._means = np.zeros(shape, np.float32)
        lag, least = round(LAG_S / step_s), 0.5 * _NOISE_SPREAD
        self._most = Normal(_NOISE, _NOISE_SPREAD, _PRIOR_S / step_s, _MEMORY_S / step_s, lag, least)
        self._shown, self._agree, self._z_s = 0, 0, -math.inf
        self._clear.clear()
        self._other = OtherMachine(SURE_Z, RISEN_Z, 1.5 * STEP, OWN_S)

    @property
    def others(self) -> bool:
        """Whether what stands out is another machine's, as far as that was heard."""
        return self._other.heard

    def step(
        self,
        hop: Hop,
        taken: bool,
        cutting: bool,
        drowned: bool,
        loaded: bool = True,
        off: float = 0.0,
        or_off: float = OFF,
        over_db: float = 0.0,
    ) -> Finding | None:
        """The finding of this hop, while what comes once a turn is more than normal.

        ``taken``: the spindle turns at its speed and is heard; ``cutting``: in the cut; ``drowned``: another
        sound is as loud as the machine, of which nothing is learned and nothing told: a compressor or another
        lathe that turns nearly as fast has such lines. ``loaded``: a drill has cut since the spindle was
        switched on; ``off``, ``or_off``: share by which the speed heard is over the true one, and by how much
        it may be more or less; ``over_db``: level over that of the machine running free.
        """
        self._level_db += (over_db - self._level_db) / EVERY_HOPS
        self._alike = (self._alike + 1 if cutting is self._cutting else 1) if taken else 0
        self._taken = self._taken + 1 if taken else 0
        self._cutting = cutting
        if hop.lines is not None or not taken:
            self.nearly = None
        if hop.lines is None:
            return None
        if drowned or self._taken < FRAME_HOPS:
            self._clear.clear()
            return None
        normal, step_s = self._normal[cutting], EVERY_HOPS * self.hop_s
        mixed = self._alike < FRAME_HOPS
        begins = not cutting and self._level_db >= BEGINS_DB
        if not mixed:
            normal.waiting.append(hop.lines)
            if len(normal.waiting) > LAG_S / step_s:
                normal.n += 1
                share = np.float32(max(1 / normal.n, step_s / MEMORY_NORMAL_S))
                normal.mean = normal.mean + share * (normal.waiting.popleft() - normal.mean)
        known = min(one.n for one in self._normal.values()) if mixed else normal.n
        if known * step_s < FIRST_S:
            self._clear.clear()
            return None
        usual = np.maximum(normal.mean, normal.before)
        # part of it is of a cut, part of a pause, or all of a cut that begins: either has its lines
        if mixed or begins:
            other = self._normal[not cutting]
            usual = np.maximum(usual, np.maximum(other.mean, other.before))
        strength = np.minimum.reduce(usual, axis=1)
        clearest = int(strength.argmax())
        if strength[clearest] >= CLEAR:  # the speed heard may be off for a while, and so may normal lines
            usual = np.maximum(usual, usual[clearest])
        if hop.t - self._z_s > NEW_S:  # what was heard before a stop, or another sound, is over
            self._means = np.zeros_like(self._means)
            self._shown = 0
        self._means = self._means + np.float32(self._share) * (hop.lines - usual - self._means)
        of_all = np.minimum.reduce(self._means, axis=1)
        self._plain = float(np.minimum.reduce(usual, axis=1).max()) < PLAIN
        speed = int(of_all.argmax())
        most = float(of_all[speed]) / self._scale / math.sqrt(1 + UNKNOWN / known)
        self._z = z = self._most.z(most)
        self._z_s = hop.t
        self._most.step(most)
        rates = self.lines.speeds
        of_frame = np.minimum.reduce(hop.lines - usual, axis=1)
        own = rates[int(of_frame.argmax())]
        jumps, glides = self._follow_rate(float(own), clear=float(of_frame.max()) >= CLEAR)
        at_rate = abs(rates[speed] + off) <= or_off + STEP
        if z <= RISEN_Z:
            self._risen_s = hop.t
        elsewhere = z >= SURE_Z and (glides or not at_rate)
        others = self._other.step(hop.t, z, float(rates[speed]), cutting, loaded, elsewhere) or elsewhere
        self._shown = self._shown + 1 if z >= SURE_Z else 0
        agrees = self._shown and at_rate and not jumps and abs(own - rates[speed]) < 1.5 * STEP
        self._agree = self._agree + 1 if agrees else 0
        at_once = z >= AT_ONCE_Z and not jumps
        if self._shown < LASTS and self._agree < AGREE and not at_once:
            if agrees and not others:
                self.nearly = self._finding(usual[speed], self._means[speed])
            return None
        normal.waiting.clear()  # what is told never becomes normal
        self._most.reject()
        return None if others else self._finding(usual[speed], self._means[speed])

    def _follow_rate(self, rate: float, clear: bool) -> tuple[bool, bool]:
        """Whether the rate of a frame jumps from that of the one before, and whether it glides."""
        seen = self._clear
        if not clear:
            seen.clear()
            return False, False
        seen.append(rate)
        steps = [round((after - before) / STEP) for before, after in itertools.pairwise(seen)]
        glides = len(steps) == 2 and min(steps) * max(steps) > 0 and GLIDES <= abs(sum(steps)) <= GLIDES_MOST
        return bool(steps) and abs(steps[-1]) >= JUMPS, glides

    def _finding(self, usual: NDArray[np.float32], more: NDArray[np.float32]) -> Finding:
        normal_db = self._over_db(usual)
        knock_db = self._over_db(usual + more)
        message = (
            f"The chuck or work holding knocks once a turn: lines of the turn stand {knock_db:.1f} dB over "
            f"the sound between them (normal here {normal_db:.1f} dB): stop the spindle, then retract and "
            "tighten the holding."
        )
        return Finding(
            Kind.LOOSENING, Severity.HOLD, message, knock_db, normal_db, "dB",
            self._risen_s,
        )  # fmt: skip

    def none_shows(self, t: float) -> bool:
        """Whether lines were judged lately, and none are heard, nor were learned as normal."""
        return self._plain and self._z < SHOWS_Z and t - self._z_s <= NEW_S

    def _over_db(self, sums: NDArray[np.float32]) -> float:
        """Mean amplitude of the multiples over what lies between them."""
        even_and_odd = slice(CLASSES[0])
        over = SPREAD * float(sums[even_and_odd].sum()) / float(self.lines.roots[even_and_odd].sum())
        return 20 * math.log10(max(1 + over, 0.1))
