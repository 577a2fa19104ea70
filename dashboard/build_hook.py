"""Build hook: put the chart library (uPlot, MIT) into the package, and compile the rules where asked to.

The library's code is not committed. The script and style sheet come from the ``youplot`` wheel, a build
requirement, which carries them unchanged: both files have the hash of the release published by uPlot's own
author, so it does not matter how well the carrier is kept. For wheels and editable installs; needs no Node.

With ``SPINDLEBELL_COMPILE=1`` in the environment the wheel carries the modules that pyproject.toml names,
compiled for this computer and this Python by mypyc, beside their sources. What is compiled is a copy in which
`written_out` has written out what mypyc would leave to Python. An editable install stays plain: a compiled
module would go on running after its source has been changed.
"""

from __future__ import annotations

import ast
import hashlib
import os
import shutil
import sysconfig
import tempfile
from contextlib import chdir
from importlib.metadata import distribution
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

TARGET = Path("dashboard/page/uplot")

# name in the package: (path in the carrier, SHA-256 of the file in uPlot 1.6.31 as published)
FILES = {
    "uplot.js": (
        "youplot/vendor/uplot.iife.min.js",
        "2d27e8ad3d228164525ce213f9dc716f39b4e3aee0cc773fb3491c96cf4921a2",
    ),
    "uplot.css": (
        "youplot/vendor/uplot.min.css",
        "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04",
    ),
}

NOTICE = """uPlot 1.6.31, https://github.com/leeoniya/uPlot

The MIT License (MIT)

Copyright (c) 2022 Leon Sorokin

Permission is hereby granted, free of charge, to any person obtaining a copy
of this software and associated documentation files (the "Software"), to deal
in the Software without restriction, including without limitation the rights
to use, copy, modify, merge, publish, distribute, sublicense, and/or sell
copies of the Software, and to permit persons to whom the Software is
furnished to do so, subject to the following conditions:

The above copyright notice and this permission notice shall be included in
all copies or substantial portions of the Software.

THE SOFTWARE IS PROVIDED "AS IS", WITHOUT WARRANTY OF ANY KIND, EXPRESS OR
IMPLIED, INCLUDING BUT NOT LIMITED TO THE WARRANTIES OF MERCHANTABILITY,
FITNESS FOR A PARTICULAR PURPOSE AND NONINFRINGEMENT. IN NO EVENT SHALL THE
AUTHORS OR COPYRIGHT HOLDERS BE LIABLE FOR ANY CLAIM, DAMAGES OR OTHER
LIABILITY, WHETHER IN AN ACTION OF CONTRACT, TORT OR OTHERWISE, ARISING FROM,
OUT OF OR IN CONNECTION WITH THE SOFTWARE OR THE USE OR OTHER DEALINGS IN
THE SOFTWARE.
"""


COMPILE = "SPINDLEBELL_COMPILE"
# That compiler, whose results were compared with those of the sources; numpy for its types.
TO_COMPILE = ("mypy[mypyc]==2.4.1", "numpy>=2.0")
MYPY_OPTIONS = ("--config-file=", "--ignore-missing-imports")  # the other libraries are not there

# A product and a sum rounded once and not twice, which aarch64 can do, would give other results.
AS_PYTHON_ROUNDS = "-ffp-contract=off"

NO_COMPILER = (
    f"{COMPILE}=1 needs a C compiler and the headers of this Python (on Debian and Raspberry Pi OS: "
    f"sudo apt install gcc python3-dev); without {COMPILE} nothing is compiled, and none is needed"
)


class PackageHook(BuildHookInterface):
    """Add what the sources do not hold."""

    PLUGIN_NAME = "custom"
    _made = ""  # folder of what is compiled

    def dependencies(self) -> list[str]:
        """What has to be there before the build: of the compiler of modules only where it is asked for."""
        return list(TO_COMPILE) if _asked_to_compile() else []

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Called by hatchling before a wheel or an editable install is put together."""
        if self.target_name != "wheel":  # the sdist carries the hook, not the files
            return
        self._copy_chart_library()
        if version != "editable" and _asked_to_compile():
            self._compile(build_data)

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:
        """Called once the wheel is put together."""
        if self._made:
            shutil.rmtree(self._made)

    def _compile(self, build_data: dict[str, Any]) -> None:
        if not _has_compiler():
            raise RuntimeError(NO_COMPILER)
        from mypyc.build import mypycify
        from setuptools import Distribution

        self._made = tempfile.mkdtemp()
        options = [*MYPY_OPTIONS, f"--cache-dir={self._made}/cache"]
        sources = Path(self._made) / "sources"
        shutil.copytree(Path(self.root) / "monitor", sources / "monitor")
        for name in self.config["compiled"]:
            path = sources / name
            path.write_text(written_out(path.read_text("utf-8")), encoding="utf-8")
        with chdir(sources):
            extensions = mypycify(
                [*options, *self.config["compiled"]],
                opt_level="1", debug_level="0", target_dir=f"{self._made}/c", group_name="spindlebell",
            )  # fmt: skip
            for extension in extensions:
                extension.extra_compile_args = [*extension.extra_compile_args, AS_PYTHON_ROUNDS]
            command = Distribution({"ext_modules": extensions}).get_command_obj("build_ext")
            command.build_lib, command.build_temp = f"{self._made}/lib", f"{self._made}/o"
            command.ensure_finalized()
            command.run()
        lib = Path(self._made) / "lib"
        build_data["force_include"].update({str(f): str(f.relative_to(lib)) for f in lib.rglob("*.so")})
        build_data["pure_python"], build_data["infer_tag"] = False, True

    def _copy_chart_library(self) -> None:
        """Copy the two files, refusing any whose hash is not the published one."""
        target = Path(self.root) / TARGET
        carrier = distribution("youplot")
        target.mkdir(parents=True, exist_ok=True)
        for name, (source, sha256) in FILES.items():
            content = Path(str(carrier.locate_file(source))).read_bytes()
            found = hashlib.sha256(content).hexdigest()
            if found != sha256:
                raise RuntimeError(
                    f"{source} in youplot {carrier.version} has SHA-256 {found}, expected {sha256}: "
                    "build with youplot==1.0.0"
                )
            (target / name).write_bytes(content)
        (target / "LICENSE.txt").write_text(NOTICE, encoding="utf-8")


def written_out(source: str) -> str:
    """A module in the words that mypyc compiles best, line by line but for the fields of dataclasses.

    A constant becomes `Final`, and so a number in the code or an address; it would be looked up by its name
    wherever it is used. A dataclass that can be changed gets its ``__init__`` written out: that of the
    decorator stays Python, which takes 50 ns a field to reach into what is compiled. It is no dataclass any
    more then: two of one kind are equal only if they are the same.
    """
    return _with_constants(_with_constructors(source))


def _with_constants(source: str) -> str:
    tree, lines = ast.parse(source), source.splitlines()
    stored = [n.id for n in ast.walk(tree) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)]
    for node in tree.body:
        if not isinstance(node, ast.Assign):
            continue
        (target,), value = node.targets, node.value
        several = isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple)
        names, values = (target.elts, value.elts) if several else ([target], [value])
        # mypyc loses a tuple of numbers that is `Final`
        if any(isinstance(one, ast.Tuple) for one in values):
            continue
        if all(isinstance(n, ast.Name) and n.id.isupper() and stored.count(n.id) == 1 for n in names):
            text = "; ".join(f"{n.id}: Final = {ast.unparse(v)}" for n, v in zip(names, values, strict=True))
            _put(lines, node, text)
    future = "from __future__ import annotations"
    return "\n".join(lines).replace(future, f"{future}; from typing import Final", 1) + "\n"


def _with_constructors(source: str) -> str:
    lines = source.splitlines()
    for node in ast.parse(source).body:
        if isinstance(node, ast.ClassDef) and [*map(ast.unparse, node.decorator_list)] == [
            "dataclass(slots=True)"
        ]:
            fields = [one for one in node.body if isinstance(one, ast.AnnAssign)]
            taken, done = ["self"], []
            for one in fields:
                name, kind = one.target.id, ast.unparse(one.annotation)
                _put(lines, one, f"    {name}: {kind}")
                default, made = _default(one.value)
                if default is not None:
                    taken.append(f"{name}: {kind} | None = None" if made else f"{name}: {kind}{default}")
                    done.append(
                        f"self.{name} = " + (f"{made} if {name} is None else {name}" if made else name)
                    )
            if any(isinstance(one, ast.FunctionDef) and one.name == "__post_init__" for one in node.body):
                done.append("self.__post_init__()")
            begin, end = node.decorator_list[0].lineno - 1, fields[-1].end_lineno
            constructor = f"    def __init__({', '.join(taken)}) -> None: {'; '.join(done)}"
            lines[begin:end] = [*lines[begin + 1 : end], constructor]  # in place of the decorator
    return "\n".join(lines) + "\n"


def _default(value: ast.expr | None) -> tuple[str | None, str]:
    """What follows a field among the arguments of ``__init__``, and what is made where it is not given.

    None where it is no argument, because ``__post_init__`` sets it.
    """
    if value is None:
        return "", ""
    if not (isinstance(value, ast.Call) and ast.unparse(value.func) == "field"):
        return f" = {ast.unparse(value)}", ""
    words = {word.arg: word.value for word in value.keywords}
    if "default" in words:
        return f" = {ast.unparse(words['default'])}", ""
    factory = words.get("default_factory")
    if factory is None:
        return None, ""
    return "", ast.unparse(factory.body) if isinstance(factory, ast.Lambda) else f"{ast.unparse(factory)}()"


def _put(lines: list[str], node: ast.stmt, text: str) -> None:
    """Put a line in the place of a statement, and keep the number of lines."""
    lines[node.lineno - 1 : node.end_lineno] = [text] + [""] * (node.end_lineno - node.lineno)


def _asked_to_compile() -> bool:
    return os.environ.get(COMPILE, "") not in ("", "0")


def _has_compiler() -> bool:
    compiler = (os.environ.get("CC") or sysconfig.get_config_var("CC") or "cc").split()[0]
    return bool(shutil.which(compiler)) and (Path(sysconfig.get_paths()["include"]) / "Python.h").exists()
