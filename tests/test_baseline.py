"""The baseline file: round trip, strict loading, the description, and the command."""

from __future__ import annotations

import copy
import json
import math
from dataclasses import replace

import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.baseline import Baseline, Line, LineClass, describe, load_baseline, save_baseline
from monitor.cli import main
from monitor.errors import BaselineError
from tests.signal.free_running import free_run

NAN = float("nan")
BASELINE = Baseline(
    version=1,
    created="2026-01-01T00:00:00+00:00",
    sample_rate_hz=48000.0,
    speeds_rpm=(300.0, 800.0),
    heard_ratio=(0.998, 1.002),
    level_dbfs=(-33.0, -30.0),
    floor_hz=(500.0, 1000.0, 2000.0),
    floor_dbfs_hz=((-80.0, -81.0, -84.0), (-76.0, -78.0, -80.0)),
    lines=(
        Line(LineClass.ORDER, 23.3, 116.3, (-40.0, -38.5), (30.0, 31.0), 0.99),
        Line(LineClass.ORDER, 8.0, 40.0, (NAN, -44.0), (NAN, 40.0), 0.95),
        Line(LineClass.FIXED, NAN, 100.0, (-50.0, -50.0), (20.0, 20.0), 0.99),
        Line(LineClass.FIXED, NAN, 150.0, (-50.0, -50.0), (20.0, 20.0), 0.99),
        Line(LineClass.FIXED, NAN, 2730.0, (-50.0, -50.0), (20.0, 20.0), 0.99),
        Line(LineClass.UNKNOWN, 61.0, 305.0, (-60.0, NAN), (12.0, NAN), 0.4),
    ),
    wander=0.002,
    confidence=0.97,
    notes=("a note",),
)


def _write(path, data):
    path.write_text(json.dumps(data), encoding="utf-8")
    return path


@pytest.fixture
def tree(tmp_path):
    save_baseline(BASELINE, tmp_path / "b.json")
    return json.loads((tmp_path / "b.json").read_text(encoding="utf-8"))


def test_round_trip(tmp_path):
    path = tmp_path / "baseline.json"
    save_baseline(BASELINE, path)
    assert repr(load_baseline(path)) == repr(BASELINE)  # repr: NaN is not equal to itself
    assert [p.name for p in tmp_path.iterdir()] == ["baseline.json"]
    json.loads(path.read_text(encoding="utf-8"), parse_constant=pytest.fail)  # plain JSON: no NaN in it


def test_a_file_that_cannot_be_written_leaves_nothing(tmp_path):
    with pytest.raises(BaselineError, match=r"no/b\.json: cannot be written .* choose another file"):
        save_baseline(BASELINE, tmp_path / "no" / "b.json")
    (tmp_path / "dir").mkdir()
    with pytest.raises(BaselineError, match="cannot be written"):
        save_baseline(BASELINE, tmp_path / "dir")
    assert [p.name for p in tmp_path.iterdir()] == ["dir"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda d: d.update(version=2), "version: 2 where this program reads 1"),
        (lambda d: d.pop("wander"), "wander: is missing"),
        (lambda d: d.update(sample_rate_hz="48 kHz"), 'sample_rate_hz: "48 kHz" is not a number'),
        (lambda d: d.update(confidence=True), "confidence: true is not a number"),
        (lambda d: d.update(speeds_rpm=[800, 300]), "speeds_rpm: must be one or more speeds in rising order"),
        (lambda d: d.update(speeds_rpm=[]), "speeds_rpm: must be"),
        (lambda d: d.update(heard_ratio=[1.0]), "heard_ratio: has 1 values where 2 are needed"),
        (lambda d: d["floor_dbfs_hz"][1].pop(), r"floor_dbfs_hz\[1\]: has 2 values where 3"),
        (lambda d: d["lines"][2].update(kind="belt"), r'lines\[2\]\.kind: "belt" is not one of "order"'),
        (lambda d: d["lines"][0].update(order=None), r"lines\[0\]\.order: null is not a number"),
        (lambda d: d["lines"][0].update(level_dbfs=[None, None]), r"lines\[0\]\.level_dbfs: has no level"),
        (lambda d: d["lines"].insert(0, 3), r"lines\[0\]: 3 is not an object"),
        (lambda d: d.update(notes="a"), 'notes: "a" is not a list'),
    ],
)
def test_wrong_values_are_named(tree, tmp_path, change, message):
    change(tree)
    with pytest.raises(BaselineError, match=message) as error:
        load_baseline(_write(tmp_path / "wrong.json", tree))
    assert str(error.value).startswith(f"{tmp_path / 'wrong.json'}: ")
    assert str(error.value).endswith("learn it again with `spindlebell baseline`")


def test_files_that_are_no_baseline(tmp_path):
    with pytest.raises(BaselineError, match="no such file; make one"):
        load_baseline(tmp_path / "none.json")
    with pytest.raises(BaselineError, match="cannot be read"):
        load_baseline(tmp_path)
    for content in (b"", b"RIFF\xff\xfe\x00", b"[" * 100_000, b"{'a': 1}", b"9" * 5000):
        (tmp_path / "odd.json").write_bytes(content)
        with pytest.raises(BaselineError, match=r"odd\.json: .* `spindlebell baseline`$"):
            load_baseline(tmp_path / "odd.json")
    with pytest.raises(BaselineError, match="the file: list is not an object"):
        load_baseline(_write(tmp_path / "odd.json", []))


def _paths(value, path=()):
    yield path
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in items:
        yield from _paths(item, (*path, key))


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | st.just(10**400),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_a_mutated_file_loads_or_is_refused_in_one_line(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "mutated.json"
    save_baseline(BASELINE, path)
    tree = json.loads(path.read_text(encoding="utf-8"))
    for _ in range(data.draw(st.integers(1, 3))):
        where = data.draw(st.sampled_from(list(_paths(tree))))
        value = data.draw(JSON_VALUES)
        if not where:
            tree = copy.deepcopy(value)
            continue
        node = tree
        for key in where[:-1]:
            node = node[key]
        node[where[-1]] = value
    path.write_text(json.dumps(tree), encoding="utf-8")
    loaded, refusal = None, ""
    try:
        loaded = load_baseline(path)
    except BaselineError as error:
        refusal = str(error)
    assert "\n" not in refusal
    if loaded is not None:
        save_baseline(loaded, path)
        assert repr(load_baseline(path)) == repr(loaded)
        assert describe(loaded)


def test_description_in_plain_words():
    text = describe(BASELINE)
    assert "2 lines turn with the spindle (strongest at 8 and 23.3 times the rotation)" in text
    assert "3 stay fixed (100, 150 Hz: mains; 2730 Hz), 1 could not be classed" in text
    assert "At 300 rpm: level -33.0 dBFS, noise floor -82 dBFS per Hz around 1 kHz" in text
    assert "The 800 rpm recording ran 0.4 % faster relative to the 300 rpm one than the dial says" in text
    assert "lines of its field may be among those that turn: free running cannot tell them" in text
    assert "Note: a note." in text


def test_description_of_one_speed_without_turning_lines():
    one = replace(
        BASELINE,
        speeds_rpm=(300.0,),
        heard_ratio=(1.0,),
        level_dbfs=(-33.0,),
        floor_dbfs_hz=((-80.0, -81.0, -84.0),),
        lines=(Line(LineClass.UNKNOWN, 61.0, 305.0, (-60.0,), (12.0,), 0.4),),
    )
    assert describe(one).startswith("0 lines turn with the spindle, 0 stay fixed, 1 could not be classed.")
    assert "induction" not in describe(one)


def test_description_of_a_floor_that_was_measured_elsewhere():
    high = replace(BASELINE, floor_hz=(3000.0, 4000.0, 5000.0))
    assert "noise floor not known around 1 kHz" in describe(high)


def _record(path, rpm, seed, **more):
    soundfile.write(path, free_run(rpm, seed, seconds=6, **more), 16000, subtype="PCM_24")
    return str(path)


def test_command_learns_writes_and_says_what_it_found(tmp_path, capsys):
    a, b = _record(tmp_path / "a.wav", 500, 1), _record(tmp_path / "b.flac", 1100, 2)
    out = tmp_path / "baseline.json"
    assert main(["baseline", "--rpm", "500", a, "--rpm", "1100rpm", b, "-o", str(out)]) == 0
    said = capsys.readouterr().out
    assert "5 lines turn with the spindle" in said
    assert "3 stay fixed (50, 150 Hz: mains; 2730 Hz)" in said
    assert "headstock" not in said
    baseline = load_baseline(out)
    assert baseline.speeds_rpm == (500.0, 1100.0)
    assert math.isclose(
        max(line.order for line in baseline.lines if line.kind is LineClass.ORDER), 71.2, rel_tol=3e-4
    )


def test_command_says_at_which_speed_too_little_is_heard_and_once_how_to_mend_it(tmp_path, capsys):
    lines = {23.3: 0.6, 71.2: 0.4}
    a, b = (_record(tmp_path / f"{rpm}.wav", rpm, 1, snr_db=0, orders=lines) for rpm in (900, 2000))
    out = tmp_path / "baseline.json"
    assert main(["baseline", "--rpm", "900", a, "--rpm", "2000", b, "-o", str(out)]) == 0
    said = capsys.readouterr().out
    assert said.count("Note: at 900 rpm ") == said.count("Note: at 2000 rpm ") == 1
    assert said.count("Better: With the spindle stopped move the microphone nearer to the headstock") == 1


@pytest.mark.parametrize(
    ("speed", "file", "message"),
    [
        ("fast", "a.wav", '"fast" is not a speed; write for example'),
        ("nan", "a.wav", "commanded speed nan rpm is not between"),
        ("500", "none.wav", "none.wav"),
        ("500", "short.wav", "short.wav: 2.0 s is too short"),
        ("500", "integers.wav", "integers.wav: a sample of "),
    ],
)
def test_command_refuses_in_one_line_and_keeps_the_old_file(tmp_path, capsys, speed, file, message):
    _record(tmp_path / "a.wav", 500, 3)
    soundfile.write(tmp_path / "short.wav", free_run(500, 4, seconds=2), 16000)
    soundfile.write(tmp_path / "integers.wav", 32768 * free_run(500, 4, seconds=4), 16000, subtype="FLOAT")
    out = tmp_path / "baseline.json"
    out.write_text("old", encoding="utf-8")
    assert main(["baseline", "--rpm", speed, str(tmp_path / file), "-o", str(out)]) == 2
    error = capsys.readouterr().err
    assert message in error
    assert error.count("\n") == 1
    assert out.read_text(encoding="utf-8") == "old"
