"""Build hook: put the chart library (uPlot, MIT) into the package without committing its code.

The script and style sheet come from the ``youplot`` wheel, a build requirement, which carries them
unchanged: both files have the hash of the release published by uPlot's own author, so it does not
matter how well the carrier is kept. Runs for wheels and for editable installs; needs no Node.
"""

from __future__ import annotations

import hashlib
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


class ChartLibraryHook(BuildHookInterface):
    """Copy the two files, refusing any whose hash is not the published one."""

    PLUGIN_NAME = "custom"

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Called by hatchling before a wheel or an editable install is put together."""
        if self.target_name != "wheel":  # the sdist carries the hook, not the files
            return
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
