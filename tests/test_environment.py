"""Setting up a fresh clone, with every command to the system replaced by a record of it."""

import subprocess

import pytest

from monitor import environment


@pytest.fixture
def clone(tmp_path, monkeypatch):
    """A clone with no environment yet, run by a Python that is in no virtual environment."""
    (tmp_path / "pyproject.toml").write_text("[project]\n")
    (tmp_path / "dashboard/page/uplot").mkdir(parents=True)
    (tmp_path / "dashboard/page/uplot/uplot.js").touch()
    monkeypatch.setattr(environment, "ROOT", tmp_path)
    monkeypatch.setattr(environment.sys, "prefix", environment.sys.base_prefix)
    return tmp_path


@pytest.fixture
def commands(clone, monkeypatch):
    """What was run, and which of it fails; "venv" makes the folder that it would make."""
    ran: list[list[str]] = []
    failing: set[str] = set()

    def run(command, **_):
        ran.append(command)
        if "venv" in command:
            (clone / ".venv/bin").mkdir(parents=True, exist_ok=True)
            (clone / ".venv/bin/python").touch()
        return subprocess.CompletedProcess(command, returncode=int(bool(failing & set(command))))

    monkeypatch.setattr(environment.subprocess, "run", run)
    monkeypatch.setattr(environment.importlib.util, "find_spec", lambda name: object())
    return ran, failing


def test_a_fresh_clone_gets_its_environment_once(clone, commands):
    ran, _ = commands
    python = environment.ensure_environment("[test]")
    assert python == clone / ".venv/bin/python"
    assert [command[2] for command in ran] == ["venv", "pip"]
    assert ran[1][-1] == f"{clone}[test]"
    environment.ensure_environment("[test]")
    assert len(ran) == 2


@pytest.mark.parametrize("lost", ["pyproject.toml", "dashboard/page/uplot/uplot.js"])
def test_changed_requirements_or_a_lost_asset_install_again(clone, commands, lost):
    ran, _ = commands
    environment.ensure_environment()
    if lost == "pyproject.toml":
        (clone / lost).write_text("[project]\nname = 'other'\n")
    else:
        (clone / lost).unlink()
    environment.ensure_environment()
    assert [command[2] for command in ran] == ["venv", "pip", "pip"]


def test_a_failed_install_is_tried_again(clone, commands):
    ran, failing = commands
    failing.add("pip")
    with pytest.raises(SystemExit, match="pip cannot install it; what it said is above"):
        environment.ensure_environment()
    failing.clear()
    environment.ensure_environment()
    assert [command[2] for command in ran] == ["venv", "pip", "venv", "pip"]


def test_the_demo_and_the_tests_share_one_environment(clone, commands):
    ran, _ = commands
    for extras in ("", "[test]", "", "[test]"):
        environment.ensure_environment(extras)
    assert [command[2] for command in ran] == ["venv", "pip", "pip"]


def test_debian_without_venv_installs_it(clone, commands, monkeypatch):
    ran, _ = commands
    monkeypatch.setattr(environment.importlib.util, "find_spec", lambda name: None)
    monkeypatch.setattr(environment.shutil, "which", lambda name: f"/usr/bin/{name}")
    monkeypatch.setattr(environment.os, "geteuid", lambda: 0)
    environment.ensure_environment()
    version = f"python3.{environment.sys.version_info.minor}"
    assert [command[1] for command in ran[:2]] == ["update", "install"]
    assert ran[1][-1] == f"{version}-venv"


@pytest.mark.parametrize("present", [set(), {"apt-get"}])
def test_what_cannot_be_installed_is_named(present, commands, monkeypatch):
    ran, _ = commands
    monkeypatch.setattr(environment.shutil, "which", lambda name: name if name in present else None)
    monkeypatch.setattr(environment.os, "geteuid", lambda: 1000)
    with pytest.raises(SystemExit, match="no browser: install the package chromium"):
        environment.install_system_package("chromium", "no browser")
    assert ran == []


def test_an_old_python_is_named(monkeypatch):
    monkeypatch.setattr(environment.sys, "version_info", (3, 9, 2))
    with pytest.raises(SystemExit, match=r"needs Python 3\.11 or newer"):
        environment.ensure_environment()
