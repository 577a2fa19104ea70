"""The shop command, and `demo` with a broker: what they refuse, and the whole way once."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import urllib.request
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from monitor import cli
from tests.fleet.brokers import mosquitto, needs_broker
from tests.fleet.monitors import wait_for

ROOT = Path(__file__).parents[2]


def station(path: Path, **keys: object) -> str:
    lines = [f"{key} = {json.dumps(value)}" for key, value in keys.items()]
    path.write_text("\n".join(["[broker]", *lines, "[page]", "port = 0"]))
    return str(path)


@pytest.mark.parametrize(
    ("keys", "words", "said"),
    [
        ({}, [], "broker.host: is missing"),
        ({"host": "b", "user": "me", "password_file": "/no/such"}, [], "/no/such: the broker's password"),
        ({"host": "b", "tls": True, "ca_file": "/no/such"}, [], "/no/such: is no file of certificates"),
        ({"host": "127.0.0.1", "port": 1}, ["--forget", "lathe/3"], "lathe/3: is no monitor's name"),
        ({"host": "127.0.0.1", "port": 1}, ["--forget", "lathe-3"], "the broker is not reached"),
        ({"host": "b"}, ["--port", "70000"], "--port 70000"),
    ],
)
def test_what_is_wrong_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], keys: dict[str, object], words: list[str], said: str
) -> None:
    assert cli.main(["shop", "--station", station(tmp_path / "s.toml", **keys), *words]) == 2
    told = capsys.readouterr().err
    assert said in told
    assert told.count("\n") == 1


def test_a_station_without_a_broker_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "s.toml").write_text("[page]\nport = 0\n")
    assert cli.main(["shop", "--station", str(tmp_path / "s.toml")]) == 2
    assert "has no [broker]" in capsys.readouterr().err


def test_a_monitor_without_a_name_says_so_before_it_begins(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    words = ["--station", station(tmp_path / "s.toml", host="127.0.0.1"), "--out", str(out)]
    assert cli.main(["demo", *words]) == 2
    assert "broker.name: is missing" in capsys.readouterr().err
    assert not out.exists()


def get(url: str) -> Any:
    with urllib.request.urlopen(url) as answer:
        return json.load(answer)


@needs_broker
def test_a_demo_is_seen_in_the_shop_from_its_beginning_to_its_end(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker, ExitStack() as started:
        path = station(tmp_path / "s.toml", host="127.0.0.1", port=broker.port, name="lathe-1")
        env = {
            **os.environ,
            "PYTHONPATH": str(ROOT),
            "PYTHONUNBUFFERED": "1",
            "XDG_STATE_HOME": str(tmp_path),
        }

        def start(*words: str) -> subprocess.Popen[str]:
            command = [sys.executable, "-m", "monitor.cli", *words, "--station", path]
            process = subprocess.Popen(command, cwd=ROOT, env=env, stdout=subprocess.PIPE, text=True)
            started.callback(process.wait)
            started.callback(process.kill)
            return process

        shop = start("shop", "--out", str(tmp_path / "shop"))
        assert shop.stdout is not None
        address = re.search(r"http://\S+", shop.stdout.readline())
        assert address is not None
        url = address[0]

        def tile() -> dict[str, Any]:
            tiles = get(f"{url}api/state")["spindles"]
            return tiles[0] if tiles else {}

        demo = start(
            "demo",
            "--speed",
            "10",
            "--blanks",
            "1",
            "--port",
            "0",
            "--exit-when-done",
            "--out",
            str(tmp_path / "e"),
        )
        assert wait_for(lambda: tile().get("word") == "ALL WELL", 40)
        assert tile()["synthetic"]
        with urllib.request.urlopen(f"{url}lathe-1/current") as answer:
            assert b"RotaryVelocity" in answer.read()
        demo.communicate(timeout=60)
        assert demo.returncode == 0
        assert wait_for(lambda: bool(tile().get("ended")))
        shop.send_signal(signal.SIGTERM)
        told, _ = shop.communicate(timeout=15)
        assert shop.returncode == 0
        summary = re.search(
            r"Received (\d+) records; \d+ came twice and counted once; 0 could not be had", told
        )
        assert summary is not None
        assert int(summary[1]) > 10
    assert (tmp_path / "shop" / "shop.db").exists()
