"""``spindlebell synth``: write the synthetic recordings with their truth files."""

from __future__ import annotations

import argparse
import difflib
from pathlib import Path

from tqdm import tqdm

from monitor.errors import InputError
from monitor.manual import Manual
from monitor.synth.files import write_scenes
from monitor.synth.scenes import DEFAULT_SEED, DEMO, SCENES

MANUAL = Manual(
    about="""
    Writes short synthetic recordings, each with its job file, its baseline recordings and the truth: what
    really happened, and when. Use them to try the other commands, and to see what each fault looks like.
    The same seed gives the same samples. They are computed by a model of a lathe, a room and a microphone;
    no machine was recorded.
    """,
    examples=[
        ("spindlebell synth --list", "Which scenes there are:"),
        (
            "spindlebell synth recordings --scene bind --seed 7",
            "One of them, on a machine never seen before:",
        ),
    ],
    files={
        "DIR/NAME.flac": "the sound, 16 bit",
        "DIR/NAME.toml": "its job",
        "DIR/NAME.truth.json": "blanks, pecks, faults and curves as they really were",
        "DIR/baseline_*.flac": "the machine running free; manifest.json says which belong to which scene",
        "DIR/manifest.json": "all of it, with seeds and checksums",
    },
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument(
        "directory", metavar="DIR", nargs="?", help="where to write; new, or written by synth"
    )
    parser.add_argument("--list", action="store_true", help="say which scenes there are, and write nothing")
    parser.add_argument(
        "--scene", action="append", metavar="NAME", help="write only this one; may be repeated (default: all)"
    )
    parser.add_argument(
        "--seed",
        type=int,
        default=DEFAULT_SEED,
        metavar="N",
        help=f"another seed draws other machines and rooms (default: {DEFAULT_SEED})",
    )


def run(args: argparse.Namespace) -> int:
    """List the scenes or write them."""
    known = {**SCENES, "cord_pulls": DEMO}
    if args.seed < 0:
        raise InputError(f"--seed: {args.seed} is negative; write a whole number from 0")
    if args.list:
        for name, recipe in known.items():
            scene = recipe.make(args.seed)
            print(f"{name:22} {recipe.fs / 1000:g} kHz  {scene.about}")
        return 0
    if args.directory is None:
        raise InputError("DIR is missing; write spindlebell synth DIR, or --list to see the scenes")
    for name in args.scene or ():
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            mend = f'did you mean "{near[0]}"?' if near else "see --list"
            raise InputError(f'--scene: there is no scene "{name}"; {mend}')
    wanted = {name: known[name] for name in args.scene or SCENES}
    directory = Path(args.directory)
    # disable=None: a bar on a terminal only
    for _ in tqdm(write_scenes(directory, wanted, args.seed), total=len(wanted), unit=" scene", disable=None):
        pass
    written = "1 synthetic scene" if len(wanted) == 1 else f"{len(wanted)} synthetic scenes"
    print(f"{written} in {directory}, each with its truth, job and baseline: see manifest.json.")
    return 0
