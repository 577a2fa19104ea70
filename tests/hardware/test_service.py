"""What systemd is told: ready once, alive as long as blocks go through, over a real socket too."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from hardware.service import Service


def test_it_is_alive_only_as_long_as_blocks_go_through() -> None:
    said: list[str] = []
    now = [0.0]
    service = Service(said.append, lambda: now[0])
    service.ready()
    for _ in range(100):  # 5 s of blocks
        service.alive()
        now[0] += 0.05
    assert said == ["READY=1"] + ["WATCHDOG=1"] * 5
    service.stopping()
    assert said[-1] == "STOPPING=1"


def test_it_speaks_the_protocol_of_sd_notify(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    address = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(address)
        systemd.settimeout(5.0)
        monkeypatch.setenv("NOTIFY_SOCKET", address)
        service = Service()
        service.ready()
        service.alive()
        assert [systemd.recv(100), systemd.recv(100)] == [b"READY=1", b"WATCHDOG=1"]
        service._notify.__self__.socket.close()  # type: ignore[attr-defined]


def test_without_systemd_nothing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    monkeypatch.setattr("sdnotify.SystemdNotifier", lambda: pytest.fail("systemd is looked for"))
    service = Service()
    service.ready()
    service.alive()
    service.stopping()
