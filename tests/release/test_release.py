"""What is given away: a wheel and a source archive, whole, each usable by itself; one version everywhere."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from pathlib import Path

import pytest

from monitor import __version__

ROOT = Path(__file__).parents[2]
PACKAGES = ("monitor", "dashboard", "hardware")
BUILT_IN = {f"dashboard/page/uplot/{name}" for name in ("uplot.js", "uplot.css", "LICENSE.txt")}
ONLY_FOR_BUILDING = {"dashboard/build_hook.py"}
TOP_LEVEL = ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml")

# By https://semver.org, "Is there a suggested regular expression", without build metadata.
SEMANTIC = r"(0|[1-9]\d*)\.(0|[1-9]\d*)\.(0|[1-9]\d*)(?:-[0-9A-Za-z.-]+)?"


def kept() -> set[str]:
    """What belongs to the project, as it stands here: kept by git or new, and not ignored."""
    command = ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z"]
    listed = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip(f"this is no clone: {listed.stderr.strip()}")
    return {name for name in listed.stdout.split("\0") if name and (ROOT / name).is_file()}


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A source archive of a clean copy, and the wheel that comes of the archive alone."""
    copy, out = tmp_path_factory.mktemp("clean"), tmp_path_factory.mktemp("dist")
    for name in kept():
        (copy / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, copy / name)
    subprocess.run([sys.executable, "-m", "build", "--outdir", str(out)], cwd=copy, check=True)
    (archive,), (wheel,) = out.glob("*.tar.gz"), out.glob("*.whl")
    return archive, wheel


def packaged() -> set[str]:
    return {name for name in kept() if name.split("/")[0] in PACKAGES}


def test_the_wheel_carries_every_file_of_the_packages_and_no_other(built: tuple[Path, Path]) -> None:
    _, wheel = built
    names = {name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name}
    assert names == packaged() - ONLY_FOR_BUILDING | BUILT_IN


def test_the_archive_carries_all_that_the_wheel_is_made_of(built: tuple[Path, Path]) -> None:
    archive, _ = built
    with tarfile.open(archive) as opened:
        names = {name.partition("/")[2] for name in opened.getnames()}
    assert packaged() <= names
    assert set(TOP_LEVEL) <= names


def test_the_archive_and_the_wheel_say_one_version_and_the_licence(built: tuple[Path, Path]) -> None:
    archive, wheel = built
    assert archive.name == f"spindlebell-{__version__}.tar.gz"
    assert wheel.name == f"spindlebell-{__version__}-py3-none-any.whl"
    opened = zipfile.ZipFile(wheel)
    about = f"spindlebell-{__version__}.dist-info"
    metadata = opened.read(f"{about}/METADATA").decode()
    assert f"\nVersion: {__version__}\n" in metadata
    assert "\nRequires-Python: >=3.11\n" in metadata
    assert "\nLicense-Expression: Apache-2.0\n" in metadata
    assert f"{about}/licenses/LICENSE" in opened.namelist()


def test_the_version_is_semantic_written_once_and_the_newest_of_the_changelog() -> None:
    assert re.fullmatch(SEMANTIC, __version__)
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    assert project["project"]["dynamic"] == ["version"]
    assert project["tool"]["hatch"]["version"]["path"] == "monitor/__init__.py"
    newest, *older = re.findall(r"^## (.+)$", (ROOT / "CHANGELOG.md").read_text("utf-8"), re.MULTILINE)
    dated = rf"{SEMANTIC} \((?:unreleased|\d{{4}}-\d{{2}}-\d{{2}})\)"
    assert newest.startswith(f"{__version__} (")
    assert all(re.fullmatch(dated, heading) for heading in (newest, *older))


def interpreter(version: str) -> str:
    """A Python of this version that can make environments; the test is skipped where there is none."""
    of_pyenv = Path.home().glob(f".pyenv/versions/{version}.*/bin/python{version}")
    for python in (shutil.which(f"python{version}"), *map(str, sorted(of_pyenv))):
        tried = [python, "-c", "import ensurepip"]
        if python and subprocess.run(tried, capture_output=True, check=False).returncode == 0:
            return python
    pytest.skip(f"no Python {version} with ensurepip is here")


@pytest.mark.parametrize("version", ["3.11", "3.12", "3.13"])
def test_from_the_wheel_alone_the_whole_job_is_done(built: tuple[Path, Path], version: str) -> None:
    _, wheel = built
    command = [interpreter(version), str(Path(__file__).with_name("whole_job.py")), str(wheel)]
    done = subprocess.run(command, cwd="/", capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "does the whole job" in done.stdout
