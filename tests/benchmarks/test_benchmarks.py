"""The small slice that every check runs (ratios, so that no busy computer decides), and the whole.

``python tests/benchmarks/run.py`` makes the table of RESULTS.md.
"""

import pytest

from tests.benchmarks.accuracy import coloured, white
from tests.benchmarks.behaviour import binding, ramp
from tests.benchmarks.run import report

# 400 draws: the standard error of an RMS is 1 / sqrt(2 * 400) = 3.5 %, so 1.1 is measured within 0.04
# and the limit leaves three of those.
DRAWS, SLACK = 400, 0.10


@pytest.mark.parametrize("snr_db", [10, 0, -6])
def test_speed_error_in_white_noise_is_near_the_bound(snr_db):
    measured = white(snr_db, DRAWS)
    # Outliers are gross (over 0.5 % of speed) and about one in 2000 at -6 dB; RESULTS.md counts them in.
    assert measured.outliers <= 2 / DRAWS, measured
    assert measured.ratio_inliers < 1.1 + SLACK, measured
    assert measured.ratio_inliers > 1 - SLACK, (
        "an unbiased estimate cannot beat its bound: the benchmark is wrong"
    )


def test_speed_error_among_hum_and_crackle_is_near_its_bound():
    measured = coloured(0, 200)
    assert measured.ratio < 1.5, measured


@pytest.mark.parametrize("rate_pct_s", [20.0, -20.0])
def test_ramps_are_read_without_bias(rate_pct_s):
    assert abs(ramp(rate_pct_s, 5).bias_pct) < 0.2


def test_a_binding_drill_is_held_in_time():
    """One drawn machine, from free-running recordings to the hold."""
    found = binding(3)
    assert not found.early_hold
    assert found.delay_s < 0.25, found


@pytest.mark.benchmarks
def test_the_whole_table(capsys):
    """Every section is there, and every SNR has its row."""
    written = []
    with capsys.disabled():
        for line in report(quick=True, jobs=2, command="python tests/check.py --benchmarks"):
            print(line, flush=True)
            written.append(line)
    assert sum(line.startswith("## ") for line in written) == 8
    white_rows = {row[1].strip(): row for row in (line.split("|") for line in written) if len(row) == 8}
    assert {"+10", "+0", "-6"} <= set(white_rows)
