"""The reference says what the code does: generated pages are this code's, written ones name all there is."""

from __future__ import annotations

import argparse
import ast
import importlib
import json
import re
import sqlite3
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from monitor import job, spindles, station
from monitor.baseline import BASELINE_VERSION, Baseline, Line
from monitor.evidence import clips, exports
from monitor.evidence.store import SCHEMA_VERSION, Store
from monitor.measurements import SPINDLE_STOP_KINDS, Event, Kind, PeckRow, Severity, TraceRow
from monitor.planning.pecking import USUAL_FILL_LIMIT
from monitor.quantities import Dimension, Quantity, parse_quantity
from monitor.session import LEAST_SAG_PCT, MOST_SAG_PCT
from tests.docs import reference

ROOT = reference.ROOT
PAGES = {path.name: path.read_text("utf-8") for path in reference.REFERENCE.glob("*.md")}
RULES = {path.stem: path.read_text("utf-8") for path in (ROOT / "monitor/faults").glob("[!_]*.py")}


def rows(page: str, heading: str) -> dict[str, list[str]]:
    """The rows of the first table under a heading, by the names in their first cells."""
    _, found, after = PAGES[page].partition(f"\n{heading}\n")
    assert found, f"{page} has no heading {heading!r}"
    table = re.search(r"^\|.*?(?=\n\n|\Z)", after, re.MULTILINE | re.DOTALL)
    assert table is not None
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in table[0].splitlines()[2:]]
    return {name: row for row in cells for name in re.findall(r"`([^`]+)`", row[0])}


@pytest.mark.parametrize("name", reference.PAGES)
def test_a_generated_page_is_that_of_this_code(name: str) -> None:
    assert PAGES[name] == reference.PAGES[name](), f"write it again: {reference.COMMAND}"


# Events.


def told() -> dict[Kind, set[Severity]]:
    """Severities with which each kind is told anywhere in the program."""
    found: dict[Kind, set[Severity]] = {kind: set() for kind in Kind}
    for text in RULES.values():
        kinds = set(re.findall(r"Finding\(\s*Kind\.([A-Z_]+)", text))
        for kind in kinds:
            found[Kind[kind]] |= {Severity[name] for name in re.findall(r"Severity\.([A-Z]+)", text)}
    for path in (ROOT / "monitor").rglob("*.py"):
        for call in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(call, ast.Call) or path.parent.name == "faults":
                continue
            named = [ast.unparse(arg) for arg in call.args]
            kinds = {name[5:] for name in named if name.startswith("Kind.")}
            severities = {Severity[name[9:]] for name in named if name.startswith("Severity.")}
            if len(kinds) == 1 and path.parent.name == "pecks":
                severities = {Severity.INFO}  # monitor.pecks tells of nothing else: asserted below
            if len(kinds) == 1:
                found[Kind[kinds.pop()]] |= severities
    return found


def test_every_kind_of_event_is_told_with_its_severities() -> None:
    for path in (ROOT / "monitor/pecks").glob("*.py"):
        assert "Severity.WARNING" not in path.read_text("utf-8")
    listed = rows("events.md", "## Faults") | rows("events.md", "## The batch")
    listed |= rows("events.md", "## People and the computer")
    assert set(listed) == set(Kind)
    for kind, severities in told().items():
        assert set(re.split(r", ", listed[kind][1])) == set(severities), kind
    assert set(rows("events.md", "## Severities")) == set(Severity)


def test_units_of_faults_are_those_of_their_rules() -> None:
    for kind, row in rows("events.md", "## Faults").items():
        said = set(re.findall(r"`([^`]+)`", row[5]))
        used = set()
        for text in RULES.values():
            if f"Finding(Kind.{kind.upper()}" in re.sub(r"\(\s+", "(", text):
                used |= set(re.findall(r', "(%|s|dB)"[,)]', text))
        assert said == used, kind


def test_the_kinds_that_stop_the_spindle_are_named() -> None:
    for kind in SPINDLE_STOP_KINDS:
        assert f"`{kind}` opens the spindle-stop line too" in PAGES["events.md"]


# Thresholds.


def test_thresholds_of_the_job_have_their_defaults_and_ranges() -> None:
    listed = rows("thresholds.md", "## In the job file")
    known = job._ThresholdsTable.model_fields
    assert set(listed) == {f"thresholds.{name}" for name in known}
    for name in ("sag_warning", "sag_hold"):
        field = known[name]
        _, unit, default, span, reason = listed[f"thresholds.{name}"]
        assert (unit, float(default)) == ("%", field.default.value)
        low, high = map(float, re.findall(r"[\d.]+", span)[:2])
        assert (low, high) == (Dimension.PERCENT.value.smallest, Dimension.PERCENT.value.largest)
        assert reason
    assert f"from {LEAST_SAG_PCT:g} to {MOST_SAG_PCT:g} %" in PAGES["thresholds.md"]


def test_the_kinds_that_may_only_warn_are_listed() -> None:
    listed = rows("files.md", "## The job file")["thresholds.warn_only"][3]
    assert re.findall(r"`(\w+)`", listed) == list(get_args(job._MayOnlyWarn))


def test_the_limit_of_the_evidence_has_its_default_and_range() -> None:
    (row,) = rows("thresholds.md", "## In the station file").values()
    space = Dimension.DISK_SPACE
    assert parse_quantity(row[2], space).value == station.DEFAULT_LIMIT_BYTES
    low, high = (parse_quantity(text, space).value for text in row[3].split(" to "))
    assert (low, high) == (space.value.smallest, space.value.largest)


def default(command: str, option: str) -> float:
    """What an option is when it is left out, without its unit."""
    parser = argparse.ArgumentParser()
    importlib.import_module(f"monitor.commands.{command}").add_arguments(parser)
    return float(str(parser._option_string_actions[option].default).removesuffix(" %"))


def test_the_defaults_of_advice() -> None:
    listed = {name: float(row[2]) for name, row in rows("thresholds.md", "## Of advice").items()}
    assert listed.pop("plan --fill-limit") == round(100 * USUAL_FILL_LIMIT, 1)
    assert listed == {name: default(*name.split()) for name in listed}


# Files.


def keys(model: type[BaseModel], prefix: str = "") -> dict[str, Any]:
    """Dotted names of every key of a TOML file, with the field behind each."""
    found: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        inner = [part for part in (field.annotation, *get_args(field.annotation)) if isinstance(part, type)]
        tables = [part for part in inner if issubclass(part, BaseModel)]
        found |= keys(tables[0], f"{prefix}{name}.") if tables else {f"{prefix}{name}": field}
    return found


@pytest.mark.parametrize(
    ("heading", "model"),
    [("## The job file", job._JobFile), ("## The station file", station._StationFile)],
)
def test_keys_of_a_file_are_all_told_with_default_and_range(heading: str, model: type[BaseModel]) -> None:
    listed, known = rows("files.md", heading), keys(model)
    assert set(listed) == set(known)
    for name, field in known.items():
        _, _, default, span, *_ = listed[name]
        assert default.startswith("required") == (field.default is PydanticUndefined), name
        if isinstance(field.default, Quantity):
            assert parse_quantity(default, field.default.dimension).value == field.default.value
        elif isinstance(field.default, int | str) and field.default:
            assert default == str(field.default)
        for limit in ("ge", "le", "min_length", "max_length"):
            for rule in field.metadata:
                bound = getattr(rule, limit, None)
                if isinstance(bound, int) and bound and (limit, bound) != ("min_length", 1):
                    assert str(bound) in span.replace(" ", ""), f"{name}: {limit} {bound}"


def test_keys_of_the_spindles_file() -> None:
    assert set(rows("files.md", "## The spindles file")) == set(spindles._SpindleTable.model_fields)


def test_keys_of_the_baseline() -> None:
    listed = rows("files.md", "## The baseline file")
    assert list(listed) == [field.name for field in fields(Baseline)]
    assert all(f"`{field.name}`" in listed["lines"][2] for field in fields(Line))
    assert f"of this form: {BASELINE_VERSION}" in listed["version"][2]


def test_fields_and_columns_of_the_exports() -> None:
    event = Event(1.0, Kind.SAG, Severity.HOLD, "")
    line: Mapping[str, object] = json.loads(exports.event_line(event, "", "2026-11-25T10:00:00.000Z"))
    assert list(rows("files.md", "### events.jsonl"))[:12] == [*line][:12]
    assert set(line) <= set(rows("files.md", "### events.jsonl"))
    assert list(rows("files.md", "### trace.csv")) == list(TraceRow._fields)
    assert list(rows("files.md", "### pecks.csv")) == [field.name for field in fields(PeckRow)]
    assert set(exports.FILES) <= set(rows("files.md", "## The evidence directory"))
    assert f"from {clips.BEFORE_S:g} s before to {clips.AFTER_S:g} s after" in PAGES["files.md"]


def test_tables_and_columns_of_the_store(tmp_path: Path) -> None:
    Store(tmp_path / "evidence.db").close()
    listed = rows("files.md", "### evidence.db")
    with sqlite3.connect(tmp_path / "evidence.db") as db:
        query = "SELECT name FROM sqlite_schema WHERE type = 'table'"
        known = {
            name: [row[1] for row in db.execute(f"PRAGMA table_info({name})")]
            for (name,) in db.execute(query)
        }
    db.close()
    assert set(listed) == set(known)
    exported = {"trace": "### trace.csv", "events": "### events.jsonl", "pecks": "### pecks.csv"}
    for name, columns in known.items():
        said = re.findall(r"`([^`]+)`", listed[name][1])
        if name in exported:
            said += rows("files.md", exported[name])
        assert set(said) == set(columns), name
    assert f"version {SCHEMA_VERSION} " in PAGES["files.md"]
