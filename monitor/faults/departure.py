"""Whether the spindle has left its speed in a cut: its lines no longer give there what they give in cuts.

What the lines say of each speed (`monitor.signal.line_likelihood`) allows for any machine and room: lines
ten decibels weaker than learned, or missing. How much this machine's lines give in its own cuts is known
better as soon as it was heard cutting: in proportion to what is to be expected under the present floor
(``Hop.audible``), with a spread that is learned too. So a hop is of one of two distributions, taken as
normal, of the most that the lines give near the free speed: that of cuts, or that of lines that are
elsewhere or gone. A cumulative sum of the log likelihood ratio tells the change soonest
(`monitor.signal.cusum`). Lines that the cut drowns give as little either way, and decide nothing.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from monitor.hop import Hop
from monitor.spindle import GONE_NATS, STOPPED, Rotation
from monitor.work import Work

NEAR, WITHIN = 0.08, 0.04
"""Speeds so near the free one are its own: a spindle that is further off holds by its sag anyhow. And half of
that, where the lines of one that has sagged so far are no longer heard."""

DECIDES_NATS, HOPS = math.log(1000), 2
"""Log odds that it has left, and for so many hops running the track of the speed doubts too, by ``DOUBT``,
that it is there: lines that fade for some tenths in a cut leave the track where it is."""

BY_ITSELF_MOST = 2 * DECIDES_NATS
"""As high as the sum came before in cuts that then went on, so much more it has to reach, up to this: chips
that crackle drown the lines of some machines for tenths of a second."""

DOUBT = 0.1
"""Chance, by the distribution of the speed, of another speed."""

MOST_NATS, LEAST_NATS, SHARE = DECIDES_NATS / 2, 4.0, 0.6
"""Of one hop, for and against, so that no hop decides alone; and the share that counts: frames overlap by
half."""

GIVES, WORTH_HOPS, MEMORY = 2.2, 30.0, 0.01
"""What lines give in cuts, of what is expected (``Hop.audible``), before this machine was heard, as the
median of machines drawn; it counts as so many hops. And the share of a new hop in what is learned: five
seconds of cuts."""

SPREAD, SPREAD_LEAST = 2.7, 2.0
"""Deviation of what they give in a hop, nats, before it was learned, and the least."""

GONE_GIVES, GONE_LESS = 3.0, 0.35
"""Where the lines are not, the best speed of those near gives so much by chance, nats, less this share of
what is expected (spectra of drawn machines that slow down and stand; deviation 2 to 3)."""

WEAKER, APART = 0.9, 1.3
"""Lines may be weaker in this cut than in others by so much; and where the two distributions lie apart by
fewer deviations than this, the cut drowns the lines."""

IN_PLACE, PLACED_HOPS, PLACED_SHARE, FRAME_S = 0.7, 3, 0.5, 0.1
"""So many hops of this cut, a frame after its onset, and so large a share of them gave this share at least of
what cuts give: a spindle that is switched off sounds like a cut as its lines sweep through the floor, but
they are weaker from the start; and tones of another machine that pass for lines mostly give less."""

IN_PLACE_HOPS, SURE = 3, 0.9
"""In one of so many hops, neighbours sharing half of their sound, lines that are there give as much; where
the cut drowns them a speed tracked with this confidence tells where the spindle is."""

YOUNG_S, ANSWERS_S, LOADS, SURE_HOPS = 1.0, 0.5, 0.005, 6
"""A cut younger than this need not have shown its load: the motor may not have answered. But most have in
half of that: a speed that is read then and shows none of a load that cuts are known to have (more than
machines wander) is that of a spindle that runs free under another sound. An older cut has, in so many hops,
the lines in their places: what is switched off under another sound seems loaded as it begins to slow."""

APART_S = 0.3
"""A drill that is drawn out and comes back is silent for longer: what sounds like a cut again sooner is the
same one, that flickers, or another sound as it ends. No new contact makes it young."""

LOUDEST = 4.0
"""In units of half a cut's rise over idling (`monitor.cutting.CuttingDetector.strength`): what rises twice as
far as cuts do, in decibels, is another sound, under which the spindle may be switched off."""

TURNED_DB, TURNED_HOPS, QUIETER_DB = 6.0, 4, 1.0
"""All sound that falls by so much within so many hops, while the track does not doubt yet, is the gain of a
microphone turned down, which takes as much of the lines: a cut dies away after they have gone. So it is for
sure where it falls so far under the sound of the machine running free: some cuts waver by as much."""

WAVERS_S = 1.0
"""A cut that wavers is as loud again within so long, a turn of the slowest spindle; a gain stays down."""

LATELY_S, UNDER_WAY_S, CLEAR = 1.0, 3.0, 3.0
"""It was surely there, and cutting, so lately; a program that goes on may switch the spindle off later. But
not while the peck is under way: a jam whose noise drowns the lines may end with them heard clearly, the
distributions so many deviations apart, in another place or not at all."""

DROWNS_HOPS, DROWNS_SHARE = 40, 0.2
"""The cuts of a machine drown its lines where in two seconds of them and more no more than this share of
the hops tells: in other cuts it is another sound that does, under which the spindle may be switched off."""


@dataclass(slots=True)
class Departure:
    """One `step` a hop.

    ``nats``: log odds that the spindle has left its speed; ``left``: that is decided, of a spindle that was
    surely cutting lately. ``in_place``: where its speed cannot be followed, or is heard far off, the lines
    give at the free speed what they give in cuts all the same; ``missing``: they did so, or it was followed
    there, in none of the last hops. ``at_work_s``: until when it was surely cutting, the lines in their
    places, -inf where it was heard to run free since. ``weak``: they give less at the free speed than half
    way between what they give in cuts and what chance gives, or these are alike. ``turned``: the microphone
    was surely turned down in the cut, and the lines were not heard in their places since. ``says``: what this
    hop adds to ``nats``, whatever is known of the cut, 0 where the cut drowns the lines.
    ``surely``: ``left``, by as much as a spindle is judged to stand by, over what good cuts came to.
    """

    nats: float = 0.0
    left: bool = False
    in_place: bool = False
    missing: bool = False
    at_work_s: float = -math.inf
    weak: bool = True
    turned: bool = False
    says: float = 0.0
    surely: bool = False
    _turned: bool = False
    _turned_s: float = -math.inf
    _loud_db: float = math.inf
    _given: float = GIVES * WORTH_HOPS
    _audible: float = WORTH_HOPS
    _spread: float = SPREAD
    _cut_s: float = math.nan
    _contact_s: float = math.nan
    _begun_s: float = math.nan
    _newest_s: float = math.nan
    _cutting_s: float = -math.inf
    _reference_hz: float = 0.0
    _placed_hops: int = 0
    _cut_hops: int = 0
    _sure_hops: int = 0
    _free_hops: int = 0
    _followed_s: float = -math.inf
    _came: bool = False
    _against_hops: int = 0
    _all_hops: int = 0
    _told_hops: int = 0
    _followed_hops: int = 0
    _levels: deque[float] = field(default_factory=lambda: deque(maxlen=TURNED_HOPS))
    _missed_hops: int = IN_PLACE_HOPS
    _astray_hops: int = 0
    _doubt_hops: int = 0
    _peak: float = 0.0
    _by_itself: float = 0.0

    def step(
        self, hop: Hop, rotation: Rotation, work: Work, lost: bool = False
    ) -> tuple[bool, bool, bool, float, bool, bool, float, bool]:
        """Take one hop; ``lost``: the microphone hears nothing, as judged up to the hop before.

        Gives ``left``, ``in_place``, ``missing``, ``at_work_s``, ``weak``, ``turned``, ``says``, ``surely``.
        """
        self.left = self.in_place = self.missing = self.surely = False
        self.weak, self.says = True, 0.0
        if hop.confidence >= SURE and abs(rotation.sag) < NEAR and not work.cutting:
            self._followed_s, self.turned = hop.t, False
        # (a speed that sags on after its cut may be another sound's: the lines are asked as in the cut)
        if not (work.cutting or work.loaded) and hop.t - self.at_work_s > LATELY_S:
            self.nats, self._placed_hops, self._missed_hops = 0.0, 0, IN_PLACE_HOPS
            self._free_hops = self._followed_hops = 0
            self._levels.clear()
            return False, False, False, self.at_work_s, True, self.turned, 0.0, False
        near_hz = (1 - NEAR) * rotation.reference_hz, (1 + NEAR) * rotation.reference_hz
        given = hop.evidence_between(*near_hz)
        usual = self._given / self._audible * hop.audible
        gone = GONE_GIVES - GONE_LESS * hop.audible
        apart = WEAKER * usual - gone
        half_way = (WEAKER * usual + gone) / 2
        self.weak = given < half_way or apart < APART / 2 * self._spread
        tells = apart > APART * self._spread
        if tells:
            nats = SHARE * apart / self._spread**2 * (half_way - given)
            self.says = MOST_NATS if nats > MOST_NATS else -LEAST_NATS if nats < -LEAST_NATS else nats
        near = abs(rotation.sag) < NEAR
        tracked = not tells and near and hop.confidence >= SURE
        placed = tracked or (tells and given >= IN_PLACE * usual)
        home = hop.probability_between(*near_hz)
        followed = near and home > 1 - DOUBT and hop.confidence >= SURE
        self._follow_place(hop, rotation, usual, tells)
        if abs(rotation.reference_hz - self._reference_hz) > NEAR * rotation.reference_hz:
            # another commanded speed: it is looked for there
            self._reference_hz, self._came, self.at_work_s = rotation.reference_hz, False, -math.inf
        self._follow_cut(hop, work, placed, tells, followed, rotation.settled, rotation.sag)
        # a speed that is followed down to where it is now is a matter of the sag
        judged = rotation.state is not STOPPED and not abs(rotation.sag) >= NEAR
        self._doubt_hops = self._doubt_hops + 1 if home <= 1 - DOUBT else 0
        turned = self._is_turned_down(hop, placed, work.alone_db)
        lost = lost or hop.deaf or (turned and hop.t - self._turned_s > WAVERS_S)
        away_s = hop.t - self.at_work_s
        under_way = work.contact_s == self._contact_s and work.working and apart > CLEAR * self._spread
        lately = away_s <= LATELY_S or (under_way and away_s <= UNDER_WAY_S)
        if lost or not (judged and lately):
            self.nats = self._peak = 0.0
        elif tells:
            self._add(self.says, placed)
        enough = self.nats >= DECIDES_NATS + self._by_itself and self._doubt_hops >= HOPS
        self.left = enough and not turned
        self.surely = self.left and self.nats >= GONE_NATS + self._by_itself
        if near and work.cutting and home > 1 - DOUBT and hop.audible >= 1:
            self._learn(hop, given, usual)
        known = self.at_work_s, self.weak, self.turned, self.says
        return self.left, self.in_place, self.missing, *known, self.surely

    def _follow_place(self, hop: Hop, rotation: Rotation, usual: float, tells: bool) -> None:
        """Whether the lines give so much at the free speed itself, where another one is heard or none is.

        A spindle is at one speed only: lines that are in their places make the other one a slip of the ear.
        """
        there = abs(rotation.sag) < WITHIN
        if abs(rotation.sag) < NEAR:
            self._astray_hops = 0
        else:
            near_hz = (1 - WITHIN) * rotation.reference_hz, (1 + WITHIN) * rotation.reference_hz
            given = hop.evidence_between(*near_hz)
            elsewhere = rotation.sag == rotation.sag
            if tells and given >= IN_PLACE * usual:
                self.in_place, self._astray_hops = True, IN_PLACE_HOPS * elsewhere
            elif elsewhere and self._astray_hops:  # a tone of another sound goes on
                self.in_place, self._astray_hops = True, self._astray_hops - 1
            # as much as ever says that they are there even where they hardly tell; but not for how long
            there = self.in_place or given >= usual
        self._missed_hops = 0 if there else self._missed_hops + 1
        self.missing = self._missed_hops >= IN_PLACE_HOPS

    def _is_turned_down(self, hop: Hop, placed: bool, idle_db: float) -> bool:
        """Whether all sound fell at once with the lines, not heard in their places since."""
        self._levels.append(hop.over_db)
        if placed and self._turned:
            self.nats = self._peak = 0.0  # what was missed meanwhile was expected too loud
        if placed or hop.over_db > self._loud_db - TURNED_DB / 2:
            # heard, or as loud again: a cut wavers with every turn of an eccentric blank, a gain stays down
            self._turned = self.turned = False
        elif not self._doubt_hops:
            loud_db = max(self._levels)
            if not self._turned and hop.over_db < loud_db - TURNED_DB:
                self._turned, self._turned_s, self._loud_db = True, hop.t, loud_db
            self.turned = self.turned or (self._turned and hop.over_db < idle_db - QUIETER_DB)
        return self._turned

    def _add(self, nats: float, placed: bool) -> None:
        nats += self.nats
        self.nats = nats if nats > 0 else 0.0
        if self.nats > self._peak:
            self._peak = self.nats
        if placed and not self.nats and self._peak:
            self._by_itself = min(max(self._by_itself, self._peak), BY_ITSELF_MOST)
            self._peak = 0.0

    def _follow_cut(
        self, hop: Hop, work: Work, placed: bool, tells: bool, followed: bool, settled: bool, sag: float
    ) -> None:
        """Until when a cut was under way for sure, the lines in their places.

        ``followed``: the speed is, at the free one, whatever the lines give; ``settled``: it had come to rest
        there, as nothing cuts before that; ``tells``: the lines are not drowned. Where this machine's cuts
        drown them, one to which the spindle came at its speed is at work as long as it is sure.
        """
        if work.cutting and work.cut_s != self._cut_s:
            self._cut_s, self._placed_hops, self._cut_hops = work.cut_s, 0, 0
            self._came = settled and work.cut_s - self._followed_s <= LATELY_S
            self._against_hops = 0
        if work.contact_s != self._newest_s and work.contact_s == work.contact_s:
            self._newest_s = work.contact_s
            if work.contact_s - self._cutting_s >= APART_S:
                self._begun_s = work.contact_s
        if work.cutting:
            self._cutting_s = hop.t
        self._followed_hops = self._followed_hops + 1 if followed and not work.cutting else 0
        if self._followed_hops >= SURE_HOPS:
            self.at_work_s = -math.inf
        if work.cutting and hop.t - work.cut_s >= FRAME_S:
            self._cut_hops += 1
            self._placed_hops += placed
            self._against_hops += tells and not placed
            self._all_hops += 1
            self._told_hops += tells
        in_place = self._placed_hops >= PLACED_HOPS and self._placed_hops >= PLACED_SHARE * self._cut_hops
        over = work.contact_s != work.contact_s
        drowns = self._all_hops >= DROWNS_HOPS and self._told_hops <= DROWNS_SHARE * self._all_hops
        if drowns and self._came and work.sure and not tells and self._against_hops < HOPS:
            self.at_work_s, self._contact_s, self._free_hops = hop.t, work.contact_s, 0
            return
        if not (placed or (followed and over)):
            self._free_hops = 0
            return
        self._sure_hops = self._sure_hops + 1 if work.sure else 0
        # no time of contact: nothing is drilled any more
        age_s = math.nan if over else hop.t - self._begun_s
        light = age_s > ANSWERS_S and work.cut_sag > LOADS and sag < work.cut_sag / 2
        young = work.loud and age_s <= YOUNG_S and not light
        believed = (self._sure_hops >= SURE_HOPS or young) and work.strength <= LOUDEST
        if work.cutting and placed and in_place and believed and settled:
            self.at_work_s, self._free_hops = hop.t, 0
            self._contact_s = work.contact_s
            return
        if not work.cutting:
            self.nats = 0.0
        self._free_hops += 1
        # a cut that goes on is doubted no sooner than it was believed: its load wavers
        if self._free_hops >= (SURE_HOPS if work.cutting else HOPS):
            self.at_work_s = -math.inf

    def _learn(self, hop: Hop, given: float, usual: float) -> None:
        """What the lines give in cuts, and its spread: means that forget."""
        off = abs(given - usual)
        off = 1.25 * (off if off < 4 * SPREAD else 4 * SPREAD)
        spread = self._spread + MEMORY * (off - self._spread)
        self._spread = spread if spread > SPREAD_LEAST else SPREAD_LEAST
        if hop.confidence >= SURE:
            self._given += given - MEMORY * self._given
            self._audible += hop.audible - MEMORY * self._audible
