"""The command line: finds the command, runs it, and turns errors into one line and an exit status."""

from __future__ import annotations

import argparse
import importlib
import io
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

from monitor import __version__
from monitor.errors import InputError, SpindlebellError, in_brief
from monitor.manual import CAUTION, DOCS, Manual, ManualPage
from monitor.stopping import Terminated, sigterm_as_ctrl_c

# Module in monitor/commands -> what it does. A module is imported only when its command is asked for.
COMMANDS = {
    "demo": "the whole job with no hardware: a synthetic batch played through the dashboard",
    "synth": "write the synthetic recordings with their truth files",
    "baseline": "learn a machine's free-running sound from recordings",
    "plan": "reckon a job's pecks before cutting: flute fill, time, load, better schedules",
    "check": "before a batch: microphone, hold line and heartbeat",
    "listen": "the monitor at the machine: microphone in, hold line and page out",
    "spindles": "several spindles on one computer, a monitor for each",
    "replay": "run the monitor on a recording, as fast as it goes",
    "pecks": "where in each peck the load began to climb, what to drill next, and how the drill wears",
    "thresholds": "what other thresholds of sag would have done, and which to use",
    "page": "show the batches of an evidence directory in a browser, to look at and to judge",
    "shop": "every spindle of a shop on one page, as its monitors tell it through a broker",
    "report": "one self-contained HTML page of a batch",
}

EXIT_DONE = 0
EXIT_OTHER = 1  # anything else, an interruption included
EXIT_INPUT = 2  # the arguments or an input file are wrong
EXIT_HELD = 10  # done, and a hold was raised

_EPILOG = (
    "`spindlebell COMMAND --help` is the manual page of a command. Exit status: 0 done and no hold was "
    "raised; 10 done and a hold was raised; 2 the arguments or an input file are wrong; 1 anything else. "
    f"{CAUTION} Guides: {DOCS}"
)


class _OneLineParser(argparse.ArgumentParser):
    """Says what is wrong on one line, without the usage block; its help is a manual page where it has one."""

    page: tuple[str, Manual] | None = None

    def format_help(self) -> str:
        return ManualPage(self, *self.page).text() if self.page else super().format_help()

    def error(self, message: str) -> NoReturn:
        if message.endswith(": COMMAND"):
            message = "a command is missing, such as `spindlebell demo`"
        self.exit(EXIT_INPUT, f"{self.prog}: {message}; see {self.prog} --help\n")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status.

    Set ``SPINDLEBELL_TRACEBACK=1`` to see where an unexpected error came from.
    """
    argv = sys.argv[1:] if argv is None else list(argv)
    prog = "spindlebell"
    _let_every_letter_through()
    try:
        parser = _parser(argv)
        args, unknown = parser.parse_known_args(argv)
        parser.prog = prog = f"spindlebell {args.command}"
        if unknown:
            parser.error(f"unknown arguments: {' '.join(unknown)}")
        with sigterm_as_ctrl_c():
            status: int = importlib.import_module(f"monitor.commands.{args.command}").run(args)
            print(end="", flush=True)
        return status
    except Terminated:
        return _fail(EXIT_OTHER, prog, "stopped by SIGTERM")
    except KeyboardInterrupt:
        return _fail(EXIT_OTHER, prog, "stopped by the keyboard")
    except BrokenPipeError:
        # The reader of our output has gone; keep the interpreter from complaining when it flushes.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_OTHER
    except InputError as error:
        return _fail(EXIT_INPUT, prog, str(error))
    except (SpindlebellError, OSError) as error:
        return _fail(EXIT_OTHER, prog, str(error))
    except Exception as error:
        if os.environ.get("SPINDLEBELL_TRACEBACK"):
            raise
        reason = f"{type(error).__name__}: {error}"
        return _fail(EXIT_OTHER, prog, f"a fault in the program itself, please report it: {reason}")


def _parser(argv: Sequence[str]) -> argparse.ArgumentParser:
    parser = _OneLineParser(
        prog="spindlebell",
        description="Listens to a drilling batch and holds the feed before a bit binds.",
        epilog=_EPILOG,
    )
    parser.add_argument("--version", action="version", version=f"spindlebell {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    asked = next((word for word in argv if not word.startswith("-")), None)
    for name, summary in COMMANDS.items():
        command = commands.add_parser(name, help=summary)
        if name == asked:
            module = importlib.import_module(f"monitor.commands.{name}")
            module.add_arguments(command)
            command.page = summary, module.MANUAL
    return parser


def _let_every_letter_through() -> None:
    """A letter that the terminal's encoding lacks is escaped: a name must not end a batch."""
    if isinstance(sys.stdout, io.TextIOWrapper):  # None where it was closed
        sys.stdout.reconfigure(errors="backslashreplace")


def _fail(status: int, prog: str, message: str) -> int:
    try:
        print(f"{prog}: {in_brief(message)}", file=sys.stderr, flush=True)
    except OSError:  # nobody can be told; the interpreter must not try again, and the status still tells
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stderr.fileno())
    return status


if __name__ == "__main__":
    sys.exit(main())
