"""Pecks dated once the blank is over: the program laid over what was heard."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.dating import MISHEARD_SD_S, Program, Sound, Span, about, anything

HOP_S = 0.05
CUT, IDLE = 3.0, -3.0


def heard(pecks, seconds, others=(), cut_db=8.0, faint=()):
    """Sound of a stretch of time: pecks, and other sounds (from, to, level over idle)."""
    t = np.arange(round(seconds / HOP_S)) * HOP_S
    power, evidence = np.ones(t.size), np.full(t.size, IDLE)
    for start_s, end_s in pecks:
        within = (t >= start_s) & (t < end_s)
        power[within] += 10 ** (cut_db / 10) - 1
        evidence[within] = CUT
    for start_s, end_s in faint:
        within = (t >= start_s) & (t < end_s)
        power[within], evidence[within] = 1.0, IDLE
    for start_s, end_s, level_db in others:
        within = (t >= start_s) & (t < end_s)
        power[within] += 10 ** (level_db / 10)
        evidence[within] = CUT
    level = 10 * np.log10(power) + 0.3 * np.random.default_rng(0).standard_normal(t.size)
    return Sound(evidence, level, 0.0, HOP_S, cut_db)


def program(lengths=(3.0, 2.0, 2.0), gaps=(1.0, 1.2), **changes):
    return Program(tuple(about(s, 0.1) for s in lengths), tuple(about(s, 0.1) for s in gaps), 0.0, **changes)


PECKS = [(5.0, 8.0), (9.0, 11.0), (12.2, 14.2)]


def agrees(laid, pecks, within_s=0.15):
    np.testing.assert_allclose(np.array(laid), np.array(pecks), atol=within_s)


def test_pecks_that_are_heard_stay_where_they_are():
    _, (laid,) = heard(PECKS, 18.0).lay(program())
    agrees(laid, PECKS, HOP_S)


def test_the_best_is_the_best_of_all():
    """Against every way to lay two pecks over three seconds."""
    sound = heard([(0.5, 1.2), (1.7, 2.2)], 3.0, others=[(1.0, 1.6, 3.0)])
    known = Program((about(0.7, 0.05), about(0.5, 0.05)), (anything(0.25, 0.6),), 0.0)
    nats, (laid,) = sound.lay(known)

    def score(a, b, c, d):
        told = sound._begins[a] + sound._ends[b] + sound._begins[c] + sound._ends[d]
        told -= sound._silent[b] - sound._silent[a] + sound._silent[d] - sound._silent[c]
        told -= sound._sound[a] + sound._sound[c] - sound._sound[b] + sound._sound[-1] - sound._sound[d]
        told += 2 * math.log(3.5 * HOP_S / 10.0)  # when it begins, and the gap, within ten seconds
        for hops, middle_s in ((b - a, 0.7), (d - c, 0.5)):
            z = (hops * HOP_S - middle_s) / 0.05
            told += math.log(3.5 * HOP_S / (math.sqrt(2 * math.pi) * 0.05)) - z * z / 2
        return told

    n = sound.n
    every = (
        (a, a + p, a + p + g, a + p + g + q)
        for a, p, g, q in itertools.product(range(n), range(10, 19), range(5, 13), range(6, 15))
        if a + p + g + q < n
    )
    best = max(every, key=lambda places: score(*places))
    assert nats == pytest.approx(score(*best))
    agrees(laid, [(best[0] * HOP_S, best[1] * HOP_S), (best[2] * HOP_S, best[3] * HOP_S)], 1e-9)


def test_a_program_that_is_known_dates_what_another_sound_hides():
    sound = heard(PECKS, 18.0, others=[(7.0, 16.0, 20.0)])
    nats, (laid,) = sound.lay(program())
    agrees(laid, PECKS, 0.2)
    assert nats > sound.as_heard([Span(5.0, 16.0)], 2.3)


def test_gaps_that_are_not_known_are_found_in_steady_sound():
    """The first blank, a vacuum cleaner as loud as half the cut throughout: the steps of the level tell."""
    sound = heard(PECKS, 18.0, others=[(5.5, 16.0, 4.0)])
    first = program(gaps=(), longest_gap_s=6.0, gap_grows=0.1)
    nats, (laid,) = sound.lay(first)
    agrees(laid, PECKS, 0.2)
    assert nats > sound.as_heard([Span(5.0, 16.0)], 2.3)


def test_a_drill_that_enters_unheard_has_been_in_for_as_long_as_its_peck_takes():
    _, (laid,) = heard(PECKS, 18.0, faint=[(5.0, 6.4)]).lay(replace(program(), enters_s=1.5))
    agrees(laid, PECKS, 0.25)


def test_a_program_unlike_the_job_is_dated_as_it_was_heard():
    other = [Span(5.0, 9.0), Span(10.0, 14.0)]
    sound = heard(other, 18.0)
    nats, _ = sound.lay(program())
    assert sound.as_heard(other, 2.3) > nats


def test_two_blanks_run_together_by_another_sound_are_two():
    again = [(a + 20.0, b + 20.0) for a, b in PECKS]
    sound = heard([*PECKS, *again], 38.0, others=[(13.0, 26.0, 15.0)])
    one, _ = sound.lay(program())
    two, laid = sound.lay(program(), 2)
    three, _ = sound.lay(program(), 3)
    assert two > max(one, three)
    agrees([span for spans in laid for span in spans], [*PECKS, *again], 0.2)


def test_when_the_first_contact_comes_is_known_from_the_blanks_before():
    """All is drowned: only the time since the spindle's start tells."""
    sound = heard(PECKS, 30.0, others=[(1.0, 29.0, 30.0)])
    _, (laid,) = sound.lay(program(lead=about(4.0, 0.2), since_s=1.0))
    agrees(laid, PECKS, 0.25)


@pytest.mark.parametrize("out", [False, True])
def test_nothing_is_pecked_where_the_drill_surely_was_out(out):
    """Half of the first peck may enter unheard; but not at the speed of the centre drill, which cut there."""
    known = replace(program((2.0, 2.0, 2.0), (1.0, 1.0)), enters_s=1.0)
    sound = heard([(3.0, 4.0), (5.0, 7.0), (8.0, 10.0)], 10.5)
    evidence = sound._evidence.copy()
    if out:
        evidence[: round(4.2 / HOP_S)] = -math.inf
    _, (laid,) = Sound(evidence, sound._level_db, 0.0, HOP_S, 8.0).goes_on(10.0).lay(known)
    assert laid[0].start_s == pytest.approx(5.0 if out else 2.0, abs=0.2)


def test_a_program_that_does_not_fit_into_the_time_is_not_laid():
    nats, laid = heard([(1.0, 4.0)], 6.5).lay(program())
    assert (nats, laid) == (-math.inf, [])


def test_in_time_to_come_the_pecks_that_are_missing_find_their_place():
    sound = heard(PECKS[:2], 11.8)
    _, (laid,) = sound.goes_on(10.0).lay(program())
    agrees(laid, PECKS, 0.2)


@pytest.mark.parametrize("more", [1, 4])
def test_pecks_to_come_cost_what_their_times_are_worth(more):
    """Of all places in ten seconds each took one, a tenth wide, though nothing was heard of it."""
    few, sound = program(), heard(PECKS, 14.6).goes_on(60.0)
    many = program((3.0, 2.0, 2.0) + more * (2.0,), (1.0, 1.2) + more * (1.2,))
    costs = many.cost_nats(len(few.lengths), HOP_S)
    assert sound.lay(few)[0] - sound.lay(many)[0] == pytest.approx(costs, abs=0.05)
    assert few.cost_nats(len(few.lengths), HOP_S) == 0.0


def told(sound, known, end_s):
    """How much likelier, that nothing is cut after ``end_s``."""
    ends_nats, as_before, no_more = sound.broken_off(end_s)
    return no_more.goes_on(20.0).lay(known)[0] + ends_nats - as_before.goes_on(20.0).lay(known)[0]


def test_silence_where_a_peck_is_due_says_that_nothing_is_cut_any_more():
    known = program(lead=about(5.0, 0.2), since_s=0.0)
    before, early, late = (told(heard(PECKS[:2], s), known, 11.0) for s in (11.8, 12.4, 13.2))
    assert before < 6.0  # its end, and silence that has lasted no longer than a gap does
    assert before <= early < late
    assert late > 15.0


def test_silence_under_another_sound_says_nothing():
    known = program(lead=about(5.0, 0.2), since_s=0.0)
    sound = heard(PECKS[:2], 14.0, others=[(11.8, 14.0, 8.0)])
    assert told(sound, known, 11.0) < 6.0
    sound = heard(PECKS[:2], 14.0)
    sound._evidence[round(11.8 / HOP_S) :] = -1.0  # each hop tells a little, all the same way
    assert told(sound, known, 11.0) < 6.0


def test_silence_says_nothing_while_a_faint_cut_may_be_heard():
    """A third of a cut's rise over the quietest since the last cut; a blank that spins rubs less."""
    known = program(lead=about(5.0, 0.2), since_s=0.0)
    for rise_db, from_s, silent in ((3.2, 12.2, False), (1.6, 12.2, True), (3.2, 11.0, True)):
        sound = heard(PECKS[:2], 14.0)
        sound._level_db[round(from_s / HOP_S) :] += rise_db  # from the end of the last one on it is idling
        assert (told(sound.surely_silent(11.0, 9.0), known, 11.0) > 15.0) is silent
        assert told(sound, known, 11.0) > 15.0


def test_what_may_be_a_faint_cut_for_longer_than_any_is_another_sound():
    known = program(lead=about(5.0, 0.2), since_s=0.0)
    sound = heard(PECKS[:2], 14.0)
    sound._level_db[round(12.2 / HOP_S) :] += 3.2
    assert told(sound.surely_silent(11.0, 1.5), known, 11.0) > 15.0


def test_what_was_hardly_begun_does_not_stand_over_anything():
    sound = heard(PECKS[:2], 14.0)
    assert not sound.stands(13.9).any()
    assert sound.stands(13.9).size == 2


def test_a_gap_shorter_than_one_before_it_was_misheard():
    known = program(lengths=(3.0, 2.0, 2.0, 2.0), gaps=(1.0, 2.0, 0.4)).with_longest_gaps(0.0, [0.0] * 3)
    assert [gap.middle_s for gap in known.gaps] == [1.0, 2.0, 2.0]
    assert known.gaps[1].sd_s < known.gaps[2].sd_s == MISHEARD_SD_S
    nothing = [0.0] * len(program().gaps)
    assert {gap.sd_s for gap in program().with_longest_gaps(0.3, nothing).gaps} == {0.3}


def test_a_gap_may_be_longer_by_what_another_sound_hid_of_it_and_so_may_those_after_it():
    known = program(lengths=(3.0, 2.0, 2.0, 2.0), gaps=(1.0, 1.5, 2.5)).with_longest_gaps(
        0.0, [1.0, 0.0, 0.0]
    )
    assert [gap.middle_s for gap in known.gaps] == [2.0, 2.0, 2.5]


def test_a_peck_is_never_missed_as_a_whole_however_faint_its_ends_may_be():
    known = replace(program(), enters_s=5.0)
    nats, _ = heard(PECKS, 18.0).lay(known)
    missing, _ = heard(PECKS[:2], 18.0).lay(known)
    assert missing < nats - 10.0


def test_before_what_is_remembered_pecks_may_have_been_too():
    sound = heard([(0.4, 2.4), (3.6, 5.6)], 8.0)
    assert sound.goes_on(0.0).lay(program())[0] < sound.goes_on(0.0, before_s=6.0).lay(program())[0]
    _, (laid,) = sound.goes_on(0.0, before_s=6.0).lay(program())
    agrees(laid, [(-3.6, -0.6), (0.4, 2.4), (3.6, 5.6)], 0.2)


def test_a_gap_is_told_by_silence_or_by_steps_at_both_its_ends():
    between = Span(8.0, 9.0)
    assert heard(PECKS, 18.0).tells_gap(between)
    assert heard(PECKS, 18.0, others=[(0.5, 17.0, 3.0)]).tells_gap(between)
    assert not heard(PECKS, 18.0, others=[(0.5, 17.0, 12.0)]).tells_gap(between)
