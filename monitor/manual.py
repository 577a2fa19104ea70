"""What ``--help`` shows: the manual page of a command, put together from its options and its own words.

Standard library only: help has to be there at once, and where nothing else can be imported.
"""

from __future__ import annotations

import argparse
import shutil
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

DOCS = Path(__file__).parent / "docs"
"""The guides; they are installed with the program."""

CAUTION = (
    "This is a monitor, not a safety function: it replaces no guard, no emergency stop and no person. It can "
    "be deaf, late or wrong."
)
STATUSES = {
    0: "done",
    2: "the arguments or an input file are wrong: one line says what and how to mend it; nothing is written",
    1: "anything else, an interruption included",
}
_TITLES = {"positional arguments": "ARGUMENTS"}
WIDEST = 100  # columns: longer lines are hard to read


@dataclass(frozen=True)
class Manual:
    """What a command's page says beside its options.

    ``about`` is paragraphs with empty lines between; ``examples`` are what a person types and what for;
    ``files`` what is read and written; ``statuses`` exit statuses that mean more than in `STATUSES`;
    ``caution`` what can hurt somebody, beside what is said of every command.
    """

    about: str
    examples: Sequence[tuple[str, str]]
    files: Mapping[str, str] = field(default_factory=dict)
    statuses: Mapping[int, str] = field(default_factory=dict)
    caution: str = ""

    def all_statuses(self) -> dict[int, str]:
        """Exit statuses in the order in which a person asks for them."""
        said = STATUSES | dict(self.statuses)
        return {status: said[status] for status in (0, 10, 2, 1) if status in said}


def paragraphs(text: str) -> list[str]:
    """The paragraphs of a text, each on one line.

    >>> paragraphs("One\\n line.\\n\\n Two.")
    ['One line.', 'Two.']
    """
    return [" ".join(part.split()) for part in text.split("\n\n") if part.strip()]


class ManualPage:
    """Lays one page out; the last lines say where the guides are."""

    def __init__(self, parser: argparse.ArgumentParser, summary: str, manual: Manual) -> None:
        self._parser, self._summary, self._manual = parser, summary, manual
        self._width = min(shutil.get_terminal_size().columns, WIDEST + 2) - 2

    def text(self) -> str:
        """The whole page."""
        manual = self._manual
        parts = [
            ("NAME", self._filled(f"{self._parser.prog} - {self._summary}")),
            ("SYNOPSIS", textwrap.indent(self._synopsis(), "  ")),
            ("DESCRIPTION", "\n\n".join(map(self._filled, paragraphs(manual.about)))),
            *self._options(),
            ("FILES", "\n".join(self._table(manual.files.items()))),
            ("EXIT STATUS", "\n".join(self._table((str(k), v) for k, v in manual.all_statuses().items()))),
            ("EXAMPLES", "\n\n".join(self._examples())),
            ("CAUTION", self._filled(" ".join(paragraphs(f"{CAUTION} {manual.caution}")))),
            ("SEE ALSO", self._filled(f"tutorial, how-to pages and reference: {DOCS}")),
        ]
        return "\n".join(f"{title}\n{body}\n" for title, body in parts if body)

    def _synopsis(self) -> str:
        formatter = self._formatter()
        parser = self._parser
        formatter.add_usage(parser.usage, parser._actions, parser._mutually_exclusive_groups, prefix="")
        return formatter.format_help().strip()

    def _options(self) -> Iterator[tuple[str, str]]:
        for group in self._parser._action_groups:
            if not group._group_actions:
                continue
            formatter = self._formatter()
            formatter.add_arguments(group._group_actions)
            listed = textwrap.indent(formatter.format_help().rstrip("\n"), "  ")
            if group.description:
                listed = f"{self._filled(group.description)}\n\n{listed}"
            yield _TITLES.get(group.title or "", (group.title or "").upper()), listed

    def _examples(self) -> Iterator[str]:
        for command, what_for in self._manual.examples:
            yield f"{self._filled(what_for)}\n\n      {command}"

    def _table(self, rows: Iterable[tuple[str, str]]) -> Iterator[str]:
        for name, text in rows:
            yield self._filled(text, first=f"  {name:<20}  ", rest=24)

    def _filled(self, text: str, first: str = "  ", rest: int = 2) -> str:
        return textwrap.fill(
            text,
            self._width,
            initial_indent=first,
            subsequent_indent=" " * rest,
            break_on_hyphens=False,
            break_long_words=False,
        )

    def _formatter(self) -> argparse.HelpFormatter:
        return argparse.HelpFormatter(self._parser.prog, max_help_position=24, width=self._width)
