"""Cut the power of a disk under `listen`: ``python tests/crash/power.py --cuts 200`` (as root, Linux).

Evidence is written to ext4 on a loop device on `tests.crash.disk`, which sees every write and flush below the
file system. From its log the disk is made as it might be after a power cut at random moments, anything that
was not flushed being there, missing or there in part. Each is checked as at a start of the computer (fsck -p,
which replays ext4's journal) and mounted; then every hold, verdict and act that was told before the cut is
looked for, every clip is decoded, the store is checked, and a new `listen` into the directory runs to
its end. Exit status 1 where something was missing.

Needs FUSE and the packages `fuse3` (Debian) and `mfusepy` (Python).
"""

from __future__ import annotations

import argparse
import contextlib
import os
import platform
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from importlib.util import find_spec
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np  # noqa: E402

import monitor.evidence.space  # noqa: E402
from tests.crash import kept  # noqa: E402
from tests.crash.disk import FLUSH, after_power_cut, entries  # noqa: E402
from tests.crash.kill import SHORT_S, run_to_its_end  # noqa: E402
from tests.crash.listening import Told, learn, sounds, start, watch  # noqa: E402
from tests.markdown import table  # noqa: E402

MEGABYTES = 96
FREE_BYTES = 1_000_000  # the usual reserve is more than this disk has
WATCHED_S = 12.0  # of the clock; some minutes of sound
CUTS_A_RUN = 50


def missing() -> str:
    """Why it cannot be done here; empty where it can."""
    if os.geteuid() != 0:
        return "needs root: a loop device is set up and mounted"
    if not Path("/dev/fuse").exists() or not Path("/dev/loop-control").exists():
        return "no FUSE or no loop devices here"
    if shutil.which("fusermount3") is None or find_spec("mfusepy") is None:
        return "install the Debian package fuse3 and the Python package mfusepy"
    return ""


def main(argv: Sequence[str] | None = None) -> int:
    """Cut so often, print and write what came of it."""
    parser = argparse.ArgumentParser(description="Cut the power of a disk under `listen`.")
    parser.add_argument("--cuts", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--output", type=Path, help="write the table here as well")
    args = parser.parse_args(argv)
    if reason := missing():
        parser.error(reason)
    counts: Counter[str] = Counter()
    lost: list[str] = []
    with tempfile.TemporaryDirectory(prefix="power-") as scratch:
        baseline = Path(scratch) / "lamp.json"
        learn(baseline)
        monitor.evidence.space.LEAST_FREE_BYTES = FREE_BYTES
        for number, first in enumerate(range(0, args.cuts, CUTS_A_RUN)):
            folder = Path(scratch) / str(number)
            folder.mkdir()
            rng = random.Random(args.seed + number)
            lost += cut(min(CUTS_A_RUN, args.cuts - first), folder, baseline, rng, counts)
            shutil.rmtree(folder)
            print(f"{counts['cuts']} cuts, {len(lost)} with something missing", flush=True)
    lines = list(report(counts, len(lost), args.cuts))
    print("\n".join([*lines, *lost]))
    if args.output:
        args.output.write_text("\n".join(lines) + "\n", "utf-8")
    return int(bool(lost))


def cut(cuts: int, folder: Path, baseline: Path, rng: random.Random, counts: Counter[str]) -> list[str]:
    """One run, and so many cuts of it; what was missing, in words."""
    log, x = folder / "log", sounds()
    with mounted(folder, log) as mount:
        made = log.stat().st_size
        running = start(mount / "evidence", baseline, x)
        os.close(running.release)
        running.told.mark = lambda: log.stat().st_size
        watch(running, WATCHED_S)
        running.end()
        told, over = running.told, log.stat().st_size
    ends = [end for end, place, _ in entries(log) if made < end <= over and place != FLUSH]
    chosen = sorted(rng.choice(ends) for _ in range(cuts))
    lost = []
    for at, disk in after_power_cut(log, MEGABYTES * 1_000_000, chosen, rng):
        image = folder / "image"
        image.write_bytes(disk)
        before = told.until(at)
        counts["cuts"] += 1
        counts["holds told before"] += len(before.events)
        counts["acts answered before"] += before.acknowledged
        counts["verdicts answered before"] += len(before.verdicts)
        try:
            if (
                subprocess.run(["fsck.ext4", "-p", str(image)], capture_output=True, check=False).returncode
                & 4
            ):
                # The superblock written in part: what a person at the machine would be asked to do.
                counts["cuts after which ext4 wanted e2fsck -y"] += 1
                subprocess.run(["e2fsck", "-f", "-y", str(image)], capture_output=True, check=False)
            with looped(image, folder / "again") as again:
                look(again / "evidence", before, baseline, x, counts)
        except (AssertionError, OSError, ValueError, subprocess.CalledProcessError) as error:
            lost.append(f"cut at {at} of {ends[-1]}: {type(error).__name__}: {error}")
            print(lost[-1], flush=True)
    return lost


def look(directory: Path, told: Told, baseline: Path, x: np.ndarray, counts: Counter[str]) -> None:
    """Look at what a cut has left, and go on in it."""
    batch = kept.newest(directory)
    if batch:
        counts["cuts after which a batch was there"] += 1
        kept.look_after_power_cut(directory, batch, told)
        kept.read_by_commands(directory, batch)
    else:
        kept.check(not (told.events or told.acknowledged or told.verdicts), "told, and no batch is there")
    run_to_its_end(directory, baseline, x[: int(SHORT_S * 48_000)], goes_on=batch > 0)
    if batch:
        kept.set_aside_whole(directory, batch, power_cut=True)
        kept.goes_on(directory, batch)
    for clip in (directory / "clips").glob("*.flac"):
        kept.check(kept.is_whole(clip), f"{clip.name} is not whole, and keeps its name")


@contextlib.contextmanager
def mounted(folder: Path, log: Path) -> Iterator[Path]:
    """A fresh ext4 on a disk that writes a log."""
    fuse = folder / "fuse"
    fuse.mkdir()
    script = Path(__file__).with_name("disk.py")
    server = subprocess.Popen([sys.executable, str(script), str(fuse), str(log), str(MEGABYTES)])
    try:
        until = time.monotonic() + 30
        while not (fuse / "disk").exists():
            if server.poll() is not None or time.monotonic() > until:
                raise OSError("the disk in user space did not start")
            time.sleep(0.05)
        subprocess.run(["mkfs.ext4", "-q", "-F", str(fuse / "disk")], check=True)
        with looped(fuse / "disk", folder / "mount") as mount:
            yield mount
    finally:
        subprocess.run(["fusermount3", "-u", "-z", str(fuse)], check=False)
        server.wait(30)


@contextlib.contextmanager
def looped(image: Path, mount: Path) -> Iterator[Path]:
    """An image mounted; the file system mends itself as it would after a power cut."""
    mount.mkdir(exist_ok=True)
    device = subprocess.run(
        ["losetup", "-f", "--show", str(image)], check=True, capture_output=True, text=True
    ).stdout.strip()
    try:
        subprocess.run(["mount", "-t", "ext4", device, str(mount)], check=True, capture_output=True)
        try:
            yield mount
        finally:
            subprocess.run(["umount", str(mount)], check=True)
    finally:
        subprocess.run(["losetup", "-d", device], check=True)


def report(counts: Counter[str], lost: int, cuts: int) -> Iterator[str]:
    """The result in Markdown."""
    yield "# Power cut while it writes"
    yield ""
    yield (
        f"Made by `python tests/crash/power.py --cuts {cuts}` on Linux {platform.release()}, ext4 with its "
        f"usual options, Python {platform.python_version()}: every write and flush recorded below the file "
        "system, and the disk made anew as it may be after a cut, writes since the last flush kept or lost "
        "by lot, sector by sector."
    )
    yield ""
    yield from table("what|number", [*counts.items(), ("cuts after which something was missing", lost)])


if __name__ == "__main__":
    sys.exit(main())
