"""Reading drilling programs: what moves, which hole, and that nothing is left out silently."""

import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from monitor.planning.program import read_program
from monitor.planning.program_holes import find_hole
from monitor.planning.program_state import Note, ProgramError, ReadingRules
from monitor.planning.program_words import read_blocks


def moves(text, **rules):
    """Kind and height of every step."""
    return [(step.kind, step.to_z) for step in read_program(text, ReadingRules(**rules)).steps]


def hole_of(text, **rules):
    """The hole of a program."""
    found = find_hole(read_program(text, ReadingRules(**rules)))
    assert found.hole is not None
    return found.hole


def remarks(text, note=None, **rules):
    """Line and text of the remarks of a kind."""
    found = find_hole(read_program(text, ReadingRules(**rules)))
    return [(remark.line, remark.text) for remark in found.remarks if note in (None, remark.note)]


HEAD = "G21 G90 G94\nT2 M6\nS900 M3\nG0 X0 Z10.\n"


def test_words_comments_numbers_and_letters_of_any_case():
    (block,) = read_blocks("/1 N10 g01 z-.5f3 (peck ; one) X+2. ; out (of")
    assert [word.text for word in block.words] == ["G01", "Z-.5", "F3", "X+2."]
    assert [word.point for word in block.words] == [False, True, False, True]
    assert (block.deletable, block.leftover, block.codes()) == (True, "", ["G1"])


@pytest.mark.parametrize(
    ("line", "leftover"),
    [
        ("G1 Z[#1+2]", "G1Z[#1+2]"),
        ("#100=3", "#100=3"),
        ("GOTO 10", "GOT"),  # O10 is a word, and the whole block is refused for the rest
        ("G1 Z1.2.3", ".3"),
        ("G1 Z", "Z"),
        ("G1 Z-", "Z-"),
        ("(open G1 Z3", "(OPEN"),
        (f"Z{'9' * 400}", f"Z{'9' * 400}"),
    ],
)
def test_what_is_no_word_is_left_over(line, leftover):
    (block,) = read_blocks(line)
    assert block.leftover == leftover


def test_plain_moves_are_pecks_where_the_drill_comes_out():
    drilled = hole_of(
        HEAD + "G0 Z2.\nG1 Z-20. F72.\nG0 Z2.\nG0 Z-19.5\nG1 Z-30.\nG0 Z2.\nZ-29.5\nG1 Z-36.\nG0 Z10.\nM30\n"
    )
    assert drilled.pecks_mm == pytest.approx((20.0, 10.0, 6.0))
    assert (drilled.retract_mm, drilled.approach_mm, drilled.clearance_mm) == pytest.approx((2.0, 0.5, 10.0))
    assert (drilled.rpm, drilled.feed_mm_per_rev) == (900.0, pytest.approx(0.08))
    assert drilled.lines == (6, 12)


def test_a_rise_within_the_hole_clears_no_chips():
    text = HEAD + "G0 Z2.\nG1 Z-10. F72.\nG0 Z-9.\nG1 Z-15.\nG0 Z-14.\nG1 Z-20.\nG0 Z10.\n"
    assert hole_of(text).pecks_mm == pytest.approx((20.0,))
    assert any("rises 2 times without leaving the hole" in said for _, said in remarks(text, Note.READ_AS))


def test_a_cycle_counts_its_first_peck_from_the_r_plane():
    drilled = hole_of(HEAD + "G99 G83 Z-20. R2. Q6. F72.\nG80\nG0 Z10.\nM30\n")
    assert drilled.pecks_mm == pytest.approx((4.0, 6.0, 6.0, 4.0))
    assert (drilled.retract_mm, drilled.clearance_mm, drilled.approach_mm) == (2.0, 10.0, None)


def test_a_cycle_whose_r_plane_lies_in_the_hole_never_clears_it():
    assert hole_of(HEAD + "G1 Z-3. F72.\nG99 G83 Z-20. R-2. Q6.\nG80\n").pecks_mm == pytest.approx((20.0,))


def test_cycles_in_one_go_and_chip_breaking_are_one_peck():
    assert hole_of(HEAD + "G81 Z-20. R2. F72.\nG80\n").pecks_mm == pytest.approx((20.0,))
    chip_breaking = HEAD + "G73 Z-20. R2. Q6. F72.\nG80\n"
    assert hole_of(chip_breaking).pecks_mm == pytest.approx((20.0,))
    assert any("breaks chips but stays" in said for _, said in remarks(chip_breaking))
    without_q = HEAD + "G83 Z-20. R2. F72.\nG80\n"
    assert hole_of(without_q).pecks_mm == pytest.approx((20.0,))
    assert any("without a Q above 0" in said for _, said in remarks(without_q))


def test_inches_and_both_feeds():
    text = "G20 G90 G95\nS800 M3\nG0 X0 Z1.\nG98 G83 Z-4.3 R.1 Q.25 F.003\nG80\n"
    drilled = hole_of(text)
    assert drilled.depth_mm == pytest.approx(4.3 * 25.4)
    assert drilled.feed_mm_per_rev == pytest.approx(0.003 * 25.4)
    assert drilled.pecks_mm[:2] == pytest.approx((0.15 * 25.4, 0.25 * 25.4))
    assert drilled.clearance_mm == pytest.approx(25.4)
    per_minute = text.replace("G95", "G94").replace("F.003", "F2.4")
    assert hole_of(per_minute).feed_mm_per_rev == pytest.approx(0.003 * 25.4)
    assert read_program(text).units == "in"


def test_codes_stay_in_force_and_increments_add_up():
    assert moves("G21 G91 G95 S900\nG0 X0. Z0.\nG90 Z2.\nG91\nG1 Z-5. F.1\nZ-5.\nG0 Z10.\n")[1:] == [
        ("rapid", 2.0), ("feed", -3.0), ("feed", -8.0), ("rapid", 2.0),
    ]  # fmt: skip


def test_a_cycle_goes_on_on_later_lines_with_what_was_said_before():
    text = HEAD + "G99 G83 Z-12. R2. Q7. F72.\nZ-19.\nG80\nG0 Z10.\n"
    assert [z for kind, z in moves(text) if kind == "feed"] == [-5.0, -12.0, -5.0, -12.0, -19.0]
    assert hole_of(text).pecks_mm == pytest.approx((5.0, 7.0, 7.0))


def test_the_centre_drill_and_the_drill_are_told_apart():
    text = (
        "G21 G90 G94\nT1 M6\nS2000 M3\nG0 X0. Z2.\nG1 Z-2. F60.\nG0 Z10.\n"
        + HEAD
        + "G83 Z-20. R2. Q8. F72.\n"
    )
    found = find_hole(read_program(text))
    assert (found.hole.tool, found.hole.rpm, found.hole.depth_mm) == ("T2", 900.0, pytest.approx(20.0))
    assert (found.centre.tool, found.centre.rpm) == ("T1", 2000.0)
    assert any("centre drilling, 2 mm deep" in remark.text for remark in found.remarks)
    pilot = text.replace("G1 Z-2.", "G1 Z-15.")
    found = find_hole(read_program(pilot))
    assert found.centre is None
    assert any("another drilling, 15 mm deep (line 5, T1)" in remark.text for remark in found.remarks)


def test_a_tool_made_ready_is_not_yet_in_the_spindle():
    ready = (
        HEAD + "G0 Z2.\nG1 Z-8. F72.\nG0 Z2.\nT3\nG0 Z-7.5\nG1 Z-16.\nG0 Z10.\nM6\nG0 Z2.\nG1 Z-3.\nG0 Z10.\n"
    )
    drilled = hole_of(ready)
    assert (drilled.tool, drilled.pecks_mm) == ("T2", pytest.approx((8.0, 8.0)))
    without_m6 = ready.replace("M6", "")
    assert hole_of(without_m6).tool == "T3"


def test_speed_changed_between_holes_and_within_one():
    between = HEAD + "G0 Z2.\nG1 Z-2. F72.\nG0 Z2.\nS500\nG1 Z-20.\nG0 Z10.\n"
    found = find_hole(read_program(between))
    assert found.hole.rpm == 500.0
    within = HEAD + "G0 Z2.\nG1 Z-2. F72.\nS500\nG1 Z-20.\nG0 Z10.\n"
    assert hole_of(within).pecks_mm == pytest.approx((20.0,))
    assert any("feed or speed changes within" in said for _, said in remarks(within))


def test_turning_is_no_drilling():
    text = HEAD + "G0 X20. Z1.\nG1 Z-30. F100.\nX22.\nG0 Z1.\nG1 X0.\nG0 Z2.\nG1 Z-8. F72.\nG0 Z10.\n"
    assert hole_of(text).pecks_mm == pytest.approx((8.0,))
    assert any("feed moves off the axis" in said for _, said in remarks(text, Note.LEFT_OUT))


def test_the_lathe_codes_of_system_a():
    text = "G21 G98\nT0202\nS900 M3\nG0 X0 Z10.\nG83 Z-20. R-8. Q6000 F72.\nG80\nG0 W5. M30\n"
    drilled = hole_of(text, codes="lathe-a")
    assert drilled.pecks_mm == pytest.approx((4.0, 6.0, 6.0, 4.0))  # R plane at 10 - 8 = 2 mm
    assert (drilled.feed_mm_per_rev, drilled.clearance_mm) == (pytest.approx(0.08), 10.0)
    per_rev = text.replace("G98", "G99").replace("F72.", "F.08")
    assert hole_of(per_rev, codes="lathe-a").feed_mm_per_rev == pytest.approx(0.08)
    height = text.replace("R-8.", "R2.")
    assert hole_of(height, codes="lathe-a").pecks_mm == pytest.approx((4.0, 6.0, 6.0, 4.0))
    assert any("taken for a height over Z0" in said for _, said in remarks(height, codes="lathe-a"))
    turning = text.replace("T0202", "T0202\nG90 X20. Z-5. F.2\nX18.")
    said = remarks(turning, Note.NOT_UNDERSTOOD, codes="lathe-a")
    assert any("G90: a turning cycle" in text for _, text in said)


def test_drilling_from_the_face_on_lathes_stays_in_the_hole():
    # As seen in several published lathe programs: G74 with R alone says the rise, then Z, Q in thousandths of
    # a millimetre and F drill from where the drill stands, here 2 mm over the face.
    text = "G18 G21 G99\nT0505\nG97 S1200 M3\nG0 X0. Z2.\nG74 R0.5\nG74 Z-15. Q3000 F0.08\nG0 Z5.\nM30\n"
    feeds = [z for kind, z in moves(text, codes="lathe-a") if kind == "feed"]
    assert feeds == pytest.approx([-1.0, -4.0, -7.0, -10.0, -13.0, -15.0])
    drilled = hole_of(text, codes="lathe-a")
    assert drilled.pecks_mm == pytest.approx((15.0,))
    assert (drilled.feed_mm_per_rev, drilled.rpm, drilled.retract_mm) == (0.08, 1200.0, 2.0)
    assert not remarks(text, Note.NOT_UNDERSTOOD, codes="lathe-a")
    grooving = text.replace("G74 Z-15.", "G74 X30. Z-15. P1000")
    assert any("grooving" in said for _, said in remarks(grooving, Note.NOT_UNDERSTOOD, codes="lathe-a"))


def test_pecks_above_the_face_are_no_planes():
    # As seen in a lathe program: R a quarter of an inch over the face, and a smaller peck.
    text = "G20 G95 G90 S800\nG0 X0 Z.25\nG83 Z-2.5 R.25 F.004 Q.2\nG0 Z3.\n"
    drilled = hole_of(text)
    assert drilled.retract_mm == pytest.approx(0.25 * 25.4)
    assert drilled.pecks_mm[:2] == pytest.approx((0.15 * 25.4, 0.2 * 25.4))
    assert not [said for _, said in remarks(text) if "differ" in said]


def test_numbers_without_a_point():
    text = "G21 G90 G95\nS900\nG0 X0 Z2000\nG1 Z-20000 F.08\nG0 Z2000\n"
    assert hole_of(text, numbers="increments").depth_mm == pytest.approx(20.0)
    assert hole_of(text).depth_mm == 20_000.0
    ((line, said),) = [r for r in remarks(text) if "decimal point" in r[1]]
    assert line == 3
    assert "Z2000 and 2 more, written without a decimal point: read as whole millimetres" in said
    assert not [r for r in remarks(text, numbers="increments") if "decimal point" in r[1]]


def test_units_and_feed_that_a_program_does_not_say_are_asked_for():
    text = "G90\nS900\nG0 X0 Z2.\nG1 Z-20. F.08\n"
    with pytest.raises(ProgramError, match=r"line 3: X0 comes before G20 .* say --units mm or --units in"):
        read_program(text)
    assert hole_of(text, units="in").depth_mm == pytest.approx(508.0)
    assert hole_of(text, units="mm").feed_mm_per_rev is None
    assert any("per minute or per revolution?" in said for _, said in remarks(text, units="mm"))
    assert hole_of(text, units="mm", feed="per-revolution").feed_mm_per_rev == 0.08


@pytest.mark.parametrize(
    ("block", "note", "said"),
    [
        ("G1 Z[#1]", Note.NOT_UNDERSTOOD, '"G1Z[#1]": no plain words'),
        ("G1 \x1b[2J", Note.NOT_UNDERSTOOD, "\\x1b"),
        ("M98 P100", Note.NOT_UNDERSTOOD, "M98: another program or a jump"),
        ("G65 P9 A1.", Note.NOT_UNDERSTOOD, "G65: another program"),
        ("G92 Z3.", Note.NOT_UNDERSTOOD, "G92 Z3.: a shift of the origin"),
        ("G10 L2 P1 Z3.", Note.NOT_UNDERSTOOD, "a shift of the origin"),
        ("G53 G0 Z0", Note.LEFT_OUT, "machine coordinates"),
        ("G96 S100", Note.NOT_UNDERSTOOD, "G96: constant surface speed"),
        ("G93", Note.NOT_UNDERSTOOD, "G93: feed as inverse time"),
        ("G50 S3000", Note.LEFT_OUT, "S3000: a limit of the spindle speed"),
        ("G84 Z-5. R2.", Note.NOT_UNDERSTOOD, "G84: tapping"),
        ("G74 Z-5. Q1.", Note.NOT_UNDERSTOOD, "drilling from the face on a lathe"),
        ("G2 X3. Z-3. R1.", Note.NOT_UNDERSTOOD, "G2: an arc"),
        ("G123", Note.NOT_UNDERSTOOD, "G123: taken to move nothing"),
        ("M77", Note.NOT_UNDERSTOOD, "M77: taken to move nothing"),
        ("W-3.", Note.NOT_UNDERSTOOD, "W-3.: another axis"),
        ("C90.", Note.NOT_UNDERSTOOD, "C90."),
        ("O100 P1", Note.NOT_UNDERSTOOD, "O100: a subprogram"),
        ("/G0 Z10.", Note.READ_AS, "a slash"),
        ("G4 P500", Note.LEFT_OUT, "P500 is seconds on some controls, milliseconds on others"),
        ("G18", Note.READ_AS, "G18: cycles are read as drilling along Z"),
        ("G83 Z-5. R2. Q1. L1.5", Note.NOT_UNDERSTOOD, "L1.5: no repeat"),
        ("G83 Z5. R2. Q1.", Note.NOT_UNDERSTOOD, "R lies below Z"),
        ("G80\nZ3.", Note.NOT_UNDERSTOOD, "Z3.: a position with no motion code"),
        ("G1 Z-5. F0", Note.NOT_UNDERSTOOD, "no feed (F) in force"),
        ("M30\nG0 Z5.", Note.LEFT_OUT, "after the end of the program"),
    ],
)
def test_everything_odd_is_said(block, note, said):
    found = remarks(HEAD + block + "\n", note)
    assert any(said in text for _, text in found), found


def test_what_is_not_understood_loses_the_place_until_an_absolute_move():
    text = HEAD + "G1 Z-4. F72.\nG1 Z[#1]\nG91 G1 Z-5.\nG90 G0 Z2.\nG1 Z-9.\nG0 Z10.\n"
    heights = [z for _, z in moves(text)]
    assert heights == [10.0, -4.0, None, 2.0, -9.0, 10.0]
    assert hole_of(text).pecks_mm == pytest.approx((4.0, 5.0))


def test_a_rapid_into_the_uncut_is_told():
    text = HEAD + "G0 Z-5.\nG1 Z-9. F72.\nG0 Z10.\n"
    assert any("a rapid move goes to 5 mm, deeper than" in said for _, said in remarks(text))


def test_dwells_in_seconds_are_read():
    text = HEAD + "G0 Z2.\nG1 Z-5. F72.\nG4 P0.3\nG0 Z2.\nG1 Z-9.\nG4 X.3\nG0 Z10.\n"
    assert hole_of(text).dwell_s == pytest.approx(0.3)
    assert hole_of(HEAD + "G82 Z-5. R2. P.25 F72.\n").dwell_s == pytest.approx(0.25)


def test_absurd_numbers_are_refused_in_time():
    with pytest.raises(ProgramError, match="Q is far too small"):
        read_program(HEAD + "G83 Z-2000. R2. Q0.0001 F72.\n")
    with pytest.raises(ProgramError, match="more than 100000 moves"):
        read_program(HEAD + "G91\n" + "G83 Z-500. R0. Q0.01 L1 F72.\n" * 3)


WORD = st.builds(
    lambda letter, number: f"{letter}{number}",
    st.sampled_from("GGGGMXYZZZFSTRQPLKUWNOIJC"),
    st.one_of(
        st.sampled_from(
            [
                "0",
                "1",
                "20",
                "21",
                "90",
                "91",
                "94",
                "95",
                "80",
                "81",
                "83",
                "98",
                "99",
                "-5.",
                ".5",
                "4",
                "28",
            ]
        ),
        st.floats(-200, 200).map(lambda value: f"{value:.3f}"),
        st.integers(0, 120).map(str),
    ),
)
LINE = st.one_of(st.lists(WORD, max_size=6).map(" ".join), st.text(max_size=20), st.just("G83 Z-20. R2. Q5."))
RULES = st.builds(
    ReadingRules,
    codes=st.sampled_from(["rs274", "lathe-a"]),
    units=st.sampled_from(["mm", "in", None]),
    feed=st.sampled_from([None, "per-minute", "per-revolution"]),
    numbers=st.sampled_from(["whole", "increments"]),
)


@given(st.one_of(st.text(), st.lists(LINE, max_size=30).map("\n".join)), RULES)
@example("G91G83Z-5.R2.Q1.L9", ReadingRules(units="mm"))
@example("Z1.\nG83\nG83\nL2", ReadingRules(units="mm"))
def test_no_text_makes_it_fall_over_and_no_odd_block_goes_unsaid(text, rules):
    try:
        program = read_program(text, rules)
    except ProgramError:
        return
    found = find_hole(program)
    lines = {remark.line for remark in found.remarks}
    for block in read_blocks(text):
        if {"M2", "M30"} & set(block.codes()):
            break
        if block.leftover or block.deletable:
            assert block.line in lines
        if (
            any(re.fullmatch(r"G1[01][0-9]|M1[01][0-9]", code) for code in block.codes())
            and not block.leftover
        ):
            assert block.line in lines
    if found.hole is not None:
        assert all(peck > 0 for peck in found.hole.pecks_mm)
        assert found.hole.depth_mm == pytest.approx(sum(found.hole.pecks_mm))
