"""The spindles file: what two spindles cannot share is refused, in one line; and what is run for each."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from monitor import cli
from monitor.commands.spindles import programs_of, status_of
from monitor.errors import InputError
from monitor.spindles import EXAMPLE, load_spindles, shared_devices

LINES = "[lines]\nhold = {}\nheartbeat = {}\n"


def station(name: str, device: str = "USB", channel: int = 1, port: int = 0, more: str = "") -> str:
    return f'[microphone]\ndevice = "{device}"\nchannel = {channel}\n{more}[page]\nport = {port}\n'


def write(folder: Path, stations: dict[str, str], **changed: str) -> Path:
    """A spindles file, with its stations."""
    tables = []
    for name, text in stations.items():
        (folder / f"{name}.toml").write_text(text)
        keys = {
            "name": name,
            "station": f"{name}.toml",
            "job": "job.toml",
            "baseline": "baseline.json",
            "out": f"evidence/{name}",
        }
        keys |= changed if name == list(stations)[-1] else {}
        tables.append("[[spindle]]\n" + "".join(f'{key} = "{value}"\n' for key, value in keys.items()))
    path = folder / "spindles.toml"
    path.write_text("\n".join(tables))
    return path


def test_paths_count_from_the_files_own_folder(tmp_path: Path) -> None:
    stations = {"left": station("left"), "right": station("right", channel=2)}
    left, right = load_spindles(write(tmp_path, stations))
    assert left.job == tmp_path / "job.toml"
    assert right.out == tmp_path / "evidence" / "right"
    assert right.station.microphone.channel == 2


@pytest.mark.parametrize(
    ("left", "right", "changed", "said"),
    [
        ({}, {"channel": 2}, {"name": "left"}, 'the name "left" is that of left already'),
        ({}, {"channel": 2}, {"out": "evidence/left"}, "is that of left already"),
        ({}, {}, {}, 'channel 1 of "USB" is that of left already'),
        ({"device": "usb"}, {"device": "USB"}, {}, 'channel 1 of "USB" is that of left already'),
        ({"device": ""}, {"device": ""}, {}, "channel 1 of the system's microphone is that of left already"),
        ({"port": 8765}, {"channel": 2, "port": 8765}, {}, "page.port 8765 is that of left already"),
        (
            {"more": LINES.format(17, 27)},
            {"channel": 2, "more": LINES.format(22, 17)},
            {},
            "GPIO 17 (lines.heartbeat) is that of left already; give each its own",
        ),
        (
            {"more": '[broker]\nhost = "b"\nname = "lathe"\n'},
            {"channel": 2, "more": '[broker]\nhost = "b"\nname = "lathe"\n'},
            {},
            'broker.name "lathe" is that of left already',
        ),
        ({}, {"channel": 2}, {"station": "none.toml"}, "none.toml: cannot be read"),
        ({}, {"channel": 2}, {"name": "a/b"}, '"a/b" may hold letters'),
        ({}, {"channel": 2}, {"nam": "x"}, 'spindle[1].nam: unknown key; did you mean "name"?'),
    ],
)
def test_what_cannot_be_shared_is_refused(
    tmp_path: Path, left: dict[str, object], right: dict[str, object], changed: dict[str, str], said: str
) -> None:
    stations = {"left": station("left", **left), "right": station("right", **right)}  # type: ignore[arg-type]
    with pytest.raises(InputError) as told:
        load_spindles(write(tmp_path, stations, **changed))
    assert said in str(told.value)
    assert "\n" not in str(told.value)


def test_a_shared_device_has_one_rate(tmp_path: Path) -> None:
    rate = '[microphone]\ndevice = "USB"\nchannel = {}\nrate = "{}"\n[page]\nport = 0\n'
    stations = {"left": rate.format(1, "48 kHz"), "right": rate.format(2, "44.1 kHz")}
    with pytest.raises(InputError, match=r"left, right share a device: give .* the same microphone\.rate"):
        load_spindles(write(tmp_path, stations))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "spindle: is missing"),
        ("spindle = []", "spindle: [] is empty; write at least one"),
        ('[[spindle]]\nname = "a"', "spindle[0].station: is missing; write for example station ="),
        ("[spindle]\n", "spindle: "),
        ("spindle = 3", "spindle: 3 is not a list"),
    ],
)
def test_a_mistake_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, said: str
) -> None:
    path = tmp_path / "spindles.toml"
    path.write_text(text)
    assert cli.main(["spindles", str(path)]) == 2
    told = capsys.readouterr().err
    assert said in told
    assert told.count("\n") == 1


def test_a_job_or_baseline_that_cannot_be_used_is_said_before_anything_begins(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["spindles", str(write(tmp_path, {"left": station("left")}))]) == 2
    assert "job.toml: cannot be read" in capsys.readouterr().err
    assert not (tmp_path / "evidence").exists()


def test_the_example_is_understood(tmp_path: Path) -> None:
    (tmp_path / "spindles.toml").write_text(EXAMPLE)
    for name, channel in (("left", 1), ("right", 2)):
        (tmp_path / f"{name}.toml").write_text(station(name, channel=channel))
    assert [spindle.name for spindle in load_spindles(tmp_path / "spindles.toml")] == ["left", "right"]


def test_a_device_of_two_is_opened_once_and_one_of_one_by_its_monitor(tmp_path: Path) -> None:
    stations = {
        "a": station("a", "Interface", 1),
        "b": station("b", "interface", 4),
        "c": station("c", "Webcam"),
    }
    spindles = load_spindles(write(tmp_path, stations))
    assert {device: [s.name for s in those] for device, those in shared_devices(spindles).items()} == {
        "interface": ["a", "b"]
    }
    sound, a, b, c = programs_of(spindles, tmp_path)
    assert list(sound.command[:3]) == [sys.executable, "-m", "hardware.shared"]
    assert sound.command[sound.command.index("--channels") + 1] == "4"
    assert not sound.speaks
    for program in (a, b):
        assert f"shared:{tmp_path}/sound-1" in program.command
    assert "--device" not in c.command
    assert c.command[c.command.index("--out") + 1] == str(tmp_path / "evidence/c")


@pytest.mark.parametrize(
    ("statuses", "one"),
    [
        ({"a": [0], "b": [0]}, 0),
        ({"a": [10], "b": [0]}, 10),
        ({"a": [-9, 0], "b": [10, 0]}, 10),
        ({"a": [1], "b": [10]}, 1),
        ({"a": []}, 1),
    ],
)
def test_one_exit_status_for_all(statuses: dict[str, list[int]], one: int) -> None:
    assert status_of(statuses) == one
