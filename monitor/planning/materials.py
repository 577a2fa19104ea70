"""The materials table: what a drill meets, each value with its source."""

from __future__ import annotations

import difflib
import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from monitor.errors import InputError
from monitor.toml_tables import read_toml_text, toml_text

CHIP_FORMS = ("curl", "crumb", "fibre", "broken")


@dataclass(frozen=True)
class Material:
    """One material.

    ``kc`` is the specific cutting force in N/mm^2 (with a ``kc_exponent`` that of a chip 1 mm thick, after
    Kienzle), ``bulking`` packed chip volume over solid volume,
    ``speed_m_min`` the usual rim speeds (lowest, highest), ``crackle`` 0 (hiss) to 1 (crackle). None where
    not known: ``softens_c`` the softening temperature in Celsius, ``heat_j_cm3k`` the heat capacity of a
    volume, ``feed_of_diameter`` the usual feeds a revolution over the diameter, the drill's ``point_deg``
    (lowest, highest), ``deep_point_deg`` for deep holes, and ``lip_clearance_deg``. ``sources`` has the
    source of each value by field name, ``ranges`` how well a value is known, where that is stated.
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
    sources: Mapping[str, str] = field(hash=False)
    heat_j_cm3k: float | None = None
    feed_of_diameter: tuple[float, float] | None = None
    point_deg: tuple[float, float] | None = None
    deep_point_deg: float | None = None
    lip_clearance_deg: tuple[float, float] | None = None
    kc_exponent: float | None = None
    ranges: Mapping[str, tuple[float, float]] = field(default_factory=dict, hash=False)

    def span(self, name: str) -> tuple[float, float]:
        """Return lowest and highest of a single value; the value itself twice where no range is stated."""
        value = float(getattr(self, name))
        return self.ranges.get(name, (value, value))


_SINGLE = {"kc": (1.0, 20000.0), "bulking": (1.0, 60.0), "crackle": (0.0, 1.0)}
_SINGLE_OPTIONAL = {
    "softens_c": (20.0, 2000.0),
    "heat_j_cm3k": (0.01, 100.0),
    "deep_point_deg": (10.0, 180.0),
    "kc_exponent": (0.0, 0.9),
}
_PAIRS = {"speed_m_min": (0.1, 5000.0, "m/min")}
_PAIRS_OPTIONAL = {
    "feed_of_diameter": (1e-4, 0.5, "mm/rev for each mm of diameter"),
    "point_deg": (10.0, 180.0, "degrees"),
    "lip_clearance_deg": (1.0, 45.0, "degrees"),
}
_FIELDS = (
    "name", "notes", "chip_form", *_SINGLE, *_SINGLE_OPTIONAL, *_PAIRS, *_PAIRS_OPTIONAL
)  # fmt: skip


def load_materials(extra: Path | None = None) -> dict[str, Material]:
    """Return the table by key, extended (and overridden) by the TOML file ``extra``.

    Raises
    ------
    InputError
        A file cannot be read, or a value is missing, of the wrong kind or out of range.
    """
    table = dict(_shipped())
    if extra is not None:
        table.update(_parse(read_toml_text(extra, "TOML file of materials"), str(extra)))
    return table


def material(key: str, extra: Path | None = None) -> Material:
    """Return one material, or raise an InputError that lists the known ones."""
    table = load_materials(extra)
    if key not in table:
        raise InputError(f'material "{key}" is not in the table; known: {", ".join(sorted(table))}')
    return table[key]


def parse_materials(raw: Mapping[str, Any], where: str) -> dict[str, Material]:
    """Read materials from tables as TOML gives them; ``where`` is named in messages. Raises InputError."""
    return {key: _one(key, entry, where) for key, entry in raw.items()}


def material_toml(entry: Material, table: str) -> str:
    """Write one material as the TOML that `parse_materials` reads, under ``[table.key]``."""
    lines = [f"[{table}.{json.dumps(entry.key)}]", f"name = {toml_text(entry.name)}"]
    for name, source in entry.sources.items():
        value = getattr(entry, name)
        written = toml_text(value) if isinstance(value, str) else _toml_number(value)
        ranged = f", range = {_toml_number(entry.ranges[name])}" if name in entry.ranges else ""
        lines.append(f"{name} = {{ value = {written}{ranged}, source = {toml_text(source)} }}")
    lines.append(f"notes = [{', '.join(toml_text(note) for note in entry.notes)}]")
    return "\n".join(lines) + "\n"


def _toml_number(value: float | tuple[float, float]) -> str:
    return f"[{value[0]!r}, {value[1]!r}]" if isinstance(value, tuple) else repr(value)


@cache
def _shipped() -> dict[str, Material]:
    text = resources.files("monitor.planning").joinpath("materials.toml").read_text(encoding="utf-8")
    return _parse(text, "materials.toml")


def _parse(text: str, where: str) -> dict[str, Material]:
    try:
        raw = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{where}: not valid TOML ({error})") from error
    return parse_materials(raw, where)


def _one(key: str, entry: Any, where: str) -> Material:
    if not isinstance(entry, dict):
        raise InputError(f'{where}: "{key}" is not a table; write [{key}] and its values below it')
    for name in entry:
        if name not in _FIELDS:
            near = difflib.get_close_matches(name, _FIELDS, n=1)
            mend = f'did you mean "{near[0]}"?' if near else f"known: {', '.join(_FIELDS)}"
            raise InputError(f"{where}: {key}.{name}: unknown key; {mend}")
    sources: dict[str, str] = {}
    ranges: dict[str, tuple[float, float]] = {}

    def value(name: str) -> Any:
        item = entry.get(name)
        if not isinstance(item, dict) or "value" not in item or not isinstance(item.get("source"), str):
            raise InputError(f'{where}: {key}.{name}: write {name} = {{ value = ..., source = "..." }}')
        sources[name] = item["source"]
        return item["value"]

    def single(name: str, low: float, high: float) -> float:
        place = f"{where}: {key}.{name}"
        number = _in_range(value(name), place, low, high)
        if "range" in entry[name]:
            ranges[name] = _pair(entry[name]["range"], f"{place}.range", low, high, "")
            if not ranges[name][0] <= number <= ranges[name][1]:
                raise InputError(f"{place}: {number:g} is outside its own range")
        return number

    chip_form = value("chip_form")
    if chip_form not in CHIP_FORMS:
        raise InputError(f'{where}: {key}.chip_form: "{chip_form}" is none of {", ".join(CHIP_FORMS)}')
    singles = {name: single(name, *limits) for name, limits in _SINGLE.items()}
    optional = {name: single(name, *limits) for name, limits in _SINGLE_OPTIONAL.items() if name in entry}
    pairs = {
        name: _pair(value(name), f"{where}: {key}.{name}", *limits)
        for name, limits in (_PAIRS | _PAIRS_OPTIONAL).items()
        if name in _PAIRS or name in entry
    }
    notes = entry.get("notes", ())
    if not isinstance(notes, (list, tuple)):
        raise InputError(f'{where}: {key}.notes: write a list of sentences, ["..."]')
    return Material(
        key=key,
        name=str(entry.get("name", key)),
        kc=singles["kc"],
        bulking=singles["bulking"],
        crackle=singles["crackle"],
        chip_form=chip_form,
        speed_m_min=pairs["speed_m_min"],
        feed_of_diameter=pairs.get("feed_of_diameter"),
        point_deg=pairs.get("point_deg"),
        lip_clearance_deg=pairs.get("lip_clearance_deg"),
        softens_c=optional.get("softens_c"),
        heat_j_cm3k=optional.get("heat_j_cm3k"),
        deep_point_deg=optional.get("deep_point_deg"),
        kc_exponent=optional.get("kc_exponent"),
        notes=tuple(str(note) for note in notes),
        sources=sources,
        ranges=ranges,
    )


def _pair(written: Any, where: str, low: float, high: float, unit: str) -> tuple[float, float]:
    if not isinstance(written, list) or len(written) != 2:
        ending = f", in {unit}" if unit else ""
        raise InputError(f"{where}: write two numbers, the lowest and the highest{ending}")
    least, most = (_in_range(number, where, low, high) for number in written)
    if least > most:
        raise InputError(f"{where}: {least:g} is above {most:g}; put the lower one first")
    return least, most


def _in_range(value: Any, where: str, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
        raise InputError(f"{where}: {value!r} is not a number from {low:g} to {high:g}")
    return float(value)
