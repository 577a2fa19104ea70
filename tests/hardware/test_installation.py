"""The unit, the settings and the installer: accepted by those who read them, and in step with the program."""

from __future__ import annotations

import configparser
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from hardware.service import ALIVE_EVERY_S
from monitor import cli
from monitor.station import EXAMPLE, LineChoice, Station, parse_station

HARDWARE = Path(__file__).parents[2] / "hardware"
UNIT = HARDWARE / "spindlebell.service"


def unit() -> configparser.ConfigParser:
    parser = configparser.ConfigParser(interpolation=None, strict=False)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read(UNIT, "utf-8")
    return parser


def verify(path: Path) -> str:
    """What `systemd-analyze verify` prints: it exits with 0 on an unknown key or a bad value."""
    command = ["systemd-analyze", "verify", "--man=no", str(path)]
    ended = subprocess.run(command, capture_output=True, text=True, check=False)
    return ended.stdout + ended.stderr


@pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="no systemd-analyze here: apt-get install systemd"
)
def test_systemd_accepts_the_unit_without_a_word(tmp_path: Path) -> None:
    text = UNIT.read_text("utf-8").replace("/opt/spindlebell/bin/spindlebell", shutil.which("true") or "")
    good = tmp_path / "spindlebell.service"
    good.write_text(text, "utf-8")
    assert verify(good) == ""
    bad = tmp_path / "bad" / "spindlebell.service"
    bad.parent.mkdir()
    bad.write_text(text.replace("WatchdogSec=30", "WatchdogSec=soon\nWatchdog=10"), "utf-8")
    assert "Unknown key 'Watchdog'" in verify(bad), "this test would not see a mistake"


def test_the_service_runs_a_command_that_exists() -> None:
    program, *words = shlex.split(unit()["Service"]["ExecStart"])
    assert program == "/opt/spindlebell/bin/spindlebell"
    args = cli._parser(words).parse_args(words)
    assert args.command == "listen"
    assert args.station == "/etc/spindlebell/station.toml"


def test_it_is_started_again_whatever_ended_it_and_no_hold_is_a_failure() -> None:
    service = unit()["Service"]
    assert (service["Type"], service["Restart"]) == ("notify", "always")
    assert service["SuccessExitStatus"] == str(cli.EXIT_HELD)
    assert float(service["WatchdogSec"]) >= 5 * ALIVE_EVERY_S
    assert unit()["Unit"]["StartLimitIntervalSec"] == "0"


def test_the_settings_that_are_installed_are_the_defaults_and_name_every_key() -> None:
    text = (HARDWARE / "station.toml").read_text("utf-8")
    assert parse_station(text, "station.toml") == Station()
    everything = re.sub(r"^# (?=\w+ = |\[)", "", text, flags=re.MULTILINE)
    assert parse_station(everything, "station.toml") == parse_station(EXAMPLE, "example")


def test_the_wiring_page_and_the_station_file_name_the_same_pins() -> None:
    page = (HARDWARE / "WIRING.md").read_text("utf-8")
    station = parse_station(EXAMPLE, "example")
    assert station.lines is not None
    drawn = {int(pin) for pin in re.findall(r"GPIO (\d+)  ", page)}
    wired = {pin for pin in vars(station.lines).values() if isinstance(pin, int)}
    assert drawn == wired
    assert LineChoice(17, 27).hold_input in page or "normally open" in page


@pytest.mark.parametrize(
    "said",
    [
        "not a safety function",
        "no guard, no emergency stop and no person",
        "leaves the spindle turning",
        "maker's manual",
        "local codes",
        "licensed",
        "starts nothing",
        "missing-pulse",
        "opto-isolated",
        "normally open",
        "before each batch",
    ],
)
def test_the_wiring_page_says_what_can_hurt_someone(said: str) -> None:
    page = " ".join((HARDWARE / "WIRING.md").read_text("utf-8").replace("*", "").split())
    assert said in page


def test_the_installer_is_a_script_that_the_shell_can_read_and_that_refuses_a_user() -> None:
    script = HARDWARE / "install.sh"
    assert subprocess.run(["sh", "-n", str(script)], capture_output=True, check=False).returncode == 0
    text = script.read_text("utf-8")
    guide = (HARDWARE / "INSTALL.md").read_text("utf-8")
    for name in ("spindlebell.service", "station.toml"):
        assert f"hardware/{name}" in text
        assert (HARDWARE / name).exists()
    lines = [line.strip(" -") for line in (text + guide).splitlines()]
    typed = [shlex.split(line)[2:] for line in lines if line.startswith("sudo spindlebell")]
    assert {words[0] for words in typed} == {"baseline", "check"}
    for words in typed:
        cli._parser(words).parse_args(words)


def test_the_python_that_runs_this_knows_every_dependency_of_the_service() -> None:
    code = "import sdnotify, sounddevice"
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert ended.returncode == 0 or "PortAudio library not found" in ended.stderr
