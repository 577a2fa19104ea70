"""Setting up a fresh clone, with every command to the system replaced by a record of it."""

import re
import subprocess
import tomllib
from pathlib import Path

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


def test_a_stop_by_the_keyboard_is_one_line_and_is_made_good_by_the_next_run(clone, commands, monkeypatch):
    ran, _ = commands
    run = environment.subprocess.run

    def stopped(command, **_):
        if "pip" in command:
            raise KeyboardInterrupt
        return run(command)

    monkeypatch.setattr(environment.subprocess, "run", stopped)
    with pytest.raises(SystemExit, match="stopped by the keyboard; the next run begins this again"):
        environment.ensure_environment()
    monkeypatch.setattr(environment.subprocess, "run", run)
    environment.ensure_environment()
    assert [command[2] for command in ran] == ["venv", "venv", "pip"]


def test_the_demo_and_the_tests_share_one_environment(clone, commands):
    ran, _ = commands
    for extras in ("", "[test]", "", "[test]"):
        environment.ensure_environment(extras)
    assert [command[2] for command in ran] == ["venv", "pip", "pip"]


@pytest.fixture
def other_environment(tmp_path, monkeypatch):
    """Another virtual environment is active, with numpy 1.26.4 and pytest 8.4.0 in it; its Python."""
    monkeypatch.setattr(environment.sys, "prefix", str(tmp_path / "other"))
    monkeypatch.setattr(environment.sys, "executable", str(tmp_path / "other/bin/python"))
    present = {"numpy": "1.26.4", "pytest": "8.4.0"}

    def version(name):
        if name not in present:
            raise environment.metadata.PackageNotFoundError(name)
        return present[name]

    monkeypatch.setattr(environment.metadata, "version", version)
    return tmp_path / "other/bin/python"


@pytest.mark.parametrize("needs", ["numpy>=1.26", "numpy>=1.9.99", "numpy", "numpy>=1.26.4,<3"])
def test_another_environment_that_has_all_is_used_as_it_is(clone, commands, other_environment, needs):
    ran, _ = commands
    (clone / "pyproject.toml").write_text(
        f"[project]\ndependencies = ['{needs}']\noptional-dependencies.test = ['pytest>=8']\n"
    )
    assert environment.ensure_environment() == other_environment
    assert environment.ensure_environment("[test]") == other_environment
    assert ran == []


@pytest.mark.parametrize("lacks", ["numpy>=2.0", "numpy>=1.27", "scipy>=1.11", "ruff", "uplot"])
def test_another_environment_that_lacks_something_is_left_alone(clone, commands, other_environment, lacks):
    ran, _ = commands
    if lacks == "uplot":
        (clone / "dashboard/page/uplot/uplot.js").unlink()
    extra = lacks if lacks == "ruff" else "pytest>=8"
    needs = lacks if ">" in lacks else "numpy"
    (clone / "pyproject.toml").write_text(
        f"[project]\ndependencies = ['{needs}']\noptional-dependencies.test = ['{extra}']\n"
    )
    own = clone / ".venv/bin/python"
    assert environment.ensure_environment("[test]") == own
    assert [command[2] for command in ran] == ["venv", "pip"]
    assert ran[0][-1] == str(clone / ".venv")
    assert ran[1][0] == str(own)
    assert not other_environment.parent.parent.exists()  # nothing was written there


def test_the_clones_own_environment_is_used_when_it_is_active(clone, commands, monkeypatch):
    ran, _ = commands
    environment.ensure_environment()
    running = clone / ".venv/bin/python3"
    running.touch()
    monkeypatch.setattr(environment.sys, "prefix", str(clone / ".venv"))
    monkeypatch.setattr(environment.sys, "executable", str(running))
    assert environment.ensure_environment() == running
    assert len(ran) == 2


def test_every_requirement_is_of_a_form_that_is_understood():
    pyproject = Path(environment.__file__).parent.parent / "pyproject.toml"
    project = tomllib.loads(pyproject.read_text("utf-8"))["project"]
    for requirement in project["dependencies"] + project["optional-dependencies"]["test"]:
        assert re.fullmatch(r"[\w.-]+(>=[\d.]+(,<\d+)?)?", requirement), requirement


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
