"""How good the climb depth, the bulking and the advised pecks are, on drawn batches with known truth.

    python tests/tuning/coverage.py --seeds 10000 10500 --blanks 10

Some 2 s a batch. Prints one line a batch and the sums at the end; tune on seeds below 5000 only.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import astuple, dataclass
from pathlib import Path

import numpy as np
from tqdm import tqdm

sys.path.insert(0, str(Path(__file__).resolve().parent.parent.parent))

from monitor.planning.materials import material
from monitor.planning.pecking import Limits, deepest_pecks
from monitor.tuning.advice import (
    TELLS_ENOUGH,
    Drilling,
    bulking_for,
    critical_for,
    fit_gaps,
    judged,
    most_trapped_mm,
    recommended,
)
from monitor.tuning.bulking import MATERIAL_SD
from monitor.tuning.climb import fit_climb
from monitor.tuning.load_model import Prior
from monitor.tuning.peck_curves import peck_curves, step_for
from tests.tuning.batches import Batch, draw_batch


@dataclass(frozen=True)
class Score:
    """One batch: errors in shares, and whether the promises were kept."""

    seed: int
    of_peck: float  # error of the climb depth over the usual peck
    met: bool
    bulking: float  # error of the bulking factor
    told: float
    width: float
    advised: bool
    over: bool  # the advised pecks pass the true climb
    slower: float  # time over the best schedule of whoever knows the truth


def score(seed: int, blanks: int) -> Score:
    """Draw, fit and judge one batch."""
    batch = draw_batch(seed, blanks)
    cycle = batch.cycle
    flutes = cycle.flute_length_mm
    prior = Prior(critical_for(material(cycle.material).bulking, flutes), MATERIAL_SD)
    curves = peck_curves(batch.pieces, step_for(batch.cuts, 0.05))
    climb = fit_climb(curves, flutes, cycle.drill_diameter_mm, prior)
    assert climb is not None
    found = climb.given(prior)
    truth = batch.critical_mm
    longest, increment = 0.5 * flutes, 0.1
    half = (found.mm.high - found.mm.low) / 2 / found.mm.value
    drilling = Drilling(cycle.depth_mm, flutes, cycle.feed_mm_per_rev * cycle.spindle_rpm / 60, _gaps(batch))
    over, slower = False, np.nan
    if half <= TELLS_ENOUGH:
        pecks = recommended(drilling, found.grid_mm, found.next_chance, 0.05, longest, increment)
        best = deepest_pecks(cycle.depth_mm, Limits(truth, flutes, longest, increment))
        ours, theirs = (
            judged(each, drilling, truth, found.grid_mm, found.next_chance).seconds for each in (pecks, best)
        )
        over, slower = most_trapped_mm(pecks, flutes) > truth, ours / theirs - 1
    return Score(
        seed,
        abs(found.mm.value - truth) / cycle.pecks_mm[-1],
        found.mm.low <= truth <= found.mm.high,
        bulking_for(found.mm.value, flutes) / batch.bulking - 1,
        found.told,
        found.mm.high / found.mm.low,
        half <= TELLS_ENOUGH,
        over,
        slower,
    )


def _gaps(batch: Batch):  # type: ignore[no-untyped-def]
    pairs = [(a, b) for piece in batch.pieces for a, b in zip(piece[0], piece[0][1:], strict=False)]
    return fit_gaps(np.array([a.to_mm for a, _ in pairs]), np.array([b.start_s - a.end_s for a, b in pairs]))


def summary(scores: list[Score]) -> list[str]:
    """The sums, against their targets."""
    n = len(scores)
    advised = [one for one in scores if one.advised]
    lines = [
        f"{n} batches",
        f"climb depth error over the peck: median {np.median([s.of_peck for s in scores]):.1%} (target 5 %)",
        f"90 % interval met in {np.mean([s.met for s in scores]):.1%} (target 87 to 93 %)",
        f"bulking within 10 % in {np.mean([abs(s.bulking) <= 0.1 for s in scores]):.0%}, "
        f"median error {np.median([abs(s.bulking) for s in scores]):.1%}, "
        f"median bias {np.median([s.bulking for s in scores]):+.1%}",
        f"width of the interval, high over low: median {np.median([s.width for s in scores]):.2f}",
        f"a schedule was advised in {len(advised) / n:.0%}",
    ]
    if advised:
        slower = [one.slower for one in advised]
        lines += [
            f"  its bulking within 10 % in {np.mean([abs(s.bulking) <= 0.1 for s in advised]):.0%}",
            f"  over the true climb in {np.mean([s.over for s in advised]):.1%} (target at most 5 %)",
            f"  slower than the best by median {np.median(slower):.1%}, 95 % of them by at most "
            f"{np.quantile(slower, 0.95):.1%} (target 10 %)",
        ]
    return lines


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs=2, default=(10_000, 10_500), metavar=("FROM", "TO"))
    parser.add_argument("--blanks", type=int, default=10)
    args = parser.parse_args()
    scores = []
    for seed in tqdm(range(*args.seeds), disable=None):
        scores.append(score(seed, args.blanks))
        print(*astuple(scores[-1]), flush=True)
    print("\n".join(summary(scores)))
