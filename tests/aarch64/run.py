"""The core's tests on aarch64, emulated: ``python tests/aarch64/run.py /var/tmp/aarch64``.

Makes a Debian arm64 root in the folder named, without root rights: packages unpacked, not installed (the
second stage of debootstrap takes very long under emulation), and the wheels that a Raspberry Pi would get.
In it run, under qemu's user-mode emulation, the tests of `monitor` that need no device, no browser and no
network. The same run on this computer's own processor, and each test's processor time is set against the
other. A folder that is used again goes on where it was stopped; empty it after a change.

Time says how slow the emulator is, not how fast a Pi will be. So instructions are counted on both, by a
plugin for qemu (count.c), for a second of sound through the ear and through `listen`.

Needs Debian or Ubuntu on x86-64 with the packages qemu-user and gcc, and access to their package archive.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import shutil
import statistics
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import redirect_stdout
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
HERE = Path(__file__).parent
if __name__ == "__main__":
    sys.path[0] = str(ROOT)

from monitor import cli  # noqa: E402
from monitor.measurements import TraceRow  # noqa: E402
from tests.markdown import table  # noqa: E402

# Everything of monitor/ but its commands, which want a page, a device or minutes.
CORE = [
    *(f"tests/{folder}" for folder in ("signal", "faults", "synth", "planning", "tuning", "evidence")),
    *(
        f"tests/test_{name}.py"
        for name in (
            "alarm", "baseline", "cutting", "environment", "job", "listener", "pecks", "quantities",
            "recordings", "schedule", "session", "spindle", "spindles", "station", "take", "whole_file",
            "work",
        )
    ),
    "monitor",
]  # fmt: skip
PACKAGES = (
    "libc6 libgcc-s1 libstdc++6 zlib1g libexpat1 libffi8 libssl3 libbz2-1.0 liblzma5 libsqlite3-0 libuuid1 "
    "libcrypt1 libncursesw6 libtinfo6 libreadline8 libdb5.3 libnsl2 libtirpc3 libgomp1 media-types "
    "python3.11-minimal libpython3.11-minimal libpython3.11-stdlib"
)  # of Debian 12, as Raspberry Pi OS
WHEELS = (
    "numpy>=2.0 scipy>=1.11 soundfile>=0.12.1 fastapi>=0.110 anyio>=4 uvicorn>=0.27 websockets>=12 "
    "pydantic>=2.6 tqdm>=4.66 itsdangerous>=2.1 segno>=1.6 paho-mqtt>=2.1 prometheus-client>=0.20 "
    "pytest>=8 hypothesis>=6.98"
)
PURE = ("sdnotify.py", "sdnotify")  # no wheel of its own: taken from here, it is pure Python
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
FROM_S, TO_S = 6, 18  # seconds of sound: what both have in common, start and imports, falls out


@dataclass(frozen=True)
class Machine:
    """A Python to run, natively or emulated: its command, and the environment that it needs."""

    name: str
    command: list[str]
    env: dict[str, str]

    def run(self, words: Sequence[str], **more: str) -> int:
        """Run Python with these words; its exit status."""
        env = {**os.environ, **ONE_THREAD, **self.env, **more}
        return subprocess.run([*self.command, *words], cwd=ROOT, env=env, check=False).returncode


@dataclass(frozen=True)
class Test:
    """What came of a test."""

    outcome: str
    seconds: float
    said: str


def prepare(folder: Path) -> None:
    """Make the arm64 root with its Python and wheels, the plugin, and a baseline; only what is missing."""
    (folder / "root").mkdir(parents=True, exist_ok=True)
    if not (folder / "root/usr/bin/python3.11").exists():
        for part in ("lists/partial", "cache/archives/partial", "state", "debs"):
            (folder / part).mkdir(parents=True, exist_ok=True)
        (folder / "state/status").touch()
        places = {
            "State": "state", "State::lists": "lists", "State::status": "state/status", "Cache": "cache",
        }  # fmt: skip
        apt = ["apt-get", "-q", "-o", "APT::Architecture=arm64", "-o", "APT::Architectures=arm64"]
        apt += [word for key, place in places.items() for word in ("-o", f"Dir::{key}={folder / place}")]
        _do([*apt, "update"], folder)
        _do([*apt, "download", *PACKAGES.split()], folder / "debs")
        for package in sorted((folder / "debs").glob("*.deb")):
            _do(["dpkg-deb", "-x", str(package), str(folder / "root")], folder)
    if not (folder / "site/pytest").exists():
        tags = [f"manylinux_2_{minor}_aarch64" for minor in (17, 24, 26, 27, 28, 34, 35)]
        pip = [sys.executable, "-m", "pip", "install", "-q", "--no-compile", "--only-binary=:all:"]
        for tag in ("manylinux2014_aarch64", *tags):
            pip += ["--platform", tag]
        pip += ["--implementation", "cp", "--python-version", "3.11", "--abi", "cp311", "--abi", "abi3"]
        _do([*pip, "--abi", "none", "--target", str(folder / "site"), *WHEELS.split()], folder)
        for place in map(Path, sys.path):
            for name in PURE:
                if (place / name).is_dir():
                    shutil.copytree(place / name, folder / "site" / name, dirs_exist_ok=True)
                elif (place / name).is_file():
                    shutil.copy(place / name, folder / "site")
    _do(["gcc", "-O2", "-shared", "-fPIC", "-o", str(folder / "count.so"), str(HERE / "count.c")], folder)
    script = folder / "python"  # what a test starts as a child of its own
    program = f"{shutil.which('qemu-aarch64')} -L {folder}/root {folder}/root/usr/bin/python3.11"
    script.write_text(f'#!/bin/sh\nexec {program} "$@"\n', "utf-8")
    script.chmod(0o755)
    words = ["baseline", "-o", str(folder / "baseline.json")]
    for rpm in (900, 2000):
        words += ["--rpm", str(rpm), str(ROOT / f"recordings_synthetic/baseline_lamp_{rpm}rpm.flac")]
    with redirect_stdout(None):
        assert cli.main(words) == 0


def _do(command: Sequence[str], folder: Path) -> None:
    subprocess.run(command, cwd=folder, check=True)


def machines(folder: Path) -> tuple[Machine, Machine]:
    """This computer's own Python, and the emulated one."""
    path = f"{ROOT}{os.pathsep}{folder / 'site'}"
    here = Machine(platform.machine(), [sys.executable], {"PYTHONPATH": str(ROOT)})
    return here, Machine(
        "aarch64", [str(folder / "python")], {"PYTHONPATH": path, "TEST_PYTHON": str(folder / "python")}
    )


def run_tests(machine: Machine, folder: Path, tests: Sequence[str]) -> dict[str, Test]:
    """Run these tests, and say what came of each; what an earlier run has found stands."""
    found = folder / f"tests_{machine.name}.jsonl"
    before = results(found)
    todo = folder / "todo"
    todo.write_text("".join(f"{name}\n" for name in tests if name not in before), "utf-8")
    if todo.stat().st_size:
        words = ["-m", "pytest", "-q", "-p", "tests.aarch64.timed", "-p", "no:cacheprovider", f"@{todo}"]
        machine.run(words, TEST_TIMES=str(found))
    return results(found)


def results(file: Path) -> dict[str, Test]:
    """What stands in a file that `tests.aarch64.timed` has written; nothing where there is none."""
    lines = file.read_text("utf-8").splitlines() if file.exists() else []
    return {name: Test(*rest) for name, *rest in map(json.loads, lines)}


def instructions(machine: Machine, folder: Path, how: str) -> float:
    """Instructions for a second of sound, through the "ear" or through "listen"; NaN where qemu gives up."""
    counts = []
    for seconds in (FROM_S, TO_S):
        output, counted = folder / f"{how}_{machine.name}_{seconds}", folder / "instructions"
        shutil.rmtree(output, ignore_errors=True)
        counting = Machine(machine.name, _counting(machine, folder), machine.env)
        words = [str(HERE / "hear.py"), how, str(seconds), str(folder / "baseline.json"), str(output)]
        status = counting.run(words, INSTRUCTIONS=str(counted), PYTHONPATH=_path(machine))
        if status < 0:  # by a signal: qemu-x86_64 7.2 falls over threads
            return math.nan
        if status not in (cli.EXIT_DONE, cli.EXIT_HELD):
            raise RuntimeError(f"{how} on {machine.name} ended with {status}")
        counts.append(int(counted.read_text("ascii")))
    return (counts[1] - counts[0]) / (TO_S - FROM_S)


def _counting(machine: Machine, folder: Path) -> list[str]:
    """The command that counts: both under the emulator, which for x86-64 offers AVX2 and no more."""
    plugin = ["-plugin", str(folder / "count.so")]
    if machine.name == "aarch64":
        root = folder / "root"
        return ["qemu-aarch64", *plugin, "-L", str(root), str(root / "usr/bin/python3.11")]
    return ["qemu-x86_64", "-cpu", "max", *plugin, os.path.realpath(sys.executable)]


def _path(machine: Machine) -> str:
    """Where modules are: the real interpreter does not know the environment that it was called from."""
    found = [place for place in sys.path if place.endswith("site-packages")]
    return machine.env["PYTHONPATH"] + (
        "" if machine.name == "aarch64" else os.pathsep + os.pathsep.join(found)
    )


def heard_apart(folder: Path, names: Sequence[str]) -> list[str]:
    """How far the rows of the ear lie apart on the two, and whether all it said is the same."""
    first, second = (json.loads((folder / f"ear_{name}_{TO_S}").read_text("utf-8")) for name in names)
    apart = [0.0] * len(first["rows"][0])
    for a, b in zip(first["rows"], second["rows"], strict=True):
        for i, (x, y) in enumerate(zip(a, b, strict=True)):
            if math.isnan(x) != math.isnan(y):
                apart[i] = math.inf
            elif not math.isnan(x):
                apart[i] = max(apart[i], abs(x - y))
    same = first["events"] == second["events"]
    named = ", ".join(f"{name} {far:.1g}" for name, far in zip(TraceRow._fields, apart, strict=True) if far)
    return [
        f"The same {TO_S} s of sound, heard on both: {len(first['rows'])} rows, {len(first['events'])} "
        f"events, which are {'the same to the letter' if same else 'NOT THE SAME'}. Most that two rows "
        f"differ: {named or 'nothing'}."
    ]


def report(
    here: Mapping[str, Test],
    there: Mapping[str, Test],
    counts: Mapping[str, tuple[float, float]],
    most_s: float,
) -> Iterator[str]:
    """The result in Markdown."""
    less = f" --most {most_s:g}" if most_s < math.inf else ""
    both = [name for name in there if name in here and there[name].outcome == here[name].outcome == "passed"]
    ours, theirs = (sum(one[name].seconds for name in both) for one in (here, there))
    ratios = [there[name].seconds / here[name].seconds for name in both if here[name].seconds > 0.01]
    outcomes = {
        one: sum(test.outcome == one for test in there.values()) for one in ("passed", "skipped", "failed")
    }
    yield "# The core on aarch64"
    yield ""
    yield (
        f"Made by `python tests/aarch64/run.py FOLDER{less}` on {platform.machine()}: Debian 12's Python "
        "3.11 for arm64 with the wheels for aarch64, under qemu's user-mode emulation."
    )
    yield ""
    yield from table(
        "what | result",
        [
            ("tests of the core, passed here", sum(test.outcome == "passed" for test in here.values())),
            *((f"{name} on aarch64", number) for name, number in outcomes.items()),
            ("left out as taking too long, or not reached", sum(name not in there for name in here)),
            ("processor time of those that passed on both", f"{ours:.0f} s here, {theirs:.0f} s emulated"),
            ("emulated to here, all together", f"{theirs / ours:.1f}"),
            ("the same, the median of a test over 10 ms", f"{statistics.median(ratios):.1f}"),
        ],
    )
    yield ""
    if counts:
        yield from table(
            "for a second of sound at 48 kHz | instructions, aarch64 | x86-64 (AVX2) | ratio",
            [
                (how, _millions(theirs), _millions(ours), _known(f"{theirs / ours:.2f}"))
                for how, (ours, theirs) in counts.items()
            ],
        )
        yield ""
    failed = [name for name, test in there.items() if test.outcome == "failed"]
    yield from (["Failed on aarch64:", "", *(f"- `{name}`" for name in failed), ""] if failed else [])


def _millions(n: float) -> str:
    return _known(f"{n / 1e6:.0f} million")


def _known(text: str) -> str:
    return "not counted: the emulator ended" if "nan" in text else text


def main(argv: Sequence[str] | None = None) -> int:
    """Prepare, run, compare, print; 1 where a test that passes here fails there."""
    parser = argparse.ArgumentParser(description="The core's tests on emulated aarch64.")
    parser.add_argument("folder", type=Path, help="for the arm64 root and what is found; some 700 MB")
    parser.add_argument(
        "--most", type=float, default=math.inf, help="leave out tests that take longer here, s"
    )
    parser.add_argument("--output", type=Path, help="write the Markdown here as well")
    args = parser.parse_args(argv)
    if missing := [
        name for name in ("qemu-aarch64", "qemu-x86_64", "gcc", "apt-get") if not shutil.which(name)
    ]:
        parser.error(f"{', '.join(missing)} is missing; install the Debian packages qemu-user and gcc")
    folder = args.folder.absolute()
    prepare(folder)
    here, there = machines(folder)
    counts = {
        how: (instructions(here, folder, how), instructions(there, folder, how)) for how in ("ear", "listen")
    }
    print(counts, flush=True)  # the tests take long, and may be stopped
    ours = run_tests(here, folder, CORE)
    theirs = run_tests(there, folder, [name for name, one in ours.items() if one.seconds <= args.most])
    lines = [*report(ours, theirs, counts, args.most), *heard_apart(folder, (here.name, there.name))]
    print("\n".join(lines))
    if args.output:
        args.output.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return int(
        any(test.outcome == "failed" and ours[name].outcome != "failed" for name, test in theirs.items())
    )


if __name__ == "__main__":
    sys.exit(main())
