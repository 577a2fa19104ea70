"""Which lines turn with the spindle, which stay, and which cannot be told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, isnan, log, sqrt

import numpy as np

from monitor.baseline import LineClass
from monitor.signal.free_run import FreeRun
from monitor.signal.lines import FALSE_ALARM, FoundLine, log_threshold, mains_multiple
from monitor.signal.speed_ratio import log_order, stay_tolerance_hz, turn_tolerance

FIXED_PROMINENCE = 63.0
"""18 dB over the noise in 1 Hz. On drawn machines 97 % of the fixed lines above it were true tones; of those
from 9 to 15 dB half were narrow modes of the room (2.2 / reverberation time wide, 3 to 10 Hz)."""

ONE_SPEED_SHARPER = 5.0
ONE_SPEED_PROMINENCE = 16.0
"""Natural log of odds, and 12 dB. With one speed only sharpness tells what turns: of fainter lines called
turning on drawn machines a third were wrong, of those over both 2 %."""


@dataclass(frozen=True)
class Classed:
    """A line over all recordings: what it is, how likely (0..1), and what it is in each."""

    kind: LineClass
    confidence: float
    members: dict[int, FoundLine]  # by recording


def classify(
    found: Sequence[list[FoundLine]], shifts: Sequence[float], runs: Sequence[FreeRun]
) -> list[Classed]:
    """Weigh, for every line, "turns", "stays" and "neither", strongest lines first.

    A match in another recording multiplies the odds by its probability if true over its
    probability by chance (density of lines there times the tolerance); a missing one by the
    probability that resonance or noise hides it. Sharpness adds its log-likelihood.
    """
    left = [list(lines) for lines in found]
    everything = sorted(
        ((line.z, i, line) for i, lines in enumerate(found) for line in lines), key=lambda e: -e[0]
    )
    classed = []
    for _, i, line in everything:
        if not any(line is other for other in left[i]):
            continue
        turn = {i: line} | _matches(line, i, left, shifts, runs, turning=True)
        stay = {i: line} | _matches(line, i, left, shifts, runs, turning=False)
        kind, confidence = _likeliest(_odds(line, i, turn, stay, found))
        if confidence < 0.8 or _faint(kind, line, turn, stay, len(runs)):
            kind, confidence = LineClass.UNKNOWN, 1 - confidence
        if len(runs) == 1:
            confidence = min(confidence, 0.8)  # no second speed to confirm it
        members = {LineClass.ORDER: turn, LineClass.FIXED: stay}.get(kind, {i: line})
        for j, member in members.items():
            left[j] = [other for other in left[j] if other is not member]
        classed.append(Classed(kind, confidence, members))
    return classed


def _odds(
    line: FoundLine,
    i: int,
    turn: dict[int, FoundLine],
    stay: dict[int, FoundLine],
    found: Sequence[list[FoundLine]],
) -> dict[LineClass, float]:
    """Log odds of each class for a line of recording i with its matches if it turns and if it stays."""
    alone = 4 if len(found) > 1 else 8  # sharpness without a second recording that agrees is trusted less
    odds = {
        LineClass.ORDER: log(0.6) + _match_odds(i, turn, found, 0.7),
        LineClass.FIXED: log(0.25) + _match_odds(i, stay, found, 0.95),
        LineClass.UNKNOWN: log(0.15),
    }
    odds[LineClass.ORDER] += 0.5 * _sharpness(turn, 12 if len(turn) > 1 else alone)
    odds[LineClass.FIXED] -= 0.5 * _sharpness(stay, 12 if len(stay) > 1 else alone)
    for kind, hz in ((LineClass.ORDER, line.turning_hz), (LineClass.FIXED, line.fixed_hz)):
        odds[kind] = -inf if isnan(hz) else odds[kind]
    if _is_mains(line):
        odds[LineClass.FIXED] += 3.0  # by chance 1 in 20 or less at these widths
    return odds


def _likeliest(odds: dict[LineClass, float]) -> tuple[LineClass, float]:
    """The class with the highest log odds, and its probability."""
    top = max(odds.values())
    p = {kind: exp(value - top) for kind, value in odds.items()}
    kind = max(p, key=lambda k: p[k])
    return kind, p[kind] / sum(p.values())


def _faint(
    kind: LineClass, line: FoundLine, turn: dict[int, FoundLine], stay: dict[int, FoundLine], speeds: int
) -> bool:
    """Whether a line is too faint for its likeliest class to be believed."""
    if kind is LineClass.FIXED:  # a narrow mode of the room, excited by noise, stays too
        return not _is_mains(line) and max(m.prominence for m in stay.values()) < FIXED_PROMINENCE
    if kind is LineClass.ORDER and speeds == 1:
        return line.sharper < ONE_SPEED_SHARPER or line.prominence < ONE_SPEED_PROMINENCE
    # A line heard at one speed of several must be strong: noise makes no cell 4 times over the threshold.
    return kind is LineClass.ORDER and len(turn) == 1 and line.z < 4 * log_threshold(FALSE_ALARM, 10)


def _is_mains(line: FoundLine) -> bool:
    return bool(mains_multiple(np.array([line.fixed_hz]), 0.05)[0])


def _sharpness(members: dict[int, FoundLine], limit: float) -> float:
    return float(np.clip(sum(m.sharper for m in members.values()), -limit, limit))


def _matches(
    line: FoundLine,
    i: int,
    left: Sequence[list[FoundLine]],
    shifts: Sequence[float],
    runs: Sequence[FreeRun],
    turning: bool,
) -> dict[int, FoundLine]:
    """The nearest line in each other recording, within three standard deviations."""
    result = {}
    for j, others in enumerate(left):
        if j == i:
            continue
        best, nearest = None, 3.0
        for other in others:
            if turning:
                gap = abs(log_order(line, runs[i], shifts[i]) - log_order(other, runs[j], shifts[j]))
                gap /= float(np.hypot(turn_tolerance(line), turn_tolerance(other)))
            else:
                gap = abs(line.fixed_hz - other.fixed_hz) / (sqrt(2) * stay_tolerance_hz(line))
            if gap < nearest:
                best, nearest = other, gap
        if best is not None:
            result[j] = best
    return result


def _match_odds(
    i: int, members: dict[int, FoundLine], found: Sequence[list[FoundLine]], p_seen: float
) -> float:
    """Log-likelihood ratio of the matches found and missed, against chance."""
    total = 0.0
    for j, others in enumerate(found):
        if j == i:
            continue
        if j in members:
            hz = members[j].hz
            dense = sum(abs(log(other.hz / hz)) < 0.2 for other in others) / 0.4
            # Within three standard deviations of the difference, on either side.
            chance = 1 - exp(-dense * 6 * sqrt(2) * float(np.hypot(0.05 / hz, 2e-4)))
            total += log(p_seen / max(chance, 1e-4))
        else:
            total += log(1 - p_seen)
    return total
