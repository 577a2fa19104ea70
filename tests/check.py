"""Everything that has to hold before a commit: format, lint, types, tests and doctests.

    python3 tests/check.py               all of it, setting up whatever is missing
    python3 tests/check.py --fix         the same, after repairing format and lint and writing the reference
    python3 tests/check.py --lint        format, lint and types only
    python3 tests/check.py --benchmarks  measure, and print the tables

Standard library only: it makes its own environment.
"""

import sys

if __name__ == "__main__":
    del sys.path[0]  # this folder: parts of it are named like modules of the standard library

import argparse
import os
import shutil
import subprocess
import time
from contextlib import suppress
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from monitor.environment import ensure_environment, install_system_package  # noqa: E402

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
# Debian packages of data that carry real sounds, each with the folder by which it is known.
SOUNDS = {
    "alsa-utils": "/usr/share/sounds/alsa",
    "crrcsim-data": "/usr/share/games/crrcsim/sounds",
    "simutrans-pak64": "/usr/share/games/simutrans/pak/sound",
    "sonic-pi-samples": "/usr/share/sonic-pi/samples",
}
# Debian packages that make a microphone where there is no sound card, each with a file by which it is known.
MICROPHONE = {
    "libportaudio2": "lib/*/libportaudio.so.2",
    "libasound2-plugins": "lib/*/alsa-lib/libasound_module_pcm_pulse.so",
    "pulseaudio": "bin/pulseaudio",
    "pulseaudio-utils": "bin/paplay",
}
# Programs, each with its Debian package and what it is for; some stand in sbin.
PROGRAMS = {
    "mosquitto": ("mosquitto", "monitors tell their shop through a real broker"),
    "systemd-analyze": ("systemd", "the service's unit is verified"),
    "strace": ("strace", "a hold is shown to be on the disk before it is told"),
}
SYSTEM_PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
# What hears, draws or serves in real time: alone, for another test beside it would disturb it.
IN_REAL_TIME = ("tests/hardware", "tests/browser", "tests/docs/test_typed.py")


def main() -> int:
    """Run the checks asked for; 0 when all hold."""
    args = _arguments()
    python = str(ensure_environment("[test]"))
    if not (args.lint or args.benchmarks) and not any(map(shutil.which, BROWSERS)):
        install_system_package("chromium", "the dashboard is tested in a browser")
    if not (args.lint or args.benchmarks):
        for package, folder in SOUNDS.items():
            if not Path(folder).exists():
                with suppress(SystemExit):  # not everywhere to be had; those tests are skipped and say so
                    install_system_package(package, "tests hear real motors, music and speech from it")
        for package, file in MICROPHONE.items():
            if not any(Path("/usr").glob(file)):
                with suppress(SystemExit):
                    install_system_package(package, "tests hear through a virtual microphone")
        for program, (package, purpose) in PROGRAMS.items():
            if shutil.which(program, path=SYSTEM_PATH) is None:
                with suppress(SystemExit):
                    install_system_package(package, purpose)
    return _run_all(_steps(args, python))


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Check the project.")
    parser.add_argument(
        "--fix", action="store_true", help="repair format and lint first, and write the reference"
    )
    only = parser.add_mutually_exclusive_group()
    only.add_argument("--lint", action="store_true", help="format, lint and types only")
    only.add_argument("--benchmarks", action="store_true", help="measure, and print the tables")
    return parser.parse_args()


def _steps(args: argparse.Namespace, python: str) -> dict[str, list[str]]:
    if args.benchmarks:
        return {"benchmarks": [python, "-m", "pytest", "-q", "-s", "-m", "benchmarks", "tests/benchmarks"]}
    steps: dict[str, list[str]] = {}
    if args.fix:
        steps["repair format"] = [python, "-m", "ruff", "format"]
        steps["repair lint"] = [python, "-m", "ruff", "check", "--fix"]
        steps["write the reference"] = [python, "tests/docs/reference.py"]
    steps["format"] = [python, "-m", "ruff", "format", "--check"]
    steps["lint"] = [python, "-m", "ruff", "check"]
    steps["types"] = [python, "-m", "mypy"]
    if not args.lint:
        pytest = [python, "-m", "pytest", "-q"]
        others = [f"--ignore={place}" for place in IN_REAL_TIME]
        steps["tests in real time"] = [*pytest, *IN_REAL_TIME]
        steps["all other tests and doctests"] = [*pytest, "-n", "auto", "--dist", "loadfile", *others]
    return steps


def _run_all(steps: dict[str, list[str]]) -> int:
    """Run every step even after one has failed, so that one run shows all there is to mend."""
    failed = []
    # One thread each: small arrays gain nothing from more, and two cores are soon full.
    env = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", **os.environ}
    for name, command in steps.items():
        print(f"== {name}", flush=True)
        start = time.monotonic()
        if subprocess.run(command, cwd=ROOT, env=env, check=False).returncode:
            failed.append(name)
        print(
            f"== {name}: {'FAILED' if name in failed else 'ok'}, {time.monotonic() - start:.0f} s", flush=True
        )
    print(f"failed: {', '.join(failed)}" if failed else "all ok")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
