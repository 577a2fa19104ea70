"""`stall`: the spindle's lines vanished, or its speed collapsed, while the drill was in the material.

Physical reason: a jammed drill stops the spindle within tenths of a second; its lines sweep down and
are gone, while the microphone still hears the room. Absence is judged by evidence: the lines, as
strong as learned under the present noise, would have been heard with odds of 10 000 to 1
(`monitor.spindle`). A spindle switched off between cuts vanishes too; that is not a fault, and other sound
may pass for a cut then. So it matters where the program is: lines that go from a peck under way, which is no
older than its length and loads the spindle as cuts do where that tells, are a stall whatever goes on being
heard (a spindle without power coasts, and cuts as it does). Elsewhere the sound has to fall with them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from monitor.faults.departure import LOUDEST
from monitor.faults.episode import Finding
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.spindle import BEAT_TELLS, GONE_NATS, MASKED, TURNING, Rotation
from monitor.work import Work

COLLAPSE, FALLING, FALLING_S = 0.5, 0.15, 1.0
"""Sag that is a stall by itself: at half speed a DC motor is at half its stall torque. It was heard to
fall, at a sag between, so shortly before; else another machine's tones are followed."""

IN_PLACE, IN_PLACE_HOPS, AT_WORK_S = 0.5, 6, 0.25
"""A spindle that is switched off sweeps its lines through the floor, which sounds like a cut while they go. A
cut was heard for so long from contact with the lines in their places, giving so much of the evidence
expected: a load too, over so many hops, as another machine's tones give little of it."""

FALLS_DB, IDLE_DB, FALLS_S = 6.0, 1.0, 0.3
"""What is cut no more is not heard any more: by so long after the spindle was found to stand, the sound has
fallen by so much from that of the cut, or to the idling machine's. Where it has not, it was not the cut's:
the spindle may have been switched off under it."""

LATELY_S = 3.0
"""Last heard longer ago, it may have been switched off meanwhile under other sound. A drill that jams stops a
spindle within tenths of a second, and its cut falls silent with it."""


QUIETER_DB, QUIET_HOPS = 3.0, 2
"""A machine that turns is not quieter than it is running free: so far under it, so many hops, it stands."""

PLACED, PLACED_SHARE = 0.3, 0.1
"""Share of the last half second in which the lines gave at the free speed what they give in cuts, though
another speed was followed: what is lost then is that other one, a half or a multiple, and the spindle turns.
And the share that one hop counts."""

TURNED_S = 1.0
"""Lines that go so soon after the microphone was turned down have gone by that."""

FAINT, FADES_DB, GAINS_DB = 5.0, 1.5, 3.0
"""Where the lines are expected to give less than so many nats a hop, the cuts of some machines hide them for
most of a second. A spindle that stands cuts nothing, and one that coasts cuts less: the sound of the cut has
fallen by so much, a third of its power, before they count as gone. Or it has gained so much, twice its power,
over its mean and over what it was when its lines were last in their places: a drill that jams gets louder
until its spindle stands, and that is not the cut which hid its lines before. (Its point enters for seconds,
and the mean follows late: what got louder with its lines heard has not jammed.) Nor has what is as loud as
the cuts before were: of a cut that wavers, faint lines are heard in its quieter moments only. But chance has
its limit: lines that are gone by ten thousand to one, over what they came to in good cuts, and a track that
is away by ten to one, are no chance. A spindle without power cuts on as loud as ever."""

CUTS_HOPS, CUTS_SHARE = 20, 0.3
"""So long a cut, of all its hops, tells how loud cuts are; and the share of a new one in that."""

SOUND_SHARE, USUAL_SHARE = 0.25, 0.05
"""Of a hop in the present level, and in that of the cut under way with its lines in their places."""

GONE_HOPS = 5
"""So many hops in which the lines are missed: more than a frame that still holds them."""

LOUDER_DB, LOUDER_DB_S = 6.0, 30.0
"""The lines were heard in this very cut: where it is louder now by no more than this, they are not drowned
but gone. The feed goes on, so that chips thicken as the spindle slows, and lines that sweep down raise the
floor. What gets louder faster, in dB a second, is another sound: a cut gains its 6 dB over some turns."""

AWAY, HOME, SHARE, COASTS, COASTS_S = 0.1, 0.1, 0.35, 0.3, 1.25
"""The spindle is not at its speed, give or take this much, where the chance of that is less than ``HOME``;
each such hop counts by this share of the evidence that it gives: frames overlap by half, lines fade in rooms.
A speed far off that does not fall, per second, speaks against it: other tones are followed, of a voice or
another machine, or the ear has slipped. A jam stops a spindle within tenths of a second, and without power it
has lost half of its speed in about one: what takes longer is an ear that has lost it."""

RISES, RISES_HOPS = 0.05, 3
"""A spindle that was heard over its free speed by this share, having gained as much a second for so many hops
on end, is sent to another speed: what jams slows, and what is relieved comes back to its free speed. Then the
lines leave their places upwards, and for `COASTS_S` they may be missed as the ear follows them. What glides
elsewhere brings none of its lines. Nor does what is found up there with its lines stand, however it came, for
`GONE_HOPS`: the step to the speed of the next tool may take less than a frame."""

JAM_DB, DIES_DB, DIES_S, DIES_HOPS, DIES_NATS = 6.0, 3.0, 0.5, 3, 2.5
"""A drill that jams is so much louder than it was, four times the power, until its spindle stands; then all
of it dies away, within so long under half the power of the cut before. That says as much as lines that are
missed by ten to one: of them less is asked, in so many hops at least, and for no longer than a spindle
coasts, as what is as loud for longer is another sound. (Where that has ended, and the drill had left
meanwhile, the lines are back in their places.)"""

JAM_SDS, DIES_SDS, SCATTER_SHARE, SCATTER_HOPS = 3.0, 2.0, 0.02, 2
"""Or so many deviations of a hop of this machine's cuts, where that is more: chips that crackle change the
level of 0.1 s by 2 or 3 dB by chance, and one hop four times as loud and another half as loud in half a
second are no jam then. The share of a hop in that, which is of levels so many hops apart, whose frames share
no sound: the level of a cut itself changes more slowly."""

SILENT_NATS, ELSEWHERE = math.log(100), 0.5
"""Or the lines themselves say a hundred to one while the sound dies away: with the ten to one of the sound, a
thousand to one, as elsewhere (`monitor.faults.departure`). The track, which follows late, has the spindle
elsewhere by then, likelier than not; what speed it finds in the noise matters not."""

LEFT_HOPS, LEFT_NATS, SURE_GAP_S = 6, math.log(100), 0.16
"""So many hops running not at its speed, ten to one by the distribution of the speed. That is one odds, not
one a hop: the distribution sums up the hops before, and in the noise of a cut the track goes astray for as
long. So the lines, drowned by the cut, have to be missed by a hundred to one too. It was at its speed, and
surely cutting, for as many hops before, with gaps no longer than this."""

BEATS_AT = (0.92, 0.96, 1.0)
"""Shares of the free speed at which a cut that goes on beats, less than a window's width apart: its lines may
be drowned for half a second, and the track astray, but what stands, or coasts, beats there no more."""

FELL_NATS = 2.0
"""Less is enough while the spindle was told to sag by the hold limit, no longer ago than it coasts: it has
left its speed then anyhow, and what is asked is only whether it has come back."""


@dataclass(slots=True)
class StallRule:
    """One `step` a hop; finds until the spindle is heard turning again."""

    _last_heard_s: float = -math.inf
    _support: float = 1.0
    _fell_s: float = -math.inf
    _worked_s: float = 0.0
    _was_at_work: bool = False
    _sure_s: float = -math.inf
    _sure_hops: int = 0
    _cut_db: float = 0.0
    _quiet_hops: int = 0
    _away: float = 0.0
    _away_hops: int = 0
    _rising_hops: int = 0
    _rose_s: float = -math.inf
    _faster_s: float = -math.inf
    _free_hops: int = 0
    _sound_db: float = 0.0
    _usual_db: float = math.nan
    _placed_db: float = -math.inf
    _cut_hops: int = 0
    _cut_mean_db: float = 0.0
    _cuts_db: float = -math.inf
    _scatter: float = 0.0  # variance of a hop's level in cuts, dB^2
    _levels_db: list[float] = field(default_factory=list)
    _gone_hops: int = 0
    _stands_s: float = -math.inf
    _turned_s: float = -math.inf
    _placed: float = 0.0
    _loud_s: float = -math.inf
    _missed: float = 0.0
    _missed_hops: int = 0
    _there_s: float = -math.inf
    _gone: float = 0.0
    _sagged_s: float = -math.inf
    _at_work_s: float = -math.inf
    _freed_s: float = -math.inf
    _stalled: bool = False

    def step(
        self,
        hop: Hop,
        rotation: Rotation,
        work: Work,
        sagging: bool,
        left: bool = False,
        in_place: bool = False,
        at_work_s: float = math.inf,
        weak: bool = True,
        turned: bool = False,
        says: float = 0.0,
        surely: bool = False,
    ) -> Finding | None:
        """Finding while the spindle stands in the cut.

        ``sagging``: `SagRule` finds a hold now; ``left``: the lines are gone from the free speed;
        ``in_place``: they give there what they give in cuts; ``at_work_s``: until when they did so in a cut
        under way; ``weak``: they give less there; ``turned``: the microphone was turned down in the cut;
        ``says``: log odds that it has left, by the lines of this hop; ``surely``: they are gone by as much as
        those of a spindle that stands (`monitor.faults.departure`).
        """
        collapsed = False
        if at_work_s == -math.inf < self._at_work_s:
            self._freed_s = hop.t
        self._at_work_s = at_work_s
        self._placed += PLACED_SHARE * (in_place - self._placed)
        self._support += (hop.support - self._support) / IN_PLACE_HOPS
        if sagging:
            self._sagged_s = hop.t
        if hop.heard and rotation.state is TURNING:
            in_place = self._support >= IN_PLACE
            if FALLING <= rotation.sag <= COLLAPSE:
                self._fell_s = hop.t
            fell = self._stalled or hop.t - self._fell_s <= FALLING_S
            collapsed = sagging and in_place and fell and rotation.sag > COLLAPSE
            self._last_heard_s, self._stalled = hop.t, collapsed
            # what goes on after its peck should be over is another sound, as the program stops the spindle
            at_work = (work.working or (work.loaded and in_place)) and work.contact_s == work.contact_s
            # a peck whose time is over as its drill jams was one all the same
            fallen = self._was_at_work and rotation.sag > AWAY
            if hop.support >= IN_PLACE and rotation.sag == rotation.sag and not fallen:
                self._worked_s = hop.t - work.contact_s if at_work else 0.0
                most_db = self._cut_db + LOUDER_DB_S * hop.step_s if self._worked_s > AT_WORK_S else math.inf
                self._cut_db = hop.over_db if hop.over_db < most_db else most_db
                sure = work.sure and rotation.settled and self._worked_s >= AT_WORK_S
                # what is so loud is another sound, which drowns lines more than its floor tells
                sure = sure and at_work_s > -math.inf and work.strength <= LOUDEST
                self._sure_hops = (
                    self._sure_hops + 1 if sure and hop.t - self._sure_s < SURE_GAP_S else int(sure)
                )
                self._sure_s = hop.t if sure else -math.inf
            loaded = (work.loaded and in_place) or self._worked_s >= AT_WORK_S
            # a speed heard without its lines is a slip of the ear
            if hop.support >= IN_PLACE or at_work or self._worked_s < AT_WORK_S:
                self._was_at_work = fallen or (at_work and loaded)
            self._stands_s = -math.inf
        # asked of a spindle that was at work: a free one is known, and its reference is another at each hop
        free = at_work_s > -math.inf and hop.heard and not work.cutting
        free = free and self._home(hop, rotation.reference_hz) > 1 - HOME
        self._free_hops = self._free_hops + 1 if free else 0
        if at_work_s == -math.inf or self._free_hops >= LEFT_HOPS:
            self._sure_s = -math.inf  # it was heard to run free since
        lately = hop.t - self._last_heard_s <= LATELY_S
        rises = hop.heard and hop.support >= IN_PLACE and hop.rate_hz_s > RISES * rotation.reference_hz
        self._rising_hops = self._rising_hops + 1 if rises else 0
        faster = hop.heard and hop.spindle_hz > (1 + RISES) * rotation.reference_hz
        if self._rising_hops >= RISES_HOPS and faster:
            self._rose_s = hop.t
        if faster and hop.support >= IN_PLACE:
            self._faster_s = hop.t
        # a microphone that is turned down takes of the lines what it takes of the floor, and not all of them
        self._gone_hops = self._gone_hops + 1 if hop.support < 0 else 0
        turned = turned and self._gone_hops < GONE_HOPS
        self._turned_s = (
            self._turned_s if turned and self._turned_s > -math.inf else hop.t if turned else -math.inf
        )
        # what was never surely a cut of the spindle at its speed may be strokes and tones of another machine,
        # under which it was switched off long before these end
        vanished = rotation.vanished and self._placed < PLACED and at_work_s > -math.inf
        if vanished and self._was_at_work and lately and hop.t - self._turned_s > TURNED_S:
            self._stands_s = hop.t
        if hop.t - self._stands_s <= FALLS_S:
            self._stalled = self._stalled or hop.over_db <= max(self._cut_db - FALLS_DB, IDLE_DB)
        away = surely and self._home(hop, rotation.reference_hz) < HOME
        goes_on = self._goes_on(hop, rotation, work) and not away
        left = left and not goes_on
        missed = left or self._stands_in_peck(hop, rotation, work, in_place, weak, turned, goes_on)
        missed = self._dies_away(hop, rotation, work, in_place, weak, turned, says) or missed
        rose = hop.t - self._rose_s <= COASTS_S or hop.t - self._faster_s < (GONE_HOPS - 0.5) * hop.step_s
        self._stalled = self._stalled or (missed and not rose)
        if not self._stalled:
            return None
        value = 100 * rotation.sag if collapsed else 100.0
        message = (
            "The spindle has stalled in the cut: its sound is gone, and the microphone still hears the room. "
            "Stop the spindle drive before clearing the drill; it may start turning when freed."
        )
        onset = self._last_heard_s
        return Finding(Kind.STALL, Severity.HOLD, message, value, 100 * COLLAPSE, "%", onset)

    def _goes_on(self, hop: Hop, rotation: Rotation, work: Work) -> bool:
        """Whether the cut is as loud as ever, and its lines so faint that they are missed by chance."""
        self._sound_db += SOUND_SHARE * (hop.over_db - self._sound_db)
        self._follow_cuts(hop, work)
        if not work.cutting:
            self._usual_db, self._placed_db = math.nan, -math.inf
        elif hop.heard and work.sure and hop.support >= IN_PLACE:
            first = self._usual_db != self._usual_db
            self._usual_db += USUAL_SHARE * (hop.over_db - self._usual_db)
            self._usual_db = self._sound_db if first else self._usual_db
            if not rotation.sag > AWAY:
                self._placed_db = self._sound_db
        louder_db = self._sound_db - max(self._usual_db, self._placed_db, self._cuts_db)
        stays = self._sound_db - self._usual_db > -FADES_DB and louder_db < GAINS_DB
        silent = hop.over_db < self._usual_db - FALLS_DB  # what is cut no more is silent at once
        return hop.audible < FAINT and stays and not silent

    def _follow_cuts(self, hop: Hop, work: Work) -> None:
        """How loud the cuts are in which the spindle turned on, but for what another sound covers."""
        if work.cutting:
            if work.strength <= LOUDEST:
                self._levels_db.append(hop.over_db)
                if len(self._levels_db) > SCATTER_HOPS:
                    change_db = min(abs(hop.over_db - self._levels_db.pop(0)), JAM_DB)  # a jam is no scatter
                    self._scatter += SCATTER_SHARE * (change_db * change_db / 2 - self._scatter)
                self._cut_hops += 1
                self._cut_mean_db += (hop.over_db - self._cut_mean_db) / self._cut_hops
            return
        self._levels_db.clear()
        if self._cut_hops >= CUTS_HOPS and not self._stalled:
            share = CUTS_SHARE if self._cuts_db > -math.inf else 1.0
            before_db = self._cuts_db if share < 1 else 0.0
            self._cuts_db = before_db + share * (self._cut_mean_db - before_db)
        self._cut_hops, self._cut_mean_db = 0, 0.0

    def _dies_away(
        self, hop: Hop, rotation: Rotation, work: Work, in_place: bool, weak: bool, turned: bool, says: float
    ) -> bool:
        """Whether a cut that had got loud falls silent, and the lines are missed since it was loud."""
        home = self._home(hop, rotation.reference_hz)
        at_home = not weak or home >= HOME
        at_work = work.working and self._was_at_work and not (hop.deaf or turned)
        # it was heard to run free since that contact: what gets loud and dies away then is another sound,
        # under which the program may switch it off
        at_work = at_work and not (self._at_work_s == -math.inf and self._freed_s > work.contact_s)
        if in_place or at_home or hop.heard or not at_work:
            self._missed, self._missed_hops = 0.0, 0
            # a speed far off, found in the noise, is no sign of them; and another sound may cover them, so
            # that chance gives as much
            if at_home and work.strength <= LOUDEST and rotation.state is not MASKED:
                self._there_s = hop.t
        else:
            self._missed += SHARE * hop.audible
            self._missed_hops += 1
        gone = self._gone + says if at_work else 0.0
        self._gone = gone if gone > 0 else 0.0
        scatter_db = math.sqrt(self._scatter)
        if hop.over_db >= self._usual_db + max(JAM_DB, JAM_SDS * scatter_db):
            self._loud_s, self._gone = hop.t, 0.0  # what is drowned by that is not missed
        died_db = self._usual_db - max(DIES_DB, DIES_SDS * scatter_db)
        silent = hop.over_db <= died_db and hop.t - self._loud_s <= DIES_S
        lately = hop.t - self._there_s <= COASTS_S
        missed = self._missed_hops >= DIES_HOPS and self._missed >= DIES_NATS
        missed = missed or (self._gone >= SILENT_NATS and home < ELSEWHERE)
        return silent and lately and missed

    def _stands_in_peck(
        self,
        hop: Hop,
        rotation: Rotation,
        work: Work,
        in_place: bool,
        weak: bool,
        turned: bool,
        goes_on: bool,
    ) -> bool:
        """Whether the lines have gone from a peck under way: then it matters not what else is heard."""
        if hop.t - self._sure_s > LATELY_S or hop.deaf or turned:
            return False
        # a speed that is heard without its lines is what the track still has; and lines in their places are
        # of a spindle that turns, however unsure the track: how loud it is alone is known less well
        lines = (hop.heard or in_place) and hop.support >= IN_PLACE
        quiet = not lines and hop.over_db <= work.alone_db - QUIETER_DB
        self._quiet_hops = self._quiet_hops + 1 if quiet else 0
        steady = hop.heard and hop.rate_hz_s > -COASTS * rotation.reference_hz
        home = self._home(hop, rotation.reference_hz) >= HOME
        if in_place or rotation.sag == rotation.sag or steady or home:
            self._away, self._away_hops = 0.0, 0
        elif not hop.heard and hop.over_db <= self._cut_db + LOUDER_DB:
            if weak:
                self._away += SHARE * hop.audible
                self._away_hops += 1
            else:
                self._away = max(self._away - SHARE * hop.audible, 0.0)
                self._away_hops = max(self._away_hops - 1, 0)
        enough = FELL_NATS if hop.t - self._sagged_s <= COASTS_S else LEFT_NATS
        left = self._away_hops >= LEFT_HOPS <= self._sure_hops and self._away >= enough
        gone = (self._away >= GONE_NATS or left) and hop.t - self._sure_s <= COASTS_S
        gone = gone and not goes_on and not self._beats(hop, rotation.reference_hz)
        return gone or self._quiet_hops >= QUIET_HOPS

    @staticmethod
    def _beats(hop: Hop, reference_hz: float) -> bool:
        """Whether the cut goes on beating as the lips of a spindle at its speed come round."""
        return max(hop.beat_at(share * reference_hz) for share in BEATS_AT) >= BEAT_TELLS

    @staticmethod
    def _home(hop: Hop, reference_hz: float) -> float:
        """Chance that it is at its speed."""
        return hop.probability_between((1 - AWAY) * reference_hz, (1 + AWAY) * reference_hz)
