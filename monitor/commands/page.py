"""``spindlebell page``: past batches of an evidence directory, looked at and judged in a browser."""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from contextlib import ExitStack, closing, suppress
from pathlib import Path

from monitor.cli import EXIT_DONE
from monitor.errors import EvidenceError, InputError
from monitor.evidence.archive import Archive
from monitor.manual import Manual

REPORT_TIMEOUT_S = 300.0  # of hours of evidence, on a slow computer
PAGE_ENDED = "The page has ended."


MANUAL = Manual(
    about="""
    Serves the page for past batches, with no machine and no microphone: every blank and peck, each hold
    with its sound and curves, drill wear, two batches beside each other, files to take away. Here you say
    of each hold whether it was real; `thresholds` tunes by these verdicts. Ctrl-C (or SIGTERM) ends it.
    """,
    examples=[
        ("spindlebell page evidence", "On this computer, at http://127.0.0.1:8765:"),
        ("spindlebell page evidence --host 0.0.0.0", "For the network, with links to watch and to operate:"),
    ],
    files={
        "DIR": "an evidence directory; only verdicts are written to it",
        "keys.json": "in ~/.config/spindlebell: the secret tokens of a page that is open to the network",
    },
    caution="The page is not encrypted: serve it only in a network that you trust.",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("directory", metavar="DIR", help="an evidence directory; may be in use")
    parser.add_argument("--port", type=int, default=8765, help="port of the page (default: 8765; 0: any)")
    parser.add_argument(
        "--host", default="127.0.0.1", help="address of the page (default: this computer only)"
    )


def run(args: argparse.Namespace) -> int:
    """Serve the page until Ctrl-C."""
    from dashboard.app import create_app
    from dashboard.entry import entry_for, invitation
    from dashboard.serve import listen, page_address, serving

    if not 0 <= args.port <= 65535:
        raise InputError(f"--port {args.port}: has to be from 0 to 65535, such as 8765")
    archive = Archive(Path(args.directory))
    n_batches = len(archive.batches())
    entry = entry_for(args.host)
    with closing(listen(args.host, args.port)) as listening:
        report = reporter(archive.directory)
        app = create_app(None, None, archive=archive, report=report, entry=entry, names=[args.host])
        with serving(app, listening):
            url = page_address(args.host, listening.getsockname()[1])
            print("\n".join(invitation(url, entry, qr=sys.stdout.isatty())))
            with suppress(KeyboardInterrupt):
                print(f"Batches in {archive.directory}: {n_batches}. Ctrl-C ends the page.", flush=True)
                threading.Event().wait()
    print(PAGE_ENDED, flush=True)
    return EXIT_DONE


def reporter(directory: Path) -> Callable[[int], str]:
    """Gives the report of a batch, as HTML, for whoever serves a page.

    It is made in a process of its own and with patience, one at a time: what listens to a machine must not
    wait for it. Its callable raises EvidenceError.
    """
    one_at_a_time = threading.Lock()

    def make(batch: int) -> str:
        if not one_at_a_time.acquire(blocking=False):
            raise EvidenceError("another report is being made; try again in a while")
        with ExitStack() as done, tempfile.TemporaryDirectory() as folder:
            done.callback(one_at_a_time.release)
            out = Path(folder) / "report.html"
            patient = ["nice", "-n", "10"] if shutil.which("nice") else []
            command = [*patient, sys.executable, "-m", "monitor.cli", "report", str(directory)]
            try:
                made = subprocess.run(
                    [*command, "--batch", str(batch), "--out", str(out)],
                    capture_output=True,
                    text=True,
                    timeout=REPORT_TIMEOUT_S,
                    check=False,
                    cwd=Path(__file__).parents[2],
                    env={**os.environ, "OMP_NUM_THREADS": "1"},
                )
                if made.returncode:
                    raise EvidenceError(f"the report cannot be made: {made.stderr.strip()}")
                return out.read_text("utf-8")
            except (OSError, subprocess.TimeoutExpired) as error:
                raise EvidenceError(f"the report cannot be made: {error}") from error

    return make
