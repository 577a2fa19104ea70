"""Who may import whom, and what the pure core may not touch."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
MODULES = sorted(
    path for package in ("monitor", "dashboard", "hardware") for path in (ROOT / package).rglob("*.py")
)

# The only places that put the parts together.
COMPOSERS = {"monitor/cli.py", "monitor/__main__.py"} | {
    f"monitor/commands/{p.name}" for p in (ROOT / "monitor/commands").glob("*.py")
}

# Clock, file, device, randomness without a seed, and state of the process.
IMPURE = {
    "asyncio", "datetime", "glob", "io", "logging", "multiprocessing", "os", "pathlib", "random", "shutil",
    "signal", "socket", "sounddevice", "soundfile", "sqlite3", "subprocess", "sys", "tempfile", "threading",
    "time", "urllib",
}  # fmt: skip


def name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


# What reads and writes files, keeps time or composes. All the rest of monitor/ is the pure core.
SHELL = (
    "monitor/__main__.py",
    "monitor/cli.py",
    "monitor/commands/",
    "monitor/environment.py",
    "monitor/evidence/",
    "monitor/manual.py",
    "monitor/recordings.py",
    "monitor/session.py",
    "monitor/stopping.py",
    "monitor/synth/",
    "monitor/whole_file.py",
)

# What the core is given: read from files, but plain data once it has been read.
GIVEN = (
    "monitor/baseline.py",
    "monitor/job.py",
    "monitor/planning/materials.py",
    "monitor/spindles.py",
    "monitor/station.py",
    "monitor/toml_tables.py",
)


def is_core(path: Path) -> bool:
    return name(path).startswith("monitor/") and not name(path).startswith(SHELL + GIVEN)


def imports(path: Path) -> set[tuple[str, bool]]:
    """Every module imported, and whether it happens inside a function."""
    found: set[tuple[str, bool]] = set()

    def visit(node: ast.AST, inside: bool) -> None:
        inside = inside or isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        if isinstance(node, ast.Import):
            found.update((alias.name, inside) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name(path)}: relative import"
            found.add((node.module or "", inside))
            found.update((f"{node.module}.{alias.name}", inside) for alias in node.names)
        for child in ast.iter_child_nodes(node):
            visit(child, inside)

    visit(ast.parse(path.read_text("utf-8")), False)
    return found


def packages(path: Path) -> set[str]:
    return {module.split(".")[0] for module, _ in imports(path)}


@pytest.mark.parametrize("path", MODULES, ids=name)
def test_imports_go_one_way(path):
    top = name(path).split("/")[0]
    if top == "monitor":
        allowed = {"dashboard", "hardware"} if name(path) in COMPOSERS else set()
    else:
        allowed = {"monitor"}
    assert packages(path) & ({"monitor", "dashboard", "hardware"} - {top}) <= allowed
    at_load = {module.split(".")[0] for module, inside in imports(path) if not inside}
    if top == "monitor":
        assert not at_load & {"dashboard", "hardware"}, "compose inside functions"


@pytest.mark.parametrize("path", [path for path in MODULES if not is_core(path)], ids=name)
def test_only_composers_know_the_command_line(path):
    modules = {module for module, _ in imports(path)}
    if name(path) not in COMPOSERS:
        assert not {m for m in modules if m == "monitor.cli" or m.startswith("monitor.commands")}


@pytest.mark.parametrize("path", [path for path in MODULES if is_core(path)], ids=name)
def test_the_core_touches_no_clock_file_device_or_process(path):
    assert not packages(path) & IMPURE
    tree = ast.parse(path.read_text("utf-8"))
    called = {
        node.func.id
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert not called & {"open", "print", "input", "exec", "eval"}
    assert not any(isinstance(node, ast.Global | ast.Nonlocal) for node in ast.walk(tree))


@pytest.mark.parametrize("path", [path for path in MODULES if is_core(path)], ids=name)
def test_the_core_imports_only_the_core_and_plain_data(path):
    files = {module.replace(".", "/") for module, _ in imports(path) if module.startswith("monitor.")}
    outside = {f for f in files if f"{f}.py".startswith(SHELL) or f"{f}/".startswith(SHELL)}
    assert not outside


def test_no_drawer_for_everything():
    assert not [name(p) for p in MODULES if p.stem in {"utils", "util", "helpers", "misc", "common"}]
    managers = re.compile(r"^class \w*Manager\b", re.MULTILINE)
    assert not [name(p) for p in MODULES if managers.search(p.read_text("utf-8"))]


def test_device_and_web_libraries_are_not_needed_to_import_the_monitor():
    core = [
        name(p).removesuffix(".py").removesuffix("/__init__").replace("/", ".")
        for p in MODULES
        if name(p).startswith("monitor/")
    ]
    code = (
        "import importlib, sys\n"
        f"for module in {core!r}: importlib.import_module(module)\n"
        "found = {'sounddevice', 'gpiozero', 'gpiod', 'fastapi', 'uvicorn', 'paho'} & set(sys.modules)\n"
        "sys.exit(', '.join(sorted(found)) or 0)"
    )
    ended = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert (ended.returncode, ended.stderr) == (0, "")


def test_hearing_loads_no_large_library():
    """SciPy takes most of a second and half of the memory; learning and synthesis may have it."""
    code = "import sys, monitor.cli, monitor.commands.replay; sys.exit('scipy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False).returncode == 0


def test_the_top_level_stays_small():
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.splitlines()
    if not listed:
        pytest.skip("not a git checkout: an unpacked source archive has no list of committed files")
    tops = {path.split("/")[0] for path in listed}
    allowed = {
        "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml",
        "monitor", "dashboard", "hardware", "tests", "recordings_synthetic",
    }  # fmt: skip
    assert {top for top in tops if not top.startswith(".")} <= allowed
