"""Quantities as people write them: "6 mm", "0.25 in", "800 rpm"; to one base unit and back.

Inch and metric are equals: a value is kept in its base unit (mm, rpm, mm/rev, mm/min, %, s and so on)
together with the unit it was written in, so that it can be given back in the person's own units.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from typing import Literal

from monitor.errors import InputError

Units = Literal["mm", "in"]

MM_PER_INCH = 25.4  # exact, by definition of the international inch (1959)


@dataclass(frozen=True)
class _Dimension:
    """What one kind of quantity may look like.

    ``factors`` turns a written unit into the base unit, the first one being the base. ``metric`` and
    ``inch`` are the units of an example; a bare number under ``inch_below`` is taken for inches in
    it. Values outside ``smallest``..``largest`` (base unit) are slips of the pen on any machine.
    """

    noun: str
    factors: dict[str, float]
    metric: str
    inch: str
    example: float
    smallest: float
    largest: float
    inch_below: float = 0.0


class Dimension(Enum):
    """The kinds of quantity that a job or station file holds."""

    LENGTH = _Dimension(
        noun="length",
        factors={"mm": 1.0, "cm": 10.0, "in": MM_PER_INCH, "inch": MM_PER_INCH, '"': MM_PER_INCH},
        metric="mm",
        inch="in",
        example=6.0,
        smallest=0.01,
        largest=10_000.0,
        inch_below=1.0,
    )
    SPEED = _Dimension(
        noun="speed",
        factors={"rpm": 1.0, "rev/min": 1.0, "1/min": 1.0},
        metric="rpm",
        inch="rpm",
        example=800.0,
        smallest=1.0,
        largest=1_000_000.0,
    )
    FEED_PER_REV = _Dimension(
        noun="feed per revolution",
        factors={"mm/rev": 1.0, "in/rev": MM_PER_INCH, "ipr": MM_PER_INCH},
        metric="mm/rev",
        inch="in/rev",
        example=0.08,
        smallest=1e-4,
        largest=100.0,
        inch_below=0.02,
    )
    FEED_RATE = _Dimension(
        noun="feed rate",
        factors={"mm/min": 1.0, "in/min": MM_PER_INCH, "ipm": MM_PER_INCH},
        metric="mm/min",
        inch="in/min",
        example=60.0,
        smallest=0.01,
        largest=100_000.0,
        inch_below=10.0,
    )
    PERCENT = _Dimension(
        noun="percentage",
        factors={"%": 1.0},
        metric="%",
        inch="%",
        example=4.0,
        smallest=0.01,
        largest=100.0,
    )
    SAMPLE_RATE = _Dimension(
        noun="sample rate",
        factors={"hz": 1.0, "khz": 1000.0},
        metric="kHz",
        inch="kHz",
        example=48.0,
        smallest=8_000.0,
        largest=192_000.0,
    )
    DISK_SPACE = _Dimension(
        noun="space on a disk",
        factors={"b": 1.0, "mb": 1e6, "gb": 1e9, "tb": 1e12},
        metric="GB",
        inch="GB",
        example=8.0,
        smallest=1e7,
        largest=1e15,
    )
    TIME = _Dimension(
        noun="time",
        factors={"s": 1.0, "ms": 0.001, "min": 60.0},
        metric="s",
        inch="s",
        example=0.5,
        smallest=0.001,
        largest=36_000.0,
    )
    ANGLE = _Dimension(
        noun="angle",
        factors={"deg": 1.0, "°": 1.0},
        metric="deg",
        inch="deg",
        example=118.0,
        smallest=0.1,
        largest=180.0,
    )
    ACCELERATION = _Dimension(
        noun="acceleration",
        factors={"mm/s2": 1.0, "mm/s^2": 1.0, "in/s2": MM_PER_INCH, "in/s^2": MM_PER_INCH},
        metric="mm/s2",
        inch="in/s2",
        example=200.0,
        smallest=0.1,
        largest=1_000_000.0,
        inch_below=1.0,
    )
    DROOP = _Dimension(
        noun="fall of speed with torque",
        factors={"rpm/nm": 1.0},
        metric="rpm/Nm",
        inch="rpm/Nm",
        example=150.0,
        smallest=0.001,
        largest=1_000_000.0,
    )


@dataclass(frozen=True)
class Quantity:
    """A value in the base unit of its dimension, and the unit it was written in."""

    value: float
    dimension: Dimension
    unit: str

    @property
    def inches(self) -> bool:
        """True when it was written in an inch unit."""
        return self.dimension.value.factors[self.unit] == MM_PER_INCH


_NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_FRACTION = r"[+-]?(?:[0-9]+[ -])?[0-9]+/[0-9]+"
_QUANTITY = re.compile(rf"(?P<number>{_FRACTION}(?![0-9.])|{_NUMBER}) ?(?P<unit>.*)", re.DOTALL)
_COMMA = re.compile(r"(?P<whole>[0-9]+),(?P<rest>[0-9]+)(?P<unit>[^,]*)")


def parse_quantity(text: object, *dimensions: Dimension) -> Quantity:
    """Read one quantity of any of the given dimensions.

    Parameters
    ----------
    text : object
        What the file holds; only a string with a unit is accepted. Fractions of an inch may be
        written ``1/4 in`` or ``1 1/4 in``.
    *dimensions : Dimension
        What is wanted, the first one being used for the examples in messages.

    Returns
    -------
    Quantity
        More than zero and finite, in the base unit of its dimension.

    Raises
    ------
    InputError
        One line saying what is wrong and what to write; the caller adds file and key.

    Examples
    --------
    >>> parse_quantity("0.25 in", Dimension.LENGTH).value
    6.35
    >>> parse_quantity("6", Dimension.LENGTH)
    Traceback (most recent call last):
    monitor.errors.InputError: "6" has no unit; write "6 mm" or "0.236 in"
    """
    wanted = dimensions[0].value
    if isinstance(text, bool) or not isinstance(text, int | float | str):
        raise InputError(f"{_shown(text)} is not a {wanted.noun}; write {_examples(wanted)}")
    if not isinstance(text, str):
        number = float(text) if abs(text) < wanted.largest else math.nan
        raise InputError(f"{_shown(text)} has no unit; write {_examples(wanted, number)}, in quotes")
    plain = " ".join(text.split())  # any white space, no-break spaces too
    if not plain:
        raise InputError(f"{_shown(text)} is empty; write {_examples(wanted)}")
    if comma := _COMMA.fullmatch(plain):
        raise InputError(f"{_shown(text)} has a comma; write {_without_comma(comma)}")
    if "," in plain:
        raise InputError(f"{_shown(text)} has a comma; write one number with a point, {_examples(wanted)}")
    match = _QUANTITY.fullmatch(plain)
    if match is None:
        raise InputError(f"{_shown(text)} does not start with a number; write {_examples(wanted)}")
    number = _number(match["number"], text)
    if not match["unit"]:
        raise InputError(f"{_shown(text)} has no unit; write {_examples(wanted, number)}")
    dimension, unit = _unit(match["unit"], text, dimensions)
    value = number * dimension.value.factors[unit]
    _check_range(value, unit, text, dimension.value)
    return Quantity(value, dimension, unit)


def _number(written: str, text: object) -> float:
    if "/" not in written:
        return float(written)
    *whole, part = written.replace("-", " ").split()
    sign = -1.0 if written.startswith("-") else 1.0
    try:
        return sign * float(sum(map(Fraction, [*whole, part]), Fraction(0)))
    except (ArithmeticError, ValueError):
        raise InputError(f"{_shown(text)} divides by zero or is far too large; write a number") from None


def _unit(written: str, text: object, dimensions: tuple[Dimension, ...]) -> tuple[Dimension, str]:
    unit = written.lower().replace(" ", "").replace("inches", "in").replace("″", '"')
    for dimension in dimensions:
        if unit in dimension.value.factors:
            return dimension, unit
    wanted = " or ".join(f"a {dimension.value.noun}" for dimension in dimensions)
    example = _examples(dimensions[0].value)
    for dimension in Dimension:
        if unit in dimension.value.factors:
            raise InputError(
                f"{_shown(text)} is a {dimension.value.noun}; {wanted} is needed, like {example}"
            )
    raise InputError(f"{_shown(text)} has the unknown unit {_shown(written)}; write {wanted} like {example}")


def _check_range(value: float, unit: str, text: object, wanted: _Dimension) -> None:
    if value <= 0:
        raise InputError(f"{_shown(text)} is not more than zero; write {_examples(wanted)}")
    if not wanted.smallest * (1 - 1e-9) <= value <= wanted.largest * (1 + 1e-9):
        limits = (wanted.smallest / wanted.factors[unit], wanted.largest / wanted.factors[unit])
        low, high = (f"{float(f'{limit:.4g}'):.10g}" for limit in limits)  # 10000, not 1e+04
        spelt = next((u for u in (wanted.metric, "Hz", "MB", "TB") if u.casefold() == unit), unit)
        raise InputError(f"{_shown(text)} is out of range for a {wanted.noun}: {low} to {high} {spelt}")


def _without_comma(comma: re.Match[str]) -> str:
    whole, rest, unit = comma["whole"], comma["rest"], comma["unit"]
    point = f'"{whole}.{rest}{unit}"'
    return f'"{whole}{rest}{unit}" or {point}' if len(rest) == 3 else point


def _examples(wanted: _Dimension, number: float | None = None) -> str:
    """Two ways to write ``number``, the likelier reading first; an example where none can be meant."""
    if number is None or not math.isfinite(number) or number <= 0:
        number = wanted.example
    if wanted.metric == wanted.inch:
        if not wanted.smallest <= number * wanted.factors[wanted.metric.casefold()] <= wanted.largest:
            number = wanted.example  # 48000 is no number of kHz
        return f'"{_plain(number)} {wanted.metric}"'
    if number < wanted.inch_below:
        return f'"{_plain(number)} {wanted.inch}" or "{_plain(number * MM_PER_INCH)} {wanted.metric}"'
    return f'"{_plain(number)} {wanted.metric}" or "{_plain(number / MM_PER_INCH)} {wanted.inch}"'


def _shown(value: object) -> str:
    """The person's own text, in quotes and short enough for one line."""
    text = value if isinstance(value, str) else repr(value)
    text = "".join(c if c.isprintable() else " " for c in text)
    text = text if len(text) <= 60 else f"{text[:57]}..."
    return f'"{text}"' if isinstance(value, str) else text


def _plain(value: float, decimals: int = 3) -> str:
    """``decimals`` decimals or three significant digits, whichever says more; no trailing zeros."""
    if value and math.isfinite(value):
        decimals = max(decimals, 2 - math.floor(math.log10(abs(value))))
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def format_length(mm: float, units: Units) -> str:
    """A length in the person's units.

    >>> format_length(6.35, "in"), format_length(6.35, "mm")
    ('0.25 in', '6.35 mm')
    """
    return f"{_plain(mm / MM_PER_INCH)} in" if units == "in" else f"{_plain(mm, 2)} mm"


def format_feed(mm_per_rev: float, units: Units) -> str:
    """A feed per revolution in the person's units.

    >>> format_feed(0.08, "in"), format_feed(0.08, "mm")
    ('0.00315 in/rev', '0.08 mm/rev')
    """
    return f"{_plain(mm_per_rev / MM_PER_INCH)} in/rev" if units == "in" else f"{_plain(mm_per_rev)} mm/rev"


def format_surface_speed(m_min: float, units: Units, *, unit: bool = True) -> str:
    """A speed at the drill's rim in the person's units.

    >>> format_surface_speed(30.48, "in"), format_surface_speed(30.48, "mm")
    ('100 ft/min', '30.5 m/min')
    """
    value, name = (m_min * 1000.0 / (12.0 * MM_PER_INCH), "ft/min") if units == "in" else (m_min, "m/min")
    return f"{value:.3g} {name}" if unit else f"{value:.3g}"


def format_speed(rpm: float) -> str:
    """A spindle speed.

    >>> format_speed(912.4)
    '912 rpm'
    """
    return f"{_plain(rpm, 0) if rpm < 100 else f'{rpm:.0f}'} rpm"


def format_count(n: int, noun: str) -> str:
    """A number of things.

    >>> format_count(1, "hold"), format_count(2, "hold"), format_count(2, "batch")
    ('1 hold', '2 holds', '2 batches')
    """
    if n == 1:
        return f"{n} {noun}"
    return f"{n} {noun}es" if noun.endswith("ch") else f"{n} {noun}s"
