"""Installs a wheel into an empty environment and does the whole job with it, far from any clone.

    python3.13 tests/release/whole_job.py spindlebell-0.1.0-py3-none-any.whl

Standard library only, so that any Python which is there can be tried. Ends with 0 and says what was done,
or with the first thing that went wrong.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import venv
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.request import urlopen

LONGEST_S = 600.0  # for one command, on a busy machine: none takes longer than some ten seconds by itself
HELD = 10


def main() -> int:
    """Install the wheel named on the command line and use it."""
    wheel = Path(sys.argv[1]).resolve()
    with tempfile.TemporaryDirectory(prefix="spindlebell-wheel-") as folder:
        program = install(wheel, Path(folder) / "environment")
        work = Path(folder) / "work"
        work.mkdir()
        whole_job(program, work)
    print(f"{wheel.name} does the whole job on Python {sys.version.split()[0]}")
    return 0


def install(wheel: Path, environment: Path) -> Path:
    """Put the wheel, and what it asks for, into a new environment; the path of its command."""
    venv.create(environment, with_pip=True)
    python = environment / "bin" / "python"
    options = ["--quiet", "--disable-pip-version-check", "--no-compile"]
    subprocess.run([python, "-m", "pip", "install", *options, wheel], check=True, env=_clean())
    return environment / "bin" / "spindlebell"


def whole_job(program: Path, work: Path) -> None:
    """Every command that needs no microphone, each with the result that it has to have."""

    def run(*words: str, status: int = 0) -> str:
        done = subprocess.run(
            [program, *words], cwd=work, env=_clean(), capture_output=True, text=True, timeout=LONGEST_S
        )
        assert done.returncode == status, f"{words}: {done.returncode}\n{done.stdout}{done.stderr}"
        print(f"  spindlebell {' '.join(words)}: {done.returncode}", flush=True)
        return done.stdout

    assert re.fullmatch(r"spindlebell \d+\.\d+\.\d+\n", run("--version"))
    run("synth", "recordings", "--scene", "bind", "--scene", "normal_batch")
    recorded = [
        word for rpm in ("900", "2000")
        for word in ("--rpm", rpm, f"recordings/baseline_lamp_{rpm}rpm.flac")
    ]  # fmt: skip
    run("baseline", *recorded, "-o", "lamp.json")
    job, heard = ["--job", "recordings/bind.toml"], ["--baseline", "lamp.json"]
    assert "1 hold" in run("replay", "recordings/bind.flac", *job, *heard, "--out", "evidence", status=HELD)
    good = ["--job", "recordings/normal_batch.toml", *heard]
    assert "No hold" in run("replay", "recordings/normal_batch.flac", *good, "--out", "evidence")
    heights = ["--clearance", "10 mm", "--retract", "2 mm", "--approach", "0.5 mm"]
    run("plan", "recordings/bind.toml", *heights, "--plot", "fill.svg", "--program", "draft.nc")
    run("plan", "--materials")
    run("pecks", "evidence")
    run("thresholds", "evidence")
    run("report", "evidence")
    written = ("report-0002.html", "events.jsonl", "evidence.db")
    for name in ("fill.svg", "draft.nc", *(f"evidence/{name}" for name in written)):
        assert (work / name).stat().st_size > 100, name
    with served(program, work, "page", "evidence", "--port", "0") as (url, _):
        look_at(url)
    with served(
        program, work, "demo", "--blanks", "1", "--speed", "10", "--port", "0", "--exit-when-done"
    ) as (url, process):
        look_at(url)
        assert process.wait(LONGEST_S) == 0, "the demo's good blank is drilled without a hold"


@contextmanager
def served(program: Path, work: Path, *words: str) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """A command that serves the page, and where; it is ended with the block, if it still runs."""
    process = subprocess.Popen(
        [program, *words],
        cwd=work,
        env=_clean() | {"PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    assert process.stdout is not None
    with process:
        try:
            said = ""
            while (found := re.search(r"http://127\.0\.0\.1:\d+/", said)) is None:
                line = process.stdout.readline()
                assert line, f"{words}: {said}"
                said += line
            yield found[0], process
            print(f"  spindlebell {' '.join(words)}: served {found[0]}", flush=True)
        finally:
            if process.poll() is None:
                process.terminate()


def look_at(url: str) -> None:
    """Ask for the page and for every file that it names."""
    with urlopen(url, timeout=LONGEST_S) as answer:
        names = re.findall(r'(?:src|href)="/(page/[^"]+)"', answer.read().decode())
    assert {"page/uplot/uplot.js", "page/page.css"} <= set(names)
    for name in names:
        with urlopen(url + name, timeout=LONGEST_S) as answer:
            assert answer.status == 200, name
            assert len(answer.read()) > 100, name


def _clean() -> dict[str, str]:
    """The environment without what would lead back to a clone."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "VIRTUAL"))}
    return kept | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONNOUSERSITE": "1"}


if __name__ == "__main__":
    sys.exit(main())
