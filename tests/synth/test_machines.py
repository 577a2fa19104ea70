"""Machines: different by seed, alike by seed, physical in their numbers."""

import numpy as np
import pytest

from monitor.synth.machines import TABLE_SIZE, draw_machine, read_table, wave_table


def test_a_seed_gives_one_machine_and_another_seed_another() -> None:
    assert draw_machine(4) == draw_machine(4)
    assert len({draw_machine(seed).orders()[5] for seed in range(40)}) == 40


def test_every_kind_of_motor_is_drawn() -> None:
    assert {draw_machine(seed).motor for seed in range(20)} == {"brushed", "brushless", "induction"}


@pytest.mark.parametrize("seed", range(12))
def test_numbers_stay_in_their_ranges(seed: int) -> None:
    machine = draw_machine(seed)
    assert abs(machine.dial_error) <= 0.02
    assert 0.0005 <= machine.wander_rms <= 0.004
    assert machine.droop_rpm_per_nm > 0
    orders = np.array([order for order, _ in machine.orders()])
    # Belts and bearings turn at ratios of their own: most lines are no harmonics of the spindle.
    assert np.mean(np.abs(orders - np.rint(orders)) > 0.01) > 0.3
    assert np.count_nonzero(orders > 10) >= 4


def test_only_an_induction_motor_hums_at_a_rate_that_does_not_sag() -> None:
    for seed in range(15):
        machine = draw_machine(seed)
        electrical = [shaft for shaft in machine.shafts if shaft.follows == "electrical"]
        assert bool(electrical) == (machine.motor == "induction")


def test_a_table_is_read_as_the_sum_of_its_cosines() -> None:
    shaft = draw_machine(2, "brushed").shafts[0]
    turns = np.random.default_rng(1).uniform(-50, 50, 2000)
    exact = sum(
        a * np.cos(2 * np.pi * h * turns + p)
        for h, a, p in zip(shaft.harmonics, shaft.amplitudes, shaft.phases, strict=True)
    )
    assert read_table(wave_table(shaft, 100.0), turns) == pytest.approx(exact, abs=2e-4)
    assert TABLE_SIZE == 16384  # the error stated beside it


def test_lines_that_would_alias_are_left_out() -> None:
    shaft = draw_machine(2, "brushed").shafts[0]
    spectrum = np.abs(np.fft.rfft(wave_table(shaft, 3.0)[:-1]))
    assert np.flatnonzero(spectrum > 1.0).max() == 3
