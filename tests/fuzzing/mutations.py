"""Text changed as a slip of the hand, or ill will, would change it: numbers, words, lines and their order.

Bytes flipped blindly hardly ever pass a parser; these changes mostly do, and reach what lies behind.
"""

from __future__ import annotations

import random
import re
from collections.abc import Sequence

NUMBERS = (
    *(
        "0",
        "1",
        "-1",
        "-0",
        "0.0",
        "3",
        "7",
        "12",
        "50",
        "99",
        "100",
        "101",
        "360",
        "1000",
        "100001",
        "0.001",
        "1e-6",
    ),
    *("1e-9", "1e-300", "5e-324", "1e9", "1e15", "1e300", "1.8e308", "1e999", "-1e9", "2147483648"),
    *(
        "9223372036854775808",
        "1_000",
        "0x1f",
        ".5",
        "5.",
        "1/4",
        "1/0",
        "0/1",
        "1,5",
        "nan",
        "inf",
        "-inf",
        "NaN",
    ),
    *("Infinity", "\u0663"),  # the last one is a digit, in Arabic
)

_NUMBER = re.compile(r"-?\d+(?:\.\d*)?(?:e-?\d+)?")
_WORD = re.compile(r"[A-Za-z_]{2,}")
_QUOTED = re.compile(r'"[^"\n]*"')


def mutated(data: bytes, words: Sequence[str], rng: random.Random) -> bytes:
    """One to four changes of a text; ``words`` are those of its language."""
    text = data.decode("latin-1")
    for _ in range(rng.choice((1, 1, 2, 4))):
        text = rng.choice(_CHANGES)(text, words, rng)
    return text.encode("latin-1", "replace")


def _number(text: str, words: Sequence[str], rng: random.Random) -> str:
    return _replace(_NUMBER, text, rng.choice(NUMBERS), rng)


def _nearby(text: str, words: Sequence[str], rng: random.Random) -> str:
    """Another number of the same kind: ten times more or less, the sign turned, a digit more."""
    found = list(_NUMBER.finditer(text))
    if not found:
        return text
    one = rng.choice(found)
    value = one.group()
    other = rng.choice((value + "0", value + "9", "-" + value, value[:-1] or "0", "0." + value.lstrip("-")))
    return text[: one.start()] + other + text[one.end() :]


def _word(text: str, words: Sequence[str], rng: random.Random) -> str:
    others = _WORD.findall(text)
    return _replace(_WORD, text, rng.choice([*words, *others] or [""]), rng)


def _quoted(text: str, words: Sequence[str], rng: random.Random) -> str:
    return _replace(_QUOTED, text, f'"{rng.choice(NUMBERS)} {rng.choice([*words] or [""])}"', rng)


def _insert(text: str, words: Sequence[str], rng: random.Random) -> str:
    at = rng.randrange(len(text) + 1)
    return text[:at] + rng.choice([*words, *NUMBERS]) + text[at:]


def _line(text: str, words: Sequence[str], rng: random.Random) -> str:
    """A line, or what stands between commas, left out, doubled or elsewhere."""
    mark = rng.choice("\n,") if "\n" in text else ","
    parts = text.split(mark)
    part = parts.pop(rng.randrange(len(parts)))
    for _ in range(rng.choice((0, 0, 1, 2))):
        parts.insert(rng.randrange(len(parts) + 1), part)
    return mark.join(parts)


def _cut(text: str, words: Sequence[str], rng: random.Random) -> str:
    at = rng.randrange(len(text) + 1)
    return text[:at] + text[min(len(text), at + rng.choice((1, 1, 2, 10, 100))) :]


def _grow(text: str, words: Sequence[str], rng: random.Random) -> str:
    """A piece many times over."""
    at = rng.randrange(len(text) + 1)
    piece = text[at : at + rng.choice((1, 3, 10))]
    return text[:at] + piece * rng.choice((3, 50, 500)) + text[at:]


def _replace(pattern: re.Pattern[str], text: str, by: str, rng: random.Random) -> str:
    found = list(pattern.finditer(text))
    if not found:
        return text + by
    one = rng.choice(found)
    return text[: one.start()] + by + text[one.end() :]


_CHANGES = (
    _number,
    _number,
    _number,
    _nearby,
    _nearby,
    _word,
    _word,
    _quoted,
    _insert,
    _line,
    _line,
    _cut,
    _grow,
)
