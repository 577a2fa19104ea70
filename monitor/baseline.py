"""The baseline file: what a machine sounds like running free.

Learning one from sound is in ``monitor/signal/orders.py``; this file is the data and its JSON.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from enum import StrEnum
from math import inf, isfinite, isnan, nan
from pathlib import Path

from monitor.errors import BaselineError
from monitor.whole_file import write_whole

BASELINE_VERSION = 1


class LineClass(StrEnum):
    """What a line of the free-running spectrum was found to be."""

    ORDER = "order"  # frequency scales with the spindle
    FIXED = "fixed"  # frequency stays: mains, fans, drive switching
    UNKNOWN = "unknown"  # one speed only, or not found again at another


@dataclass(frozen=True)
class Line:
    """One narrow line.

    ``order`` is frequency over the commanded rotation frequency (rpm / 60); for FIXED lines it is
    NaN and ``frequency_hz`` is the frequency; for ORDER and UNKNOWN lines ``frequency_hz`` is the
    frequency heard at the first speed of the baseline.
    ``level_dbfs[i]`` is the line's power (A^2 / 2 of a sinusoid of amplitude A, full scale = 1, so
    a full-scale sine is -3.01 dBFS) at ``speeds_rpm[i]`` of the baseline, NaN where it was not found there;
    ``prominence_db[i]`` the ratio of that power to the noise power in 1 Hz around it.
    """

    kind: LineClass
    order: float
    frequency_hz: float
    level_dbfs: tuple[float, ...]
    prominence_db: tuple[float, ...]
    confidence: float  # 0..1 that the class is right


@dataclass(frozen=True)
class Baseline:
    """What was learned from free-running recordings at one or more commanded speeds.

    ``speeds_rpm`` are the commanded speeds, ascending; ``heard_ratio[i]`` is the speed heard over
    the commanded one, relative to their common scale (geometric mean 1): a dial error common to
    all speeds is invisible. ``floor_dbfs_hz[i][j]`` is the noise power density (dB re full scale
    squared per Hz, lines excluded) at ``speeds_rpm[i]`` and ``floor_hz[j]``.
    ``wander`` is the rms of relative speed variation heard within the recordings, 0 where none was.
    """

    version: int
    created: str  # UTC, ISO 8601
    sample_rate_hz: float
    speeds_rpm: tuple[float, ...]
    heard_ratio: tuple[float, ...]
    level_dbfs: tuple[float, ...]  # rms level of each recording
    floor_hz: tuple[float, ...]
    floor_dbfs_hz: tuple[tuple[float, ...], ...]
    lines: tuple[Line, ...]
    wander: float
    confidence: float  # 0..1 in the set of lines as a whole; lower from one speed
    notes: tuple[str, ...] = ()


def save_baseline(baseline: Baseline, path: str | os.PathLike[str]) -> None:
    """Write the baseline as JSON (NaN as null); the old file stays whole until the new one is.

    Raises
    ------
    BaselineError
        The file cannot be written.
    """
    path = Path(path)
    text = json.dumps(_without_nan(asdict(baseline)), indent=1, allow_nan=False) + "\n"
    try:
        write_whole(path, text)
    except OSError as error:
        reason = error.strerror or str(error)
        raise BaselineError(f"{path}: cannot be written ({reason}); choose another file with -o") from error


def load_baseline(path: str | os.PathLike[str]) -> Baseline:
    """Read and check a baseline file.

    Raises
    ------
    BaselineError
        The file is missing, is not a baseline, or a value in it is wrong; one line that names the
        file, the key and the mend.
    """
    path = Path(path)
    again = "learn it again with `spindlebell baseline`"
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise BaselineError(f"{path}: no such file; make one with `spindlebell baseline`") from None
    except OSError as error:
        raise BaselineError(f"{path}: cannot be read ({error.strerror or error})") from error
    except (ValueError, RecursionError) as error:
        raise BaselineError(
            f"{path}: is not JSON text; give a file made by `spindlebell baseline`"
        ) from error
    try:
        return _baseline(_Node(data, ""))
    except _Wrong as wrong:
        raise BaselineError(f"{path}: {wrong}; {again}") from None


def learned_orders(baseline: Baseline) -> tuple[float, ...]:
    """The lines that turn with the spindle, times its rotation, to a hundredth; the strongest first."""
    turning = [line for line in baseline.lines if line.kind is LineClass.ORDER]
    return tuple(round(line.order, 2) for line in sorted(turning, key=_strength, reverse=True))


def describe(baseline: Baseline) -> str:
    """What was found, in plain words, a sentence or two a line."""
    b = baseline
    turning = [line for line in b.lines if line.kind is LineClass.ORDER]
    fixed = sorted((ln for ln in b.lines if ln.kind is LineClass.FIXED), key=lambda ln: ln.frequency_hz)
    unknown = [line for line in b.lines if line.kind is LineClass.UNKNOWN]
    strongest = sorted(turning, key=_strength, reverse=True)[:2]
    says = _count(len(turning), "line turns", "lines turn") + " with the spindle"
    if strongest:
        says += (
            f" (strongest at {' and '.join(f'{line.order:.4g}' for line in strongest)} times the rotation)"
        )
    says += f", {len(fixed)} {'stays' if len(fixed) == 1 else 'stay'} fixed"
    if fixed:
        says += f" ({_name_fixed([line.frequency_hz for line in fixed])})"
    text = [f"{says}, {len(unknown)} could not be classed."]
    if turning:
        text.append(
            "If the motor is an induction motor, lines of its field may be among those that turn: free"
            " running cannot tell them, and they do not slow under load."
        )
    for rpm, level, floor in zip(b.speeds_rpm, b.level_dbfs, b.floor_dbfs_hz, strict=True):
        middle = [d for d, hz in zip(floor, b.floor_hz, strict=True) if 500 <= hz <= 2000]
        heard = f"{sum(middle) / len(middle):.0f} dBFS per Hz" if middle else "not known"
        text.append(f"At {rpm:g} rpm: level {level:.1f} dBFS, noise floor {heard} around 1 kHz.")
    for rpm, ratio in list(zip(b.speeds_rpm, b.heard_ratio, strict=True))[1:]:
        off = 100 * (ratio / b.heard_ratio[0] - 1)
        first = f"the {b.speeds_rpm[0]:g} rpm one"
        if abs(off) < 0.05:
            text.append(f"The {rpm:g} rpm recording and {first} agree with the dial.")
        else:
            text.append(
                f"The {rpm:g} rpm recording ran {abs(off):.1f} % {'faster' if off > 0 else 'slower'}"
                f" relative to {first} than the dial says."
            )
    wandered = f"by {100 * b.wander:.2f} % rms" if b.wander else "by less than is heard"
    text.append(f"Speed wandered {wandered}. Confidence in the lines: {100 * b.confidence:.0f} %.")
    text += [f"Note: {note}." for note in b.notes]
    return "\n".join(text)


def _count(n: int, one: str, many: str) -> str:
    return f"{n} {one if n == 1 else many}"


def _strength(line: Line) -> float:
    return max((p for p in line.prominence_db if not isnan(p)), default=-inf)


def _name_fixed(hz: list[float]) -> str:
    """ "50, 100 Hz: mains; 2730 Hz": by the mains frequency that explains more of them."""
    families = {mains: [f for f in hz if _is_multiple(f, mains)] for mains in (50, 60)}
    mains = max(families, key=lambda m: len(families[m]))
    family = families[mains]
    parts = [f"{', '.join(f'{f:.0f}' for f in family)} Hz: mains"] if family else []
    others = [f for f in hz if f not in family]
    if others:
        parts.append(f"{', '.join(f'{f:.0f}' for f in others[:8])}{', ...' if len(others) > 8 else ''} Hz")
    return "; ".join(parts)


def _is_multiple(hz: float, mains: int) -> bool:
    """Within 0.1 % (the grid's own tolerance) of a multiple of the mains frequency, below 1 kHz."""
    return hz < 1000 and round(hz / mains) >= 1 and abs(hz - mains * round(hz / mains)) < 1e-3 * hz + 0.05


def _without_nan(value: object) -> object:
    if isinstance(value, dict):
        return {key: _without_nan(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_without_nan(item) for item in value]
    return None if isinstance(value, float) and not isfinite(value) else value


class _Wrong(Exception):
    """A value in the file is wrong; the message names the key."""


@dataclass(frozen=True)
class _Node:
    """A value in the JSON tree and the path that leads to it."""

    value: object
    key: str

    def __getitem__(self, name: str) -> _Node:
        if not isinstance(self.value, dict):
            raise _Wrong(f"{self.key or 'the file'}: {_short(self.value)} is not an object")
        key = f"{self.key}.{name}" if self.key else name
        if name not in self.value:
            raise _Wrong(f"{key}: is missing")
        return _Node(self.value[name], key)

    def items(self, n: int | None = None) -> list[_Node]:
        if not isinstance(self.value, list):
            raise _Wrong(f"{self.key}: {_short(self.value)} is not a list")
        if n is not None and len(self.value) != n:
            raise _Wrong(f"{self.key}: has {len(self.value)} values where {n} are needed")
        return [_Node(item, f"{self.key}[{i}]") for i, item in enumerate(self.value)]

    def text(self) -> str:
        if not isinstance(self.value, str):
            raise _Wrong(f"{self.key}: {_short(self.value)} is not text")
        return self.value

    def number(self, low: float, high: float) -> float:
        ok = isinstance(self.value, int | float) and not isinstance(self.value, bool)
        if not ok or not low <= self.value <= high:  # type: ignore[operator]
            raise _Wrong(f"{self.key}: {_short(self.value)} is not a number from {low:g} to {high:g}")
        return float(self.value)  # type: ignore[arg-type]

    def number_or_nan(self, low: float, high: float) -> float:
        return nan if self.value is None else self.number(low, high)

    def numbers(self, low: float, high: float, n: int | None = None) -> tuple[float, ...]:
        return tuple(item.number(low, high) for item in self.items(n))

    def numbers_or_nan(self, low: float, high: float, n: int) -> tuple[float, ...]:
        return tuple(item.number_or_nan(low, high) for item in self.items(n))


def _short(value: object) -> str:
    text = json.dumps(value) if not isinstance(value, dict | list) else type(value).__name__
    return text if len(text) <= 40 else text[:37] + "..."


def _baseline(node: _Node) -> Baseline:
    version = int(node["version"].number(1, 1e6))
    if version != BASELINE_VERSION:
        raise _Wrong(f"version: {version} where this program reads {BASELINE_VERSION}")
    speeds = node["speeds_rpm"].numbers(1, 200_000)
    if not speeds or list(speeds) != sorted(set(speeds)):
        raise _Wrong("speeds_rpm: must be one or more speeds in rising order")
    n = len(speeds)
    floor_hz = node["floor_hz"].numbers(1, 100_000)
    if not floor_hz or list(floor_hz) != sorted(set(floor_hz)):
        raise _Wrong("floor_hz: must be one or more frequencies in rising order")
    return Baseline(
        version=version,
        created=node["created"].text(),
        sample_rate_hz=node["sample_rate_hz"].number(8000, 192_000),
        speeds_rpm=speeds,
        heard_ratio=node["heard_ratio"].numbers(0.5, 2.0, n),
        level_dbfs=node["level_dbfs"].numbers(-400, 20, n),
        floor_hz=floor_hz,
        floor_dbfs_hz=tuple(row.numbers(-400, 20, len(floor_hz)) for row in node["floor_dbfs_hz"].items(n)),
        lines=tuple(_line(item, n) for item in node["lines"].items()),
        wander=node["wander"].number(0, 1),
        confidence=node["confidence"].number(0, 1),
        notes=tuple(item.text() for item in node["notes"].items()),
    )


def _line(node: _Node, n: int) -> Line:
    kind = node["kind"].text()
    if kind not in set(LineClass):
        raise _Wrong(f'{node.key}.kind: {_short(kind)} is not one of "order", "fixed", "unknown"')
    fixed = kind == LineClass.FIXED
    order = node["order"]
    levels = node["level_dbfs"].numbers_or_nan(-400, 20, n)
    if all(isnan(level) for level in levels):
        raise _Wrong(f"{node.key}.level_dbfs: has no level at any speed")
    return Line(
        kind=LineClass(kind),
        order=order.number_or_nan(0, 1e6) if fixed else order.number(1e-6, 1e6),
        frequency_hz=node["frequency_hz"].number(1e-3, 100_000),
        level_dbfs=levels,
        prominence_db=node["prominence_db"].numbers_or_nan(-400, 400, n),
        confidence=node["confidence"].number(0, 1),
    )
