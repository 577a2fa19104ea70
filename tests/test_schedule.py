"""The cycle learned from the blanks heard, and how it differs from the job file."""

import math

import pytest

from monitor.schedule import AGREED, BLANKS, HeardPeck, Schedule, difference, same

RATE_MM_S = 2.0


def blank(*lengths_mm, gap_s=1.0):
    """Pecks of these lengths at `RATE_MM_S`."""
    return [HeardPeck(mm, gap_s if k else math.nan, mm / RATE_MM_S) for k, mm in enumerate(lengths_mm)]


def test_before_a_blank_was_heard_the_job_is_expected():
    schedule = Schedule((8.0, 5.0, 2.0))
    assert not schedule.learned
    assert (schedule.count, schedule.depth_mm) == (3, 15.0)
    assert [schedule.length_mm(k) for k in range(4)] == [8.0, 5.0, 2.0, 2.0]
    assert schedule.follows(blank(8.2, 4.8))
    assert not schedule.follows(blank(8.0, 7.0))
    assert not schedule.follows(blank(8.0, 5.0, 2.0, 2.0))


def test_a_first_peck_may_be_heard_late_by_the_height_of_the_point():
    """It enters the face little by little; later pecks meet a bottom of the drill's own shape."""
    schedule = Schedule((8.0, 5.0), point_mm=2.0)
    assert schedule.follows(blank(5.8))
    assert not schedule.follows(blank(4.0))
    assert not schedule.follows(blank(8.0, 3.0))
    assert not schedule.follows(blank(10.0))


def test_then_what_was_heard_is():
    schedule = Schedule((8.0, 5.0, 2.0))
    schedule.learn(blank(6.0, 3.0, gap_s=0.9))
    schedule.learn(blank(6.1, 3.1, gap_s=1.1))
    assert (schedule.count, schedule.blanks) == (2, 2)
    assert schedule.length_mm(0) == pytest.approx(6.05)
    assert schedule.gaps[1].middle == pytest.approx(1.1)  # what is misheard is cut short
    assert schedule.gaps[1].spread == pytest.approx(1.48 * 0.1)


def test_a_blank_that_was_misheard_is_outvoted_and_a_new_program_is_followed():
    schedule = Schedule((8.0,))
    for _ in range(3):
        schedule.learn(blank(6.0, 3.0))
    schedule.learn(blank(6.0, 9.0, 3.0))
    assert schedule.count == 2
    for _ in range(BLANKS):
        schedule.learn(blank(4.0, 4.0, 4.0))
    assert [length.middle for length in schedule.lengths] == [4.0, 4.0, 4.0]


def test_an_empty_blank_teaches_nothing():
    schedule = Schedule((8.0,))
    schedule.learn([])
    assert not schedule.learned


def test_short_pecks_are_alike_within_what_can_be_dated():
    assert same(HeardPeck(0.8, 1.0, 0.4), 1.0)
    assert not same(HeardPeck(8.0, 1.0, 4.0), 10.0)


@pytest.mark.parametrize(
    ("heard", "said"),
    [
        ((6.0, 6.1, 5.9), ""),
        ((8.0, 8.0, 8.0), "Every peck takes 33% longer than the job's feed says: is the feed overridden?"),
        (
            (6.0, 8.0, 6.0),
            "The program pecks 8 mm where the job says 6 mm (peck 2). "
            "Depths follow what is heard; mend the job file.",
        ),
        (
            (8.0, 8.1, 2.0, 1.0),
            "The program pecks 8.1 mm where the job says 6 mm (peck 2), 4 pecks to a hole where the job "
            "says 3. Depths follow what is heard; mend the job file.",
        ),
        (
            (6.0, 6.0),
            "The program makes 2 pecks to a hole where the job says 3. "
            "Depths follow what is heard; mend the job file.",
        ),
    ],
)  # fmt: skip
def test_a_difference_from_the_job_is_said_in_a_sentence(heard, said):
    assert difference((6.0, 6.0, 6.0), blank(*heard), "mm") == said


def test_inches_are_given_back_in_inches():
    assert "0.35 in where the job says 0.25 in" in difference((6.35, 6.35), blank(8.89, 6.35), "in")


def test_pecks_keep_step_though_each_is_misdated_but_not_where_one_was_missed():
    schedule = Schedule((4.0, 1.0, 1.0, 1.0, 1.0))
    assert schedule.keeps_step(blank(4.0, 1.3, 0.8, 1.2))
    assert not schedule.keeps_step(blank(4.0, 1.3, 1.0 + 1.0))  # two run together
    assert not schedule.keeps_step(blank(4.0, 0.5, 0.5, 1.0))  # one made two
    assert not schedule.keeps_step(blank(4.0, 1.0, 1.0, 1.0, 1.0, 1.0))


def timed(*edges_s, early_s=(), late_s=()):
    """Pecks from when each begins and ends; ``early_s`` and ``late_s`` by their number."""
    begins, ends = edges_s[::2], edges_s[1::2]
    early, late = dict(early_s), dict(late_s)
    return [
        HeardPeck(
            2 * (end - begin), begin - ends[k - 1] if k else math.nan, end - begin,
            early_s=early.get(k, 0.0), late_s=late.get(k, 0.0),
        )
        for k, (begin, end) in enumerate(zip(begins, ends, strict=True))
    ]  # fmt: skip


CYCLE_S = (0.0, 4.0, 5.0, 7.5, 8.6, 10.6)
JOB_MM = (8.0, 5.0, 4.0)
OTHER_MM = (16.0, 6.0, 8.0)


def test_times_of_a_blank_that_is_as_the_job_says_are_known():
    schedule = Schedule(JOB_MM)
    schedule.learn(timed(*CYCLE_S))
    assert schedule.contacts_s == pytest.approx([0.0, 5.0, 8.6])
    assert schedule.retracts_s == pytest.approx([4.0, 7.5, 10.6])


def test_times_of_another_blank_are_known_when_two_agree():
    schedule = Schedule(OTHER_MM)
    schedule.learn(timed(*CYCLE_S))
    assert schedule.retracts_s == []
    schedule.learn(timed(*CYCLE_S))
    assert schedule.retracts_s == pytest.approx([4.0, 7.5, 10.6])


def test_one_peck_that_was_misheard_does_not_shift_those_after_it():
    schedule = Schedule(JOB_MM)
    for misheard in (CYCLE_S, (0.0, 4.0, 4.4, 8.3, 8.6, 10.6), CYCLE_S):
        schedule.learn(timed(*misheard))
    assert schedule.contacts_s == pytest.approx([0.0, 5.0, 8.6])
    assert schedule.retracts_s == pytest.approx([4.0, 7.5, 10.6])


def test_what_was_reckoned_too_short_is_learned_as_it_sounded():
    schedule = Schedule(OTHER_MM)
    short = (0.0, 4.0, 5.0, 6.5, 8.6, 10.6)
    schedule.learn(timed(*short))
    schedule.learn(timed(*short))
    for _ in range(3):
        schedule.learn(timed(*short, late_s=((1, 1.0),)))
    assert schedule.retracts_s == pytest.approx([4.0, 7.5, 10.6])


def test_times_that_do_not_agree_tell_nothing():
    schedule = Schedule(OTHER_MM)
    for off in (0.0, 0.4, 0.9, 1.5):
        schedule.learn(timed(0.0, 4.0 + off, 5.0 + 2 * off, 7.5 + off, 8.6 + 3 * off, 10.6 + off))
    assert schedule.retracts_s == []


def test_a_blank_whose_first_and_last_peck_are_heard_short_is_as_the_job_says():
    """By the height of the point, which goes in and comes out little by little."""
    schedule = Schedule((6.0, 4.0, 4.0), point_mm=2.0)
    schedule.learn(blank(4.5, 4.0, 2.5))
    assert schedule.as_job
    assert [schedule.planned_mm(k) for k in range(3)] == [6.0, 4.0, 4.0]
    for other in ((4.5, 2.5, 4.0), (3.0, 4.0, 4.0), (4.5, 6.0, 4.0)):
        schedule = Schedule((6.0, 4.0, 4.0), point_mm=2.0)
        schedule.learn(blank(*other))
        assert not schedule.as_job


def test_a_program_is_known_once_as_the_job_says_else_when_it_was_heard_again():
    for job_mm, known in (
        (JOB_MM, [True] * 3),
        (OTHER_MM, [False, True, True]),
        ((9.0,), [False] * 2 + [True]),
    ):
        schedule = Schedule(job_mm)
        assert not schedule.known
        for now in known:
            schedule.learn(timed(*CYCLE_S))
            assert schedule.known is now


def test_the_jobs_pecks_laid_over_what_may_be_other_sound_prove_nothing_of_themselves():
    schedule = Schedule(JOB_MM)
    schedule.learn(timed(*CYCLE_S), supposed=True)
    schedule.learn(timed(*CYCLE_S), supposed=True)  # two in what was taken for one
    assert schedule.learned
    assert not schedule.known
    schedule.learn(timed(*CYCLE_S))
    assert schedule.known
    schedule.learn(timed(*CYCLE_S), supposed=True)  # a later one takes nothing away
    assert schedule.known


def test_a_doubted_program_is_known_again_by_the_next_blank_unless_many_told_it():
    for blanks, known in ((1, False), (AGREED, True)):
        schedule = Schedule(JOB_MM)
        for _ in range(blanks):
            schedule.learn(timed(*CYCLE_S))
        schedule.doubt()
        assert schedule.known is known
        schedule.learn(timed(*CYCLE_S))
        assert schedule.known


def test_a_program_is_known_at_once_where_each_of_its_pecks_was_heard_as_long_as_the_job_says_or_longer():
    """An axis, or air, sounds on after each for a moment; other lengths may be other sounds."""
    for longer, known in ((1.3, True), (0.7, False)):
        schedule = Schedule(tuple(peck.length_mm / longer for peck in timed(*CYCLE_S)))
        schedule.learn(timed(*CYCLE_S))
        assert not schedule.as_job
        assert schedule.known is known


@pytest.mark.parametrize(
    ("gaps_s", "known"),
    [((3.9, 1.2, 0.6), False), ((0.9, 1.1, 1.4), True), ((1.3, 1.1, 1.1), True)],
    ids=["an axis", "out of deeper holes", "as dated"],
)
def test_what_comes_back_sooner_from_deeper_in_was_no_peck(gaps_s, known):
    """Each piece of an axis' way sounded like a peck longer than the job's, with the drill out of it."""
    schedule = Schedule((16.0, 15.0, 8.0, 8.0))
    pecks = blank(17.0, 15.5, 16.0, 14.0)
    schedule.learn([peck._replace(gap_s=s) for peck, s in zip(pecks, (math.nan, *gaps_s), strict=True)])
    assert not schedule.as_job
    assert schedule.known is known


def test_when_a_first_contact_comes_is_known_roughly_after_one_blank():
    schedule = Schedule(JOB_MM)
    assert schedule.lead(True) is None
    schedule.leads_s[True].append(3.0)
    once = schedule.lead(True)
    schedule.leads_s[True].append(3.1)
    again = schedule.lead(True)
    assert once.middle_s == 3.0
    assert again.sd_s < once.sd_s
    schedule.leads_s[True].extend([6.0, 9.0, 14.0])  # a person starts it
    assert schedule.lead(True) is None


def test_a_gap_beside_a_peck_that_outlasts_the_jobs_may_be_longer():
    """Another sound came before the second contact; or the axis is heard there, which another may drown."""
    schedule = Schedule((8.0, 5.0, 5.0))
    hidden = blank(8.0, 7.0, 5.0)
    schedule.learn(hidden)
    assert schedule.hidden_s(RATE_MM_S) == pytest.approx([1.0, 1.0])
    schedule.learn(hidden)
    assert schedule.hidden_s(RATE_MM_S) == pytest.approx([1.0, 1.0])
    whole = Schedule((8.0, 5.0, 5.0))
    whole.learn(blank(8.0, 5.1, 4.9))
    assert whole.hidden_s(RATE_MM_S) == [0.0, 0.0]
    slow = Schedule((8.0, 5.0, 5.0))
    for _ in range(3):
        slow.learn(blank(10.0, 6.25, 6.25))  # the feed is turned down to 80 %
    assert slow.hidden_s(RATE_MM_S) == [0.0, 0.0]


def test_of_two_lengths_of_a_peck_the_jobs_is_the_programs():
    """A compressor went on after one in the first blank: it was learned as twice as long as it is, and the
    mean of that and the truth made each that followed seem to break off."""
    schedule = Schedule((8.0, 5.0, 4.0))
    schedule.learn(blank(8.0, 5.0, 8.0))
    assert not schedule.falls_short(blank(4.0)[0], 2)
    assert schedule.falls_short(blank(3.0)[0], 2)
    schedule.learn(blank(8.0, 5.0, 4.0))
    assert [schedule.length_mm(k) for k in range(3)] == [8.0, 5.0, 4.0]
    assert schedule.seconds[2] == pytest.approx(4.0 / RATE_MM_S)


def test_a_peck_that_the_job_knows_nothing_of_has_the_mean_of_two_lengths():
    schedule = Schedule((8.0, 5.0))
    schedule.learn(blank(8.0, 5.0, 8.0))
    schedule.learn(blank(8.0, 5.0, 4.0))
    assert schedule.length_mm(2) == 6.0
