"""One line that may be `chatter`, followed: its frequency, the evidence, and how it behaved."""

from __future__ import annotations

import math
import statistics
from collections import deque
from dataclasses import dataclass, field

from monitor.faults.chatter_growth import GROWS_DB, GROWS_HOPS, PAST_HOPS, STRAIGHT_HOPS
from monitor.faults.chatter_pitch import SHIVER_HOPS, SHIVERS, WITHIN, Bins, Peak

STEADY_DB, STRONG_DB, STRONG_STEADY_DB = 4.0, 8.0, 6.0
"""Mean change from one spectrum to the next that shares no samples: 6.0 dB for narrow-band noise (the
difference of two logarithms of exponential variables), 2 dB for a line 10 dB over noise. One that has
departed by 8 dB may change more: its pitch wanders through the nulls of the room, and noise that a mode
shapes is there from contact."""

DRIFT = 0.02
"""A line that has drifted by more than this share comes from elsewhere: twice what a line may wander in half
a second. A semitone is three times that."""

MAINS_HZ, MAINS_MOST, MAINS_OFF_HZ, SLIPS = (50.0, 60.0), 300.0, 0.7, 0.02
"""At the first multiples of the mains, as far as they are read, a line is doubtful unless it was seen to grow
exponentially: a motor elsewhere that is switched on hums there, and one that a cut loads, whose hum follows
the torque. Its rotor, and the pump on it, sound lower by its slip, of a kilowatt or two by this share (from
memory). Chatter so low lies there by chance in one case of six."""

FADES_DB, FELL_DB = 3.0, 6.0
"""So far under its own highest level of the last second and a half a line fades, as a struck note does;
chatter grows until it is bounded. By its slow mean over 0.4 s; and, of a line that was not seen to grow, by
what departs now: the slow mean trails behind a note that dies away. Four times the power, for a wandering
line dips in nulls of the room; and no longer, for a blow, as at contact, or another sound there is over
then."""

SILENT_S, SILENT_DB = 0.3, 6.0
"""So long after the end of the cut, as dated, no frame holds any of it, and the room's ringing has fallen by
10 dB even where it takes 1.2 s for 60 dB. A line that has not fallen by this does not live on the cut,
however soon the next one, or what sounds like one, begins. But what has grown by as much goes on feeding
itself: the cut was taken for over while it went on, and whether it was is known later."""

DRIFT_FROM = 6  # hops: the frequency is then that of an average


@dataclass(slots=True)
class Line:
    """One line followed.

    ``enough``: the evidence for it, ``followed``: that since it is followed, ``followed_s``;
    ``inside``: it began in a cut, which was of such ``strength`` before (`Work`); ``told``: it was found to
    be chatter; ``straight``: it was seen to grow exponentially; ``lips``: it beats as the lips pass, found in
    so many ``lip_looks``; ``rung``: the turn pushes it (`monitor.faults.chatter.RUNG`); ``was_suspect``: the
    peck was before it began; ``sudden``: it rose at once, None before that is known; ``drifts``: it came from
    another frequency; ``follows_hz``: the line followed until just before.
    """

    hz: float
    start_s: float
    inside: bool
    strength: float = 0.0
    n: int = 0
    enough: float = 0.0
    followed: float = 0.0
    followed_s: float = -math.inf
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
    power_db: float = math.nan
    silent_db: float = math.inf
    before: list[float] = field(default_factory=lambda: [math.nan, math.nan])
    shivered: bool = False
    shivers: float = 0.0
    mean_shivers: float = 0.0
    glides_hz: float = 0.0
    pitched: int = 0
    peaks: deque[Peak] = field(default_factory=lambda: deque(maxlen=SHIVER_HOPS))
    straight: bool = False
    lips: bool = False
    lip_looks: int = 0
    rung: bool = False
    was_suspect: bool = False
    grew: bool = False
    levels: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=PAST_HOPS))
    past_db: deque[float] = field(default_factory=lambda: deque(maxlen=GROWS_HOPS))
    past_slow_db: deque[float] = field(default_factory=lambda: deque(maxlen=GROWS_HOPS))
    past_power_db: deque[float] = field(default_factory=lambda: deque(maxlen=GROWS_HOPS))

    def go_over(self, hz: float) -> None:
        """Follow the same vibration at another of its multiples: what it showed of itself stays."""
        self.hz, self.n, self.looks, self.from_hz = hz, 0, 0, math.nan
        self.change_db, self.before = 0.0, [math.nan, math.nan]
        self.best_db = -math.inf
        self.peaks.clear()
        self.levels.clear()
        self.past_db.clear()
        self.past_slow_db.clear()
        self.past_power_db.clear()

    def take_level(self, db: float, level_db: float) -> None:
        """Take by how much it departs from what is usual, and how far it stands over the noise."""
        n = self.n
        if db > self.best_db:
            self.best_db = db
        self.slow_db += (db - self.slow_db) / (n if n < 8 else 8)
        self.level_db += (level_db - self.level_db) / (n if n < 5 else 5)
        self.past_slow_db.append(self.slow_db)
        self.past_db.append(db)

    def take_spectrum(self, peak: Peak, power_db: float, shown_db: float) -> None:
        """Take a single spectrum: where it peaks, its power there, and that over the noise."""
        n = self.n
        self.peaks.append(peak)
        self.levels.append((power_db, shown_db))
        self.past_power_db.append(power_db)
        was = self.before.pop(0)
        self.before.append(power_db)
        if was == was:
            self.change_db += (abs(power_db - was) - self.change_db) / (n - 2 if n < 18 else 16)

    def take_pause(self, cutting: bool, since_s: float) -> None:
        """Note how loud it is in the cut, and once that has been over for so long: single spectra, in dB."""
        newest = self.past_power_db[-1]
        if cutting:
            if self.grows_on:
                self.silent_db = math.inf  # it was no pause
            self.power_db += (newest - self.power_db) / 8 if self.power_db == self.power_db else 0.0
            if self.power_db != self.power_db:
                self.power_db = newest
        elif since_s >= SILENT_S and newest < self.silent_db:
            self.silent_db = newest

    @property
    def sounds_on(self) -> bool:
        """Whether it went on when the cut was over, as nothing of the cut does."""
        return abs(self.silent_db - self.power_db) < SILENT_DB

    @property
    def grows_on(self) -> bool:
        """Whether it has grown since the cut was taken for over."""
        return math.isfinite(self.silent_db) and self.silent_db >= self.power_db + SILENT_DB

    @property
    def has_faded(self) -> bool:
        """Whether it has fallen since it stood highest; one that grows or beats with the lips may in a null
        of the room."""
        lower = not self.is_own and self.db < max(self.past_db, default=self.db) - FELL_DB
        return lower or self.slow_db <= max(self.past_slow_db, default=self.slow_db) - FADES_DB

    def take_drift(self) -> None:
        """Note whether it has moved away from where it stood first."""
        if self.n == DRIFT_FROM:
            self.from_hz = self.hz
        self.drifts = self.drifts or abs(self.hz - self.from_hz) > DRIFT * self.hz

    def take_pitch(self, bins: Bins) -> None:
        """Note how far its pitch wavers, once enough spectra tell: of one that grew by itself, which no voice
        does, as many as show that."""
        if len(self.peaks) >= (STRAIGHT_HOPS if self.straight else SHIVER_HOPS):
            self.pitched += 1
            self.shivers, self.glides_hz = bins.wavers(self.hz, self.peaks)
            if self.shivers > SHIVERS and not self.straight:
                self.shivered = True
            self.mean_shivers += (self.shivers - self.mean_shivers) / self.pitched

    def keeps_pitch(self, bin_hz: float) -> bool:
        """Whether the pitches differ by no more than those of a vibration, the newest and on average; else it
        may be a voice, and ``shivered`` says whether it surely is."""
        if self.shivers > SHIVERS:
            self.shivered = True
        glides = self.glides_hz > max(WITHIN * self.hz, bin_hz)
        steady = max(self.shivers, self.mean_shivers) <= 1 and not (self.shivered or glides)
        return bool(self.pitched) and steady

    @property
    def came_otherwise(self) -> bool:
        """Whether it came as chatter does not; fast growth passes for a step, but no step is straight."""
        sudden = bool(self.sudden) and not self.lips
        return self.drifts or (not self.straight and (sudden or is_mains(self.hz)))

    @property
    def is_own(self) -> bool:
        """Whether it was seen to be the cut's own: to grow by itself, or to beat with its lips."""
        return self.straight or self.lips

    @property
    def is_steady(self) -> bool:
        """Whether its level changes from spectrum to spectrum by less than that of narrow-band noise."""
        return self.change_db < (STEADY_DB if self.slow_db < STRONG_DB else STRONG_STEADY_DB)

    @property
    def has_risen(self) -> bool | None:
        """Whether it has risen since a second before, by what departs and by its own power; None before.

        By its own power too: as another sound dies away, a line that it hid comes out of it.
        """
        past = list(self.past_db)
        if len(past) < GROWS_HOPS:
            return None
        powers, third = list(self.past_power_db), GROWS_HOPS // 3
        rise = statistics.fmean(powers[-third:]) - statistics.fmean(powers[:third])
        return rise >= GROWS_DB and self.slow_db - statistics.fmean(past[:third]) >= GROWS_DB


def near(hz: float, other_hz: float) -> bool:
    """Whether two frequencies are one, within 2 %."""
    return abs(hz - other_hz) <= 0.02 * hz


def is_multiple(hz: float, other_hz: float) -> bool:
    """Whether one frequency is a whole multiple of the other, within 2 %."""
    ratio = max(hz, other_hz) / min(hz, other_hz)
    return abs(ratio - round(ratio)) <= 0.02 * ratio


def is_mains(hz: float) -> bool:
    """Whether a frequency is one of the first multiples of the mains, or a motor's that slips behind."""
    return hz < MAINS_MOST + MAINS_OFF_HZ and any(
        -MAINS_OFF_HZ - SLIPS * multiple <= hz - multiple <= MAINS_OFF_HZ
        for multiple in (max(1, math.ceil((hz - MAINS_OFF_HZ) / mains)) * mains for mains in MAINS_HZ)
    )
