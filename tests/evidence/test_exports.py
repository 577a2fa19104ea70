"""The plain files, field by field as the public interface names them, and what becomes of earlier ones."""

import csv
import json
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from monitor.evidence.exports import FILES, Exports, complete, event_line, header, set_aside, trace_line
from monitor.measurements import Event, Kind, Severity, TraceRow
from tests.scripted import NAN, event, peck, row

STARTED = datetime(2026, 11, 25, 10, tzinfo=UTC)


def test_columns_are_those_of_the_interface(tmp_path):
    exports = Exports(tmp_path, STARTED)
    exports.add_trace([row(0.05), TraceRow(0.1, NAN, 0.0, NAN, float("-inf"), NAN, NAN, NAN, False)])
    exports.add_pecks([peck(9.0)])
    exports.flush()
    exports.close()
    with (tmp_path / "trace.csv").open(newline="") as file:
        trace = list(csv.DictReader(file))
    assert list(trace[0]) == [
        *("t", "speed_rpm", "speed_confidence", "sag_pct", "level_db"),
        *("cut_level_db", "chatter_db", "rise_db_per_s", "cutting"),
    ]
    assert {name: float(text) for name, text in trace[0].items()} == pytest.approx(
        dict(zip(trace[0], [0.05, 896.26, 0.97, 0.405, -31.2, 8.75, 2.5, -0.12, 1], strict=True)), abs=0.006
    )
    assert list(trace[1].values()) == ["0.100", "", "0.000", "", "", "", "", "", "0"]
    with (tmp_path / "pecks.csv").open(newline="") as file:
        (only,) = csv.DictReader(file)
    assert only == {
        "blank": "1",
        "peck": "1",
        "start_s": "7.000",
        "end_s": "9.000",
        "depth_from_mm": "0.00",
        "depth_to_mm": "20.00",
        "mean_sag_pct": "1.500",
        "max_sag_pct": "3.250",
        "climb_depth_mm": "",
        "mean_cut_level_db": "9.50",
        "flute_fill": "0.420",
        "worst_event": "",
    }


def refuse_constant(name):
    raise AssertionError(f"{name} is not JSON")


def test_an_event_line_is_strict_json_with_the_fields_of_the_interface():
    said = Event(83.45, Kind.MASKED, Severity.INFO, "A line\nand “another”", unit="", onset_s=82.0)
    line = event_line(said, "", "2026-11-25T10:01:23.450Z")
    assert line.count("\n") == 1
    assert line.endswith("\n")
    fields = json.loads(line, parse_constant=refuse_constant)
    assert fields == {
        "t": 83.45,
        "at": "2026-11-25T10:01:23.450Z",
        "kind": "masked",
        "severity": "info",
        "value": None,
        "limit": None,
        "unit": "",
        "blank": 0,
        "peck": 0,
        "depth_mm": None,
        "message": "A line\nand “another”",
        "clip": None,
        "onset_t": 82.0,
    }
    assert list(fields)[:12] == [
        *("t", "at", "kind", "severity", "value", "limit"),
        *("unit", "blank", "peck", "depth_mm", "message", "clip"),
    ]


def test_numbers_are_rounded_sensibly():
    fields = json.loads(event_line(Event(1 / 3, Kind.SAG, Severity.HOLD, "x", 100 / 7, 8.0, "%"), "c", ""))
    assert (fields["t"], fields["value"], fields["limit"], fields["clip"]) == (0.333333, 14.2857, 8.0, "c")


def test_events_stand_in_the_file_at_once_and_pecks_and_trace_after_a_flush(tmp_path):
    exports = Exports(tmp_path, STARTED)
    exports.add_events([(event(1.0), "clips/a.flac")])
    assert json.loads((tmp_path / "events.jsonl").read_text("utf-8"))["clip"] == "clips/a.flac"
    exports.add_trace([row(1.0)])
    exports.add_pecks([peck(1.0)])
    exports.flush()
    assert (tmp_path / "trace.csv").read_text().endswith(trace_line(row(1.0)))
    assert len((tmp_path / "pecks.csv").read_text().splitlines()) == 2
    exports.close()


def test_nothing_is_ever_written_over(tmp_path):
    (tmp_path / "trace.csv").write_text("mine")
    with pytest.raises(FileExistsError):
        Exports(tmp_path, STARTED)
    assert (tmp_path / "trace.csv").read_text() == "mine"


def fill(directory: Path, text: str) -> None:
    for name in FILES:
        (directory / name).write_text(text)


def test_earlier_exports_are_moved_untouched(tmp_path):
    assert set_aside(tmp_path, 0) == 0
    fill(tmp_path, "one")
    assert set_aside(tmp_path, 1) == 1
    assert [(tmp_path / "earlier" / "0001" / name).read_text() for name in FILES] == ["one"] * 3
    assert not any((tmp_path / name).exists() for name in FILES)
    assert set_aside(tmp_path, 1) == 1


def test_an_interrupted_move_is_completed(tmp_path):
    fill(tmp_path, "one")
    (tmp_path / "earlier" / "0001").mkdir(parents=True)
    (tmp_path / "events.jsonl").rename(tmp_path / "earlier" / "0001" / "events.jsonl")
    assert set_aside(tmp_path, 1) == 1
    assert [(tmp_path / "earlier" / "0001" / name).read_text() for name in FILES] == ["one"] * 3


@pytest.mark.parametrize("clips", [[], ["0005-000001.000-sag.flac"]])
def test_when_the_store_was_removed_nothing_is_lost(tmp_path, clips):
    fill(tmp_path, "one")
    set_aside(tmp_path, 1)
    fill(tmp_path, "two")
    (tmp_path / "clips").mkdir()
    for name in clips:
        (tmp_path / "clips" / name).touch()
    newest = set_aside(tmp_path, 0)
    assert newest == (6 if clips else 2)
    assert (tmp_path / "earlier" / "0001" / "trace.csv").read_text() == "one"
    assert (tmp_path / "earlier" / f"{newest:04d}" / "trace.csv").read_text() == "two"


def test_time_is_given_in_utc_whatever_the_zone_of_the_start(tmp_path):
    start = datetime(2026, 11, 25, 12, tzinfo=timezone(timedelta(hours=2))).astimezone(UTC)
    exports = Exports(tmp_path, start)
    exports.add_events([(event(1.0), "")])
    exports.close()
    assert '"at": "2026-11-25T10:00:01.000Z"' in (tmp_path / "events.jsonl").read_text("utf-8")


@pytest.mark.parametrize(
    ("there", "becomes"),
    [
        (None, "a\nb\nc\n"),
        ("", "a\nb\nc\n"),
        ("a\n", "a\nb\nc\n"),
        ("a\nbb", "a\nb\nc\n"),  # cut off within a line
        ("a\n\0\0\0\0", "a\nb\nc\n"),  # zeros, as after a power cut
        ("a\nb\nc\nd\n", "a\nb\nc\nd\n"),  # it knows more than the store: kept
    ],
)
def test_an_export_that_was_cut_off_is_completed(tmp_path, there, becomes):
    path = tmp_path / "events.jsonl"
    if there is not None:
        path.write_text(there)
    for _ in range(2):
        complete(path, lambda n: ["a\n", "b\n", "c\n"][n:])
        assert path.read_text() == becomes


@pytest.mark.parametrize("there", [None, "", "t,speed", 0, 1, 2, 3])
def test_an_export_with_a_header_is_completed(tmp_path, there):
    path, lines = tmp_path / "trace.csv", [trace_line(row(t)) for t in (0.05, 0.1, 0.15)]
    whole = header("trace.csv") + "".join(lines)
    if there is not None:
        path.write_text(there if isinstance(there, str) else header("trace.csv") + "".join(lines[:there]))
    complete(path, lambda n: lines[n:])
    assert path.read_text() == whole
