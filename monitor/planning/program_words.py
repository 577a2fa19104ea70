"""Blocks and words of an ISO 6983 program: one line of text in, letters with numbers out.

Of the parsers in the package registry that were tried, one drops words that it does not know without a word
about it and another's licence would bind this project; neither says whether a number had a decimal point,
which decides what it means. Hence this small one.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import isfinite

_COMMENT = re.compile(r"\([^()]*\)")
_WORD = re.compile(r"([A-Z])([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))")
_DELETE = re.compile(r"/[0-9]?")


@dataclass(frozen=True)
class Word:
    """A letter and its number; ``point`` tells whether a decimal point was written."""

    letter: str
    value: float
    point: bool
    text: str

    @property
    def code(self) -> str:
        """The word as a code is named: G01 is G1, G54.1 stays."""
        return f"{self.letter}{self.value:g}"


@dataclass(frozen=True)
class Block:
    """One line: its number in the file from 1, words in order, and what is no word.

    ``deletable`` tells of a leading slash (block delete). ``leftover`` is text that is neither word nor
    comment: expressions, parameters, names.
    """

    line: int
    words: tuple[Word, ...]
    deletable: bool
    leftover: str

    def last(self, letter: str) -> Word | None:
        """Return the last word with a letter."""
        return next((word for word in reversed(self.words) if word.letter == letter), None)

    @property
    def text(self) -> str:
        """The block's words, short enough for a message."""
        return " ".join(word.text for word in self.words)[:60]

    @property
    def has_axis(self) -> bool:
        """True when it names a place or a distance along an axis."""
        return any(word.letter in "XYZUVW" for word in self.words)

    def codes(self) -> list[str]:
        """Return the G and M codes, in order."""
        return [word.code for word in self.words if word.letter in "GM"]


def read_blocks(text: str) -> list[Block]:
    """Return the blocks of a program that hold anything, without comments and block numbers.

    Examples
    --------
    >>> [[w.text for w in b.words] for b in read_blocks("N10 g01 z-.5f3 (peck)\\n\\nG0 Z+2.; out")]
    [['G01', 'Z-.5', 'F3'], ['G0', 'Z+2.']]
    >>> read_blocks("#1=3\\nG1 Z[#1]")[1].leftover
    'G1Z[#1]'
    """
    blocks = (_block(number, line) for number, line in enumerate(text.splitlines(), start=1))
    return [block for block in blocks if block.words or block.leftover]


def _block(number: int, line: str) -> Block:
    plain = re.sub(r"\s", "", _COMMENT.sub("", line.split(";", 1)[0] if "(" not in line else _cut(line)))
    plain = plain.upper().replace("%", "")
    deletable = plain.startswith("/")
    plain = _DELETE.sub("", plain, count=1) if deletable else plain
    if "#" in plain or "[" in plain or "=" in plain:
        return Block(number, (), deletable, plain)  # what one parameter changes cannot be told from the rest
    words: list[Word] = []
    leftover = _WORD.sub(lambda match: _collect(match, words), plain)
    numbered = tuple(word for word in words if word.letter != "N")
    return Block(number, numbered, deletable, leftover)


def _cut(line: str) -> str:
    """Cut a line at a semicolon that is not inside a comment."""
    depth = 0
    for index, character in enumerate(line):
        depth += (character == "(") - (character == ")")
        if character == ";" and depth <= 0:
            return line[:index]
    return line


def _collect(match: re.Match[str], words: list[Word]) -> str:
    """Keep a word; what is no finite number stays in the text as left over."""
    letter, number = match.groups()
    value = float(number)
    if not isfinite(value):
        return match.group()
    words.append(Word(letter, value, "." in number, match.group()))
    return ""
