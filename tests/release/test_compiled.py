"""The rules compiled, as whoever asks for it installs them: the same results to the last bit."""

from __future__ import annotations

import importlib.machinery
import importlib.util
import os
import shutil
import subprocess
import sys
import sysconfig
import tomllib
import types
import zipfile
from pathlib import Path

import pytest
from mypy.build import BuildSource, build
from mypy.nodes import MemberExpr, NameExpr
from mypy.options import Options
from mypy.types import LiteralType, NoneType, Type, get_proper_type

from tests.release.test_release import ONLY_FOR_BUILDING, ROOT, kept, packaged

HEAR_ALL = Path(__file__).with_name("hear_all.py")
COMPILED = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["hatch"]["build"]["hooks"][
    "custom"
]["compiled"]
SUFFIX = importlib.machinery.EXTENSION_SUFFIXES[0]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built of a clean copy, as ``SPINDLEBELL_COMPILE=1 pip install .`` does it."""
    compiler = (os.environ.get("CC") or sysconfig.get_config_var("CC") or "cc").split()[0]
    if shutil.which(compiler) is None:
        pytest.skip(f"there is no C compiler here ({compiler})")
    if not (Path(sysconfig.get_paths()["include"]) / "Python.h").exists():
        pytest.skip("the headers of this Python are not here (on Debian: python3-dev)")
    copy, out = tmp_path_factory.mktemp("clean"), tmp_path_factory.mktemp("dist")
    for name in kept():
        (copy / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, copy / name)
    command = [sys.executable, "-m", "build", "--wheel", "--outdir", str(out)]
    subprocess.run(command, cwd=copy, check=True, env={**os.environ, "SPINDLEBELL_COMPILE": "1"})
    (wheel,) = out.glob("*.whl")
    assert not list(copy.glob("build*")), "nothing is left behind among the sources"
    return wheel


def test_the_compiled_wheel_is_for_this_python_and_carries_the_sources_too(wheel: Path) -> None:
    python = f"cp{sys.version_info.major}{sys.version_info.minor}"
    assert f"-{python}-{python}-" in wheel.name
    names = set(zipfile.ZipFile(wheel).namelist())
    assert {name.removesuffix(".py") + SUFFIX for name in COMPILED} <= names
    assert packaged() - ONLY_FOR_BUILDING <= names


def test_what_is_compiled_hears_the_same_to_the_last_bit(wheel: Path, tmp_path: Path) -> None:
    heard = []
    for kind in ("plain", "compiled"):
        place, output = tmp_path / kind, tmp_path / f"{kind}.txt"
        names = [
            name for name in zipfile.ZipFile(wheel).namelist() if kind == "compiled" or ".so" not in name
        ]
        zipfile.ZipFile(wheel).extractall(place, names)
        env = {**os.environ, "PYTHONPATH": str(place), "PYTHONSAFEPATH": "1", "OMP_NUM_THREADS": "1"}
        subprocess.run([sys.executable, HEAR_ALL, output], cwd=tmp_path, check=True, env=env)
        heard.append(output.read_text("utf-8").splitlines())
    plain, compiled = heard
    assert plain[0].endswith("hop.py")
    assert compiled[0].endswith(SUFFIX)
    assert compiled[1:] == plain[1:]
    assert sum("Severity.HOLD" in line for line in plain) >= 5
    assert len(plain) > 5000


SOURCE = """from __future__ import annotations

SURE, LIKELY = 0.9, (  # shares
    0.5
)
BOUNDS = 1.0, 2.0
names = []


@dataclass(slots=True)
class Peck:
    depth_mm: float
    sags: list[float] = field(default_factory=list)
    sure: float = SURE
    _fill: float = field(init=False)

    def __post_init__(self) -> None:
        self._fill = 0.0
"""

WRITTEN_OUT = """from __future__ import annotations; from typing import Final

SURE: Final = 0.9; LIKELY: Final = 0.5


BOUNDS = 1.0, 2.0
names = []


class Peck:
    depth_mm: float
    sags: list[float]
    sure: float
    _fill: float
    def __init__(self, depth_mm: float, sags: list[float] | None = None, sure: float = SURE) -> None: \
self.depth_mm = depth_mm; self.sags = list() if sags is None else sags; self.sure = sure; self.__post_init__()

    def __post_init__(self) -> None:
        self._fill = 0.0
"""


def test_what_mypyc_would_leave_to_python_is_written_out(monkeypatch: pytest.MonkeyPatch) -> None:
    name, parts = "", ["hatchling", "builders", "hooks", "plugin", "interface"]
    for part in parts:  # of which the hook asks for a class only, and which is there only in a build
        name = f"{name}.{part}".strip(".")
        monkeypatch.setitem(sys.modules, name, types.ModuleType(name))
    sys.modules[name].BuildHookInterface = object  # type: ignore[attr-defined]
    spec = importlib.util.spec_from_file_location("build_hook", ROOT / "dashboard" / "build_hook.py")
    hook = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(hook)
    assert hook.written_out(SOURCE) == WRITTEN_OUT
    for name in COMPILED:
        source = (ROOT / name).read_text("utf-8")
        written = hook.written_out(source)
        assert written.count("\n") == source.count("\n"), name
        assert "dataclass(slots=True)" not in written, name


def test_nothing_that_is_compiled_takes_a_member_for_known_after_a_call_may_have_changed_it() -> None:
    """After ``if self.x: return`` mypy takes ``self.x`` for false, whatever is called meanwhile.

    Python asks again; what is compiled would fail where it finds it true: ``a if self.x else None`` is taken
    for None. Where this test finds such a member, let the call return what it has found.
    """
    options = Options()
    options.export_types, options.ignore_missing_imports, options.incremental = True, True, False
    sources = [BuildSource(str(ROOT / name), name.removesuffix(".py").replace("/", ".")) for name in COMPILED]
    types = build(sources, options).types
    lines = {name: (ROOT / name).read_text("utf-8").splitlines() for name in COMPILED}
    known = {
        (name, text.strip())
        for member, kind in types.items()
        if isinstance(member, MemberExpr) and isinstance(member.expr, NameExpr) and _is_known(kind)
        for name, text_of in lines.items()
        for text in text_of[member.line - 1 : member.line]
        if f"{member.expr.name}.{member.name}" in text
    }
    assert len(types) > 10_000
    assert not known


def _is_known(kind: Type) -> bool:
    proper = get_proper_type(kind)
    return isinstance(proper, NoneType) or (
        isinstance(proper, LiteralType) and isinstance(proper.value, bool)
    )
