"""Quantities given as options on the command line."""

from __future__ import annotations

from monitor.errors import InputError
from monitor.quantities import Dimension, parse_quantity


def quantity(written: str, option: str, dimension: Dimension) -> float:
    """A quantity in the base unit of its dimension; raises InputError that names the option."""
    try:
        return parse_quantity(written, dimension).value
    except InputError as error:
        raise InputError(f"{option}: {error}") from None


def percentage(written: str, option: str, most_pct: float) -> float:
    """A share written in per cent, such as "5 %"; raises InputError that names the option."""
    value = quantity(written, option, Dimension.PERCENT)
    if value > most_pct:
        raise InputError(f"{option}: {written} is too much; write at most {most_pct:g} %")
    return value / 100.0
