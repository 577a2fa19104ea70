"""Build hook: put the chart library (uPlot, MIT) into the package, and compile the rules where asked to.

The library's code is not committed. The script and style sheet come from the ``youplot`` wheel, a build
requirement, which carries them unchanged: both files have the hash of the release published by uPlot's own
author, so it does not matter how well the carrier is kept. For wheels and editable installs; needs no Node.

With ``SPINDLEBELL_COMPILE=1`` in the environment the wheel carries the modules that pyproject.toml names,
compiled for this computer and this Python by mypyc, beside their sources. An editable install stays plain: a
compiled module would go on running after its source has been changed.
"""

from __future__ import annotations

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
        with chdir(self.root):
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


def _asked_to_compile() -> bool:
    return os.environ.get(COMPILE, "") not in ("", "0")


def _has_compiler() -> bool:
    compiler = (os.environ.get("CC") or sysconfig.get_config_var("CC") or "cc").split()[0]
    return bool(shutil.which(compiler)) and (Path(sysconfig.get_paths()["include"]) / "Python.h").exists()
