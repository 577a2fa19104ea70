"""``spindlebell pecks``: where in each peck the load began to climb, what to drill next, and how the drill
wears."""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Sequence
from pathlib import Path

from monitor.cli import EXIT_DONE
from monitor.commands.options import percentage, quantity
from monitor.errors import InputError
from monitor.evidence.advice_text import as_json, as_text
from monitor.evidence.archive import NEW_DRILL, Archive
from monitor.evidence.findings import LOADS
from monitor.evidence.job_advice import advise, gather
from monitor.manual import Manual
from monitor.quantities import Dimension

MANUAL = Manual(
    about="""
    Lays the load of every recorded peck over its depth and says where the load begins to climb, with an
    interval: how much work the flutes hold before chips pack. From that follow the bulking factor of the
    material, pecks for the next batch with their time, fill and risk beside those in use, and how the drill
    wears. Where the evidence does not reach so far it says what would: more blanks, or which depth to try.

    Any number of directories, also while a batch is being written.
    """,
    examples=[
        ("spindlebell pecks evidence", "All batches of a directory:"),
        ('spindlebell pecks evidence --longest "8 mm" --risk "2 %"', "Longer pecks allowed, at less risk:"),
        ("spindlebell pecks evidence --new-drill 3:5", "A new drill began with blank 5 of batch 3:"),
    ],
    files={
        "DIR/evidence.db": "read; --new-drill adds to it",
        "DIR/tuning.db": "what was worked out of finished batches; delete it whenever you like",
    },
    caution="It is advice: try a new schedule with a hand on the feed hold.",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("directories", metavar="DIR", nargs="+", help="evidence directories; may be in use")
    parser.add_argument(
        "--load",
        choices=LOADS,
        help="judge by the sag, or by the sound of the cut (default: sag where it is known)",
    )
    parser.add_argument(
        "--longest", metavar="LENGTH", help='longest peck to advise, "8 mm" (default: the longest in use)'
    )
    parser.add_argument(
        "--risk", default="5 %", metavar="SHARE",
        help="chance that the next blank's load climbs all the same (default: 5 %%)",
    )  # fmt: skip
    parser.add_argument(
        "--wear", default="50 %", metavar="RISE",
        help="rise of the load over a new drill at which it is sharpened (default: 50 %%)",
    )  # fmt: skip
    parser.add_argument(
        "--new-drill", metavar="BATCH[:BLANK]",
        help="enter that a new or sharpened drill began there (with one DIR), and go on (default: none)",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="write JSON instead of text")


def run(args: argparse.Namespace) -> int:
    """Read the evidence, put it together, and say what follows."""
    risk = percentage(args.risk, "--risk", 50.0)
    wear = percentage(args.wear, "--wear", 1000.0)
    longest = None
    if args.longest is not None:
        longest = quantity(args.longest, "--longest", Dimension.LENGTH)
    archives = [Archive(Path(directory)) for directory in args.directories]
    if args.new_drill is not None:
        _mark(archives, args.new_drill)
    told, unread = gather(archives, args.load)
    if not told:
        raise InputError(
            f"{', '.join(args.directories)}: no batch with a job that can be read; replay one first"
        )
    advice = advise(told, risk, longest, wear)
    text = json.dumps(as_json(advice), indent=1) if args.json else "\n".join(as_text(advice, unread))
    print(text)
    return EXIT_DONE


def _mark(archives: Sequence[Archive], written: str) -> None:
    batch, _, blank = written.partition(":")
    if re.fullmatch(r"[0-9]{1,9}(:[0-9]{1,9})?", written) is None or len(archives) != 1:
        raise InputError(
            f'--new-drill: "{written}" cannot be used; give one DIR and write the batch, or batch:blank, '
            f"such as 3:12"
        )
    archive, t = archives[0], 0.0
    if blank:
        starts = [row.start_s for row in archive.pecks(int(batch)) if row.blank == int(blank)]
        if not starts:
            raise InputError(f"--new-drill: batch {batch} has no blank {blank}")
        t = starts[0]
    try:
        archive.mark(int(batch), t, NEW_DRILL, "by hand")
    except ValueError as error:
        raise InputError(f"--new-drill: {error}") from None
