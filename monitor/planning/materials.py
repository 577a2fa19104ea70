"""The materials table: what a drill meets, each value with its source."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from monitor.errors import InputError

CHIP_FORMS = ("curl", "crumb", "fibre", "broken")


@dataclass(frozen=True)
class Material:
    """One material.

    ``kc`` is the specific cutting force in N/mm^2, ``bulking`` packed chip volume over solid volume,
    ``speed_m_min`` the usual rim speeds (lowest, highest), ``softens_c`` the softening temperature in
    Celsius or None, ``crackle`` 0 (hiss) to 1 (crackle), ``sources`` the source of each value by field name.
    """

    key: str
    name: str
    kc: float
    bulking: float
    chip_form: str
    speed_m_min: tuple[float, float]
    softens_c: float | None
    crackle: float
    notes: tuple[str, ...]
    sources: Mapping[str, str]


def load_materials(extra: Path | None = None) -> dict[str, Material]:
    """Return the table by key, extended (and overridden) by the TOML file ``extra``.

    Raises
    ------
    InputError
        A file cannot be read, or a value is missing, of the wrong kind or out of range.
    """
    table = dict(_shipped())
    if extra is not None:
        try:
            text = extra.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(f"{extra}: cannot be read ({error}); give a TOML file of materials") from error
        table.update(_parse(text, str(extra)))
    return table


def material(key: str, extra: Path | None = None) -> Material:
    """Return one material, or raise an InputError that lists the known ones."""
    table = load_materials(extra)
    if key not in table:
        raise InputError(f'material "{key}" is not in the table; known: {", ".join(sorted(table))}')
    return table[key]


@cache
def _shipped() -> dict[str, Material]:
    text = resources.files("monitor.planning").joinpath("materials.toml").read_text(encoding="utf-8")
    return _parse(text, "materials.toml")


def _parse(text: str, where: str) -> dict[str, Material]:
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{where}: not valid TOML ({error})") from error
    return {key: _one(key, entry, where) for key, entry in raw.items()}


def _one(key: str, entry: Any, where: str) -> Material:
    if not isinstance(entry, dict):
        raise InputError(f'{where}: "{key}" is not a table; write [{key}] and its values below it')
    sources: dict[str, str] = {}

    def value(field: str) -> Any:
        item = entry.get(field)
        if not isinstance(item, dict) or "value" not in item or not isinstance(item.get("source"), str):
            raise InputError(f'{where}: {key}.{field}: write {field} = {{ value = ..., source = "..." }}')
        sources[field] = item["source"]
        return item["value"]

    def number(field: str, low: float, high: float) -> float:
        return _in_range(value(field), f"{where}: {key}.{field}", low, high)

    chip_form = value("chip_form")
    if chip_form not in CHIP_FORMS:
        raise InputError(f'{where}: {key}.chip_form: "{chip_form}" is none of {", ".join(CHIP_FORMS)}')
    speeds = value("speed_m_min")
    if not isinstance(speeds, list) or len(speeds) != 2:
        raise InputError(
            f"{where}: {key}.speed_m_min: write two numbers, the lowest and the highest, in m/min"
        )
    low, high = (_in_range(speed, f"{where}: {key}.speed_m_min", 0.1, 5000.0) for speed in speeds)
    if low > high:
        raise InputError(f"{where}: {key}.speed_m_min: {low:g} is above {high:g}; put the lower one first")
    return Material(
        key=key,
        name=str(entry.get("name", key)),
        kc=number("kc", 1.0, 20000.0),
        bulking=number("bulking", 1.0, 60.0),
        chip_form=chip_form,
        speed_m_min=(low, high),
        softens_c=number("softens_c", 20.0, 2000.0) if "softens_c" in entry else None,
        crackle=number("crackle", 0.0, 1.0),
        notes=tuple(str(note) for note in entry.get("notes", ())),
        sources=sources,
    )


def _in_range(value: Any, where: str, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
        raise InputError(f"{where}: {value!r} is not a number from {low:g} to {high:g}")
    return float(value)
