"""The figures of the guides can be drawn again from what is here, and show what the guides say of them."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from monitor.measurements import Kind, Severity
from monitor.reporting.svg_chart import Chart
from tests.docs import figures

GUIDE = (Path(figures.__file__).parents[2] / "monitor/docs/signal_core.md").read_text("utf-8")
MOST_BYTES = 40_000


@cache
def chart(name: str) -> Chart:
    return figures.CHARTS[name]()


def words(svg: str) -> set[str]:
    """Title and labels: what is no number."""
    return {text for text in re.findall(r"(?:>|aria-label=\")([^<>\"]+)", svg) if re.search("[a-z]{3}", text)}


def test_the_guide_shows_every_figure_and_no_other() -> None:
    shown = re.findall(r"\(figures/(\w+)\.svg\)", GUIDE)
    assert sorted(shown) == sorted(figures.CHARTS)
    assert {path.stem for path in figures.FIGURES.iterdir()} == set(figures.CHARTS)


@pytest.mark.parametrize("name", figures.CHARTS)
def test_a_figure_can_be_drawn_again_and_says_the_same(name: str) -> None:
    kept = (figures.FIGURES / f"{name}.svg").read_text("utf-8")
    again = figures.drawn(chart(name))
    assert len(kept) < MOST_BYTES
    assert words(again) == words(kept), "draw them again: python tests/docs/figures.py"
    assert kept.count('class="curve"') == again.count('class="curve"')


def test_the_lines_learned_turn_with_the_spindle() -> None:
    slow, fast, dots = chart("lines").series
    for order in np.asarray(dots.x, dtype=float):
        over = []
        for curve in (slow, fast):
            x, y = np.asarray(curve.x, dtype=float), np.asarray(curve.y, dtype=float)
            over.append(y[np.abs(x - order) < 0.15].max() - np.median(y[np.abs(x - order) < 1.5]))
        assert min(over) > 1
        assert max(over) > 10


def test_the_sag_heard_follows_the_true_one_and_the_hold_comes_at_its_threshold() -> None:
    true, heard = (np.asarray(series.y, dtype=float) for series in chart("sag").series)
    assert np.nanpercentile(np.abs(true - heard), 95) < 0.5
    replay = figures.replayed("bind", "lamp", 900, 2000)
    warning, hold = replay.first(Severity.WARNING), replay.first(Severity.HOLD)
    assert warning.t < hold.t
    assert hold.kind is Kind.SAG
    times = np.asarray(chart("sag").series[1].x, dtype=float)
    assert heard[np.searchsorted(times, hold.t) + 1] > 7.5


def test_cutting_is_told_where_the_pecks_are() -> None:
    truth = json.loads((figures.SCENES / "normal_batch.truth.json").read_text("utf-8"))["pecks"]
    bands = chart("cut").bands
    assert len(bands) == len(truth)
    for (start, end, _), peck in zip(bands, truth, strict=True):
        assert start == pytest.approx(peck["contact_s"], abs=0.3)
        assert end == pytest.approx(peck["retract_s"], abs=0.3)


def test_only_the_peck_that_binds_passes_the_threshold() -> None:
    highest = [float(np.nanmax(np.asarray(series.y))) for series in chart("load").series]
    assert max(highest[:3]) < 4 < 8 < highest[3]


def test_the_tone_stands_out_when_it_is_warned_of() -> None:
    (tone,), (warned,) = chart("chatter").series, chart("chatter").marks
    t, level = np.asarray(tone.x, dtype=float), np.asarray(tone.y, dtype=float)
    assert level[(t >= warned.at) & (t < warned.at + 1)].max() > np.median(level[t < warned.at - 1]) + 6
