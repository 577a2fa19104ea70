"""Makes the environment that a fresh clone runs in. Standard library only: nothing is installed yet."""

from __future__ import annotations

import hashlib
import importlib.util
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from importlib import metadata
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
OLDEST = (3, 11)


def ensure_environment(extras: str = "") -> Path:
    """The Python of an environment in which this clone and all that it needs are installed.

    It is the Python that runs, where that is in a virtual environment which has all of it already, or else
    that of ``.venv`` in the clone. Nothing is ever installed into any other environment. Installing is
    skipped while ``pyproject.toml`` is the one that was installed last.

    Raises
    ------
    SystemExit
        One line saying what is missing and how to get it.
    """
    if sys.version_info < OLDEST:
        raise SystemExit(f"spindlebell needs Python 3.11 or newer; this is {sys.version.split()[0]}")
    venv = ROOT / ".venv"
    running = Path(sys.executable)
    own = Path(sys.prefix).resolve() == venv.resolve()
    if not own and sys.prefix != sys.base_prefix and _assets_present() and _has_all(extras):
        return running
    python = running if own else venv / "bin" / "python"
    stamp = venv / f"spindlebell{extras}.installed"
    wanted = hashlib.sha256((ROOT / "pyproject.toml").read_bytes() + str(ROOT).encode()).hexdigest()
    if python.exists() and stamp.exists() and stamp.read_text("utf-8") == wanted and _assets_present():
        return python
    print(f"spindlebell: installing into {venv} (once; a minute or two)", file=sys.stderr, flush=True)
    # One without any stamp was never finished: begin it again.
    if not own and not (python.exists() and any(venv.glob("spindlebell*.installed"))):
        _make_venv(venv)
    pip = [str(python), "-m", "pip", "--disable-pip-version-check"]
    install = [*pip, "install", "--quiet", "--editable", f"{ROOT}{extras}"]
    _run(install, "pip cannot install it")
    stamp.write_text(wanted, "utf-8")
    return python


def install_system_package(debian_name: str, why: str) -> None:
    """Install one package of the system, or say how to.

    Raises
    ------
    SystemExit
        One line, when there is no apt-get, or no right to use it.
    """
    apt = shutil.which("apt-get")
    by: list[str] = [] if os.geteuid() == 0 else ["sudo"] if sys.stdin.isatty() else ["sudo", "-n"]
    if apt is None or (by and shutil.which("sudo") is None):
        raise SystemExit(
            f"{why}: install the package {debian_name} (its name in Debian), then run this again"
        )
    print(f"spindlebell: installing the system package {debian_name}: {why}", file=sys.stderr, flush=True)
    quiet = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    _run([*by, apt, "update", "-qq"], f"{why}, and apt-get update failed", quiet)
    install = [*by, apt, "install", "-y", "-qq", "--no-install-recommends", debian_name]
    _run(install, f"{why}, and apt-get cannot install {debian_name}", quiet)


def _make_venv(venv: Path) -> None:
    if importlib.util.find_spec("ensurepip") is None:  # Debian keeps it in a package of its own
        version = f"python{sys.version_info.major}.{sys.version_info.minor}"
        install_system_package(f"{version}-venv", "this Python cannot make virtual environments")
    _run([sys.executable, "-m", "venv", "--clear", str(venv)], f"cannot make the virtual environment {venv}")


def _has_all(extras: str) -> bool:
    """Whether the Python that runs has what pyproject.toml asks for, ``extras`` such as "[test]" included."""
    import tomllib  # not in the Pythons that are told that they are too old

    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    requirements: list[str] = [*project.get("dependencies", [])]
    for extra in re.findall(r"\w+", extras):
        requirements += project["optional-dependencies"][extra]
    return all(map(_is_met, requirements))


def _is_met(requirement: str) -> bool:
    """Whether one requirement, such as "numpy>=2.0", is installed, at the version it names or a newer one."""
    name, _, least = requirement.partition(">=")
    try:
        return _release(metadata.version(name)) >= _release(least)
    except metadata.PackageNotFoundError:
        return False


def _release(version: str) -> list[int]:
    """The numbers with which a version begins.

    Examples
    --------
    >>> _release("1.26.4rc1"), _release("0.6,<1")
    ([1, 26, 4], [0, 6])
    """
    return [int(number) for number in re.split(r"[^\d.]", version)[0].split(".") if number]


def _assets_present() -> bool:
    """The dashboard's chart library, brought in by installing; `git clean` takes it away."""
    return (ROOT / "dashboard" / "page" / "uplot" / "uplot.js").exists()


def _run(command: Sequence[str], failure: str, env: dict[str, str] | None = None) -> None:
    try:
        status = subprocess.run(command, env=env, stdout=sys.stderr.fileno(), check=False).returncode
    except KeyboardInterrupt:
        raise SystemExit("spindlebell: stopped by the keyboard; the next run begins this again") from None
    if status:
        raise SystemExit(f"spindlebell: {failure}; what it said is above")
