"""Line charts as SVG text: no script, no network, sharp on paper, some kilobytes each.

Written here because it is a hundred lines: the libraries that do it bring a megabyte of script to each page
(Bokeh), or take seconds to import and draw on a small computer (Matplotlib), and the page has to be there at
once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np
from numpy.typing import ArrayLike, NDArray

LEFT, RIGHT, TOP, BOTTOM = 52, 12, 10, 40


@dataclass(frozen=True)
class Series:
    """One curve, or points where ``dots``; NaN breaks the curve. ``css`` is a class of the page's style."""

    x: ArrayLike
    y: ArrayLike
    css: str = "curve"
    dots: bool = False


@dataclass(frozen=True)
class Mark:
    """A line across at ``at``, of x where ``upright``, with a word beside it."""

    at: float
    text: str
    css: str = "limit"
    upright: bool = False


@dataclass(frozen=True)
class Chart:
    """What one picture shows; ``title`` is read to whoever cannot see it."""

    title: str
    x_label: str
    y_label: str
    series: Sequence[Series]
    marks: Sequence[Mark] = ()
    bands: Sequence[tuple[float, float, str]] = ()  # from x, to x, css
    width: int = 860
    height: int = 240
    y_range: tuple[float, float] | None = None
    x_range: tuple[float, float] | None = None


@dataclass
class _Axes:
    chart: Chart
    x: tuple[float, float]
    y: tuple[float, float]
    parts: list[str] = field(default_factory=list)

    def across(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        low, high = self.x
        return np.asarray(LEFT + (self.chart.width - LEFT - RIGHT) * (x - low) / (high - low))

    def up(self, y: NDArray[np.float64]) -> NDArray[np.float64]:
        low, high = self.y
        inside = np.clip(y, low, high)
        return np.asarray(
            self.chart.height - BOTTOM - (self.chart.height - TOP - BOTTOM) * (inside - low) / (high - low)
        )


def svg(chart: Chart) -> str:
    """The chart as one ``<svg>`` element; colours come from classes of the page."""
    axes = _Axes(chart, _range(chart, "x"), _range(chart, "y"))
    for low, high, css in chart.bands:
        a, b = axes.across(np.array([low, high], dtype=float))
        axes.parts.append(
            f'<rect class="{css}" x="{a:.1f}" y="{TOP}" width="{max(b - a, 1.0):.1f}" '
            f'height="{chart.height - TOP - BOTTOM}"/>'
        )
    _draw_axes(axes)
    for series in chart.series:
        axes.parts.append(_series(axes, series))
    for index, mark in enumerate(sorted(chart.marks, key=lambda mark: (mark.upright, mark.at))):
        axes.parts.append(_mark(axes, mark, index))
    return (
        f'<svg viewBox="0 0 {chart.width} {chart.height}" role="img" aria-label="{escape(chart.title)}">'
        + "".join(axes.parts)
        + "</svg>"
    )


def ticks(low: float, high: float, most: int) -> list[float]:
    """Round values within a range, at most ``most``.

    >>> ticks(0.0, 11.0, 6)
    [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]
    >>> ticks(-0.3, 1.1, 4)
    [0.0, 0.5, 1.0]
    """
    power = 10.0 ** math.floor(math.log10((high - low) / most))
    step = next(s * power for s in (1.0, 2.0, 5.0, 10.0) if (high - low) / (s * power) <= most)
    first = math.ceil(low / step - 1e-9)
    return [round(step * i, 10) + 0.0 for i in range(first, math.floor(high / step + 1e-9) + 1)]


def _range(chart: Chart, axis: str) -> tuple[float, float]:
    given = chart.x_range if axis == "x" else chart.y_range
    if given is not None:
        return _apart(*given)
    values = [np.asarray(getattr(series, axis), dtype=float).ravel() for series in chart.series]
    values.append(np.array([mark.at for mark in chart.marks if mark.upright == (axis == "x")], dtype=float))
    known = np.concatenate(values)
    known = known[np.isfinite(known)]
    if not known.size:
        return 0.0, 1.0
    low, high = float(known.min()), float(known.max())
    if axis == "y":
        room = 0.06 * max(high - low, 1e-6)
        low, high = min(low, 0.0) - (room if low < 0 else 0.0), high + room
    return _apart(low, high)


def _apart(low: float, high: float) -> tuple[float, float]:
    """A range that is one, also where a damaged store gives numbers beyond every measure."""
    low, high = min(low, high), max(low, high)
    least = 1e-9 * max(1.0, abs(low), abs(high))
    return (low, high) if high - low > least else (low - 0.5 - least, high + 0.5 + least)


def _draw_axes(axes: _Axes) -> None:
    chart, bottom = axes.chart, axes.chart.height - BOTTOM
    for value in ticks(*axes.y, max(2, (bottom - TOP) // 32)):
        y = float(axes.up(np.array(value)))
        axes.parts.append(
            f'<path class="grid" d="M{LEFT} {y:.1f}H{chart.width - RIGHT}"/>'
            f'<text x="{LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{value:g}</text>'
        )
    for value in ticks(*axes.x, max(2, (chart.width - LEFT - RIGHT) // 80)):
        x = float(axes.across(np.array(value)))
        axes.parts.append(
            f'<path class="grid" d="M{x:.1f} {bottom}v4"/>'
            f'<text x="{x:.1f}" y="{bottom + 17}" text-anchor="middle">{value:g}</text>'
        )
    middle = (LEFT + chart.width - RIGHT) / 2
    axes.parts.append(
        f'<path class="axis" d="M{LEFT} {TOP}V{bottom}H{chart.width - RIGHT}"/>'
        f'<text x="{middle:.0f}" y="{chart.height - 6}" text-anchor="middle">{escape(chart.x_label)}</text>'
        f'<text transform="translate(12 {(TOP + bottom) / 2:.0f}) rotate(-90)" text-anchor="middle">'
        f"{escape(chart.y_label)}</text>"
    )


def _series(axes: _Axes, series: Series) -> str:
    x, y = (np.asarray(values, dtype=float) for values in (series.x, series.y))
    known = np.isfinite(x) & np.isfinite(y)
    px, py = axes.across(x), axes.up(np.where(known, y, 0.0))
    if series.dots:
        dots = (f"M{a:.1f} {b:.1f}h0" for a, b in zip(px[known], py[known], strict=True))
        return f'<path class="{series.css} dots" d="{"".join(dots)}"/>'
    steps = []
    drawing = False
    for a, b, good in zip(px.tolist(), py.tolist(), known.tolist(), strict=True):
        if good:
            steps.append(f"{'L' if drawing else 'M'}{a:.1f} {b:.1f}")
        drawing = good
    return f'<path class="{series.css}" d="{"".join(steps)}"/>'


def _mark(axes: _Axes, mark: Mark, index: int) -> str:
    chart = axes.chart
    if mark.upright:
        x = float(axes.across(np.array(mark.at)))
        left = x > 0.75 * chart.width
        return (
            f'<path class="{mark.css}" d="M{x:.1f} {TOP}V{chart.height - BOTTOM}"/>'
            f'<text class="{mark.css}" x="{x + (-5 if left else 5):.1f}" y="{TOP + 12 + 14 * (index % 3)}" '
            f'text-anchor="{"end" if left else "start"}">{escape(mark.text)}</text>'
        )
    y = float(axes.up(np.array(mark.at)))
    return (
        f'<path class="{mark.css}" d="M{LEFT} {y:.1f}H{chart.width - RIGHT}"/>'
        f'<text class="{mark.css}" x="{chart.width - RIGHT - 4}" y="{y - 4:.1f}" '
        f'text-anchor="end">{escape(mark.text)}</text>'
    )
