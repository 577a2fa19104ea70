"""Writes the pages of the reference that follow from the code.

    python tests/docs/reference.py      writes monitor/docs/reference/commands.md and limits.md anew

The other pages of the reference are written by hand and compared with the code by test_reference.py.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import math
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))

from monitor import cli  # noqa: E402
from monitor.manual import CAUTION, Manual, paragraphs  # noqa: E402

REFERENCE = ROOT / "monitor" / "docs" / "reference"
COMMAND = "python tests/docs/reference.py"
GENERATED = f"<!-- Written by `{COMMAND}` from the code; change it there. -->"

# Modules whose limits decide what is told, in the order of the page.
JUDGES = (
    *(f"faults.{name}" for name in (
        "sag", "falling", "stall", "stopped_early", "departure", "packing", "packing_peck", "packing_sound",
        "packing_slips", "good_pecks", "variogram", "melting", "melting_heard", "melting_signs",
        "melting_silent", "melting_good", "melting_alone", "melting_gain", "melting_other_sound",
        "melting_load", "melting_unheard", "chatter", "chatter_line", "chatter_growth", "chatter_pitch",
        "chatter_beside", "chatter_usual", "chatter_elsewhere", "loosening", "loosening_lines",
        "loosening_level", "loosening_others", "loosening_rise", "lost_cut", "lost_cut_faint",
        "no_contact", "microphone", "returned", "masking", "episode",
    )),
    *(f"pecks.{name}" for name in (
        "cut", "centre_drill", "begin", "end", "missed", "mistaken", "heard", "rows", "learning",
    )),
    "schedule", "alignment", "spindle", "cutting", "work", "evidence.clips", "evidence.space", "forewarning",
)  # fmt: skip

UNITS = {
    "_S": "s", "_DB": "dB", "_MM": "mm", "_HOPS": "hops of 50 ms", "_PCT": "%", "_MM_S": "mm/s", "_HZ": "Hz",
    "_BYTES": "bytes", "_NATS": "nats", "_DIAMETERS": "drill diameters",
}  # fmt: skip


def commands_md() -> str:
    """Every command: what it does, its options, files, statuses, examples, cautions."""
    lines = [GENERATED, "", "# Every command and option", "", f"**{CAUTION}**", ""]
    lines += ["The same stands in `spindlebell COMMAND --help`.", ""]
    for name in cli.COMMANDS:
        module = importlib.import_module(f"monitor.commands.{name}")
        parser = argparse.ArgumentParser(f"spindlebell {name}", add_help=False)
        module.add_arguments(parser)
        lines += [f"## {name}", ""]
        lines += list(_command(parser, module.MANUAL))
    return "\n".join(lines).rstrip() + "\n"


def _command(parser: argparse.ArgumentParser, manual: Manual) -> Iterator[str]:
    for paragraph in paragraphs(manual.about):
        yield from (_plain(paragraph), "")
    yield from ("| argument | what it says |", "|---|---|")
    for action in parser._actions:
        values = {"default": action.default, "prog": parser.prog}
        yield f"| {_written(action)} | {_plain((action.help or '') % values)} |"
    yield ""
    if manual.files:
        yield from ("| file | |", "|---|---|")
        yield from (f"| `{name}` | {_plain(text)} |" for name, text in manual.files.items())
        yield ""
    yield from ("| exit status | |", "|---|---|")
    yield from (f"| {status} | {_plain(text)} |" for status, text in manual.all_statuses().items())
    yield ""
    for typed, what_for in manual.examples:
        yield from (_plain(what_for), "", "```sh", typed, "```", "")
    if manual.caution:
        yield from (f"**Caution.** {_plain(' '.join(paragraphs(manual.caution)))}", "")


def _written(action: argparse.Action) -> str:
    value = action.metavar or ("|".join(action.choices) if action.choices else action.dest.upper())
    value = " ".join(value) if isinstance(value, tuple) else value
    if action.nargs == 0:
        value = ""
    elif action.nargs == "?":
        value = f"[{value}]"
    names = ", ".join(action.option_strings)
    return f"`{f'{names} {value}'.strip()}`".replace("|", "\\|") + (", required" if action.required else "")


def limits_md() -> str:
    """Every number in the rules, with its unit and its reason."""
    lines = [
        GENERATED, "", "# Every limit that is built in, with its reason", "",
        "What the rules compare with. None of these is set in a file: they follow from physics, from",
        "statistics or from what was measured, as the reason says, and hold for every machine. What you",
        "set stands in [thresholds](thresholds.md). Names are those in the code, to be found there.", "",
    ]  # fmt: skip
    for module in JUDGES:
        rows = list(limits(module))
        if rows:
            lines += [f"## {module.rpartition('.')[2]}", "", f"`monitor/{module.replace('.', '/')}.py`", ""]
            lines += ["| limit | value | unit | reason |", "|---|---|---|---|", *rows, ""]
    return "\n".join(lines).rstrip() + "\n"


def limits(module: str) -> Iterator[str]:
    """A row for each statement that sets public numbers at the top of a module."""
    loaded = importlib.import_module(f"monitor.{module}")
    source = Path(loaded.__file__ or "").read_text("utf-8")
    body = ast.parse(source).body
    for statement, following in zip(body, [*body[1:], None], strict=True):
        names = _names(statement)
        values = {name: getattr(loaded, name) for name in names}
        if not names or not all(map(_is_number, values.values())):
            continue
        reason = _docstring(following) or _comment(source, statement)
        if not reason:
            raise AssertionError(
                f"monitor.{module}: {', '.join(names)}: say the reason below it or beside it"
            )
        units = list(dict.fromkeys(unit_of(name) for name in names))
        shown = ", ".join(f"`{name}`" for name in names)
        told = ", ".join(map(_number, values.values()))
        yield f"| {shown} | {told} | {', '.join(filter(None, units))} | {_plain(reason)} |"


def unit_of(name: str) -> str:
    """The unit that a name ends with, empty where it ends with none.

    >>> unit_of("HOLD_AFTER_S"), unit_of("LEAST_CLEARANCE_MM"), unit_of("DRIFT")
    ('s', 'mm', '')
    """
    ends = [end for end in UNITS if name.endswith(end)]
    return UNITS[max(ends, key=len)] if ends else ""


def _names(statement: ast.stmt) -> list[str]:
    if not isinstance(statement, ast.Assign) or len(statement.targets) != 1:
        return []
    target = statement.targets[0]
    parts = target.elts if isinstance(target, ast.Tuple) else [target]
    names = [part.id for part in parts if isinstance(part, ast.Name)]
    public = all(name.isupper() and not name.startswith("_") for name in names)
    return names if public and len(names) == len(parts) else []


def _is_number(value: Any) -> bool:
    if isinstance(value, tuple):
        return bool(value) and all(map(_is_number, value))
    return isinstance(value, int | float) and not isinstance(value, bool)


def _number(value: Any) -> str:
    if isinstance(value, tuple):
        return f"({', '.join(map(_number, value))})"
    if value == math.inf:
        return "no limit"
    return f"{value:,}".replace(",", " ") if isinstance(value, int) else f"{value:.6g}"


def _docstring(following: ast.stmt | None) -> str:
    if isinstance(following, ast.Expr) and isinstance(following.value, ast.Constant):
        return str(following.value.value)
    return ""


def _comment(source: str, statement: ast.stmt) -> str:
    """The comment beside a statement, or the lines of comment above it."""
    lines = source.splitlines()
    _, sign, beside = lines[(statement.end_lineno or 1) - 1].partition("  # ")
    if sign:
        return beside
    above: list[str] = []
    for line in reversed(lines[: statement.lineno - 1]):
        if not line.startswith("# "):
            break
        above.insert(0, line[2:])
    return " ".join(above)


def _plain(text: str) -> str:
    """One line that stands in a cell: no bars, and reST's double back quotes single."""
    return " ".join(text.split()).replace("``", "`").replace("|", "\\|")


PAGES: Mapping[str, Any] = {"commands.md": commands_md, "limits.md": limits_md}


def main() -> int:
    """Write the pages."""
    for name, page in PAGES.items():
        (REFERENCE / name).write_text(page(), "utf-8")
        print(f"{name} written")
    return 0


if __name__ == "__main__":
    sys.exit(main())
