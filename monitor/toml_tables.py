"""TOML files that a person writes: read strictly, and mistakes told in one line with their mend."""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError

from monitor.errors import InputError
from monitor.quantities import Dimension, parse_quantity

MAX_FILE_BYTES = 1_000_000  # what a person writes is under 10 kB; more is another kind of file


class Table(BaseModel):
    """A table of a file: no unknown keys, and nothing converted silently."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


T = TypeVar("T", bound=Table)


def quantity(*dimensions: Dimension) -> BeforeValidator:
    """Reads a key whose value is text with a unit; see `monitor.quantities.parse_quantity`."""
    return BeforeValidator(lambda written: parse_quantity(written, *dimensions))


def toml_text(text: str) -> str:
    """A string as a TOML file has it.

    Examples
    --------
    >>> toml_text('a "quoted" name')
    '"a \\\\"quoted\\\\" name"'
    """
    # TOML's basic strings take JSON's escapes, save that JSON leaves the delete character as it is.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def read_toml_text(path: Path | str, noun: str) -> str:
    """The text of a file; ``noun`` names its kind in messages. Raises InputError."""
    path = Path(path)
    try:
        with path.open("rb") as file:
            content = file.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}; give the path of a {noun}") from None
    if len(content) > MAX_FILE_BYTES:
        raise InputError(f"{path}: is over 1 MB; a {noun} is a short TOML text")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise InputError(f"{path}: line {line} is not UTF-8 text; save the {noun} as UTF-8") from None


def parse_tables(text: str, source: str, tables: type[T], example: str) -> T:
    """Read TOML text into ``tables``.

    Parameters
    ----------
    text : str
        What the person wrote.
    source : str
        The name used in messages.
    tables : type
        What the file may hold.
    example : str
        A whole file of the same kind, from which messages show how a missing key is written.

    Raises
    ------
    InputError
        One line naming the file, the key, the value and the mend.
    """
    try:
        written = tomllib.loads(text)
    except ValueError as error:  # TOMLDecodeError, and numbers too long for Python
        raise InputError(f"{source}: is not TOML: {error}{_mend_of_line(text, str(error))}") from None
    except RecursionError:
        raise InputError(f"{source}: is not a file of this kind: nested too deeply") from None
    try:
        return tables.model_validate(written)
    except ValidationError as error:
        raise InputError(f"{source}: {_explain(error, tables, example)}") from None


def _mend_of_line(text: str, error: str) -> str:
    """The line that a parser's error names, and what is mostly wrong with such a line; or nothing."""
    named = re.search(r"at line (\d+)", error)
    lines = text.splitlines()
    if named is None or int(named[1]) > len(lines):
        return ""
    line = lines[int(named[1]) - 1].strip()
    shown = "".join(letter if letter.isprintable() else " " for letter in _shortened(line, 60))
    if any(quote in line for quote in "\u201c\u201d\u201e\u2018\u2019"):
        mend = 'write straight quotes, "'
    elif "array" in error:
        mend = "a list needs a comma between its entries and a ] at its end"
    elif re.search(r"=\s*[^\W\d]", line):
        mend = "write text in quotes"
    elif re.search(r"=\s*[\d.,]+\s*[^\s#]", line):
        mend = "write what has a unit in quotes"
    else:
        mend = "look at its quotes and brackets"
    return f": {shown}; {mend}"


def _explain(error: ValidationError, tables: type[Table], example: str) -> str:
    # A misspelt key is both unknown and missing: name the misspelling.
    problems = sorted(error.errors(), key=lambda problem: problem["type"] == "missing")
    first = problems[0]
    more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
    return f"{_key(first['loc'])}: {_problem(first, tables, example)}{more}"


def _key(location: tuple[int | str, ...]) -> str:
    named = (f"[{part}]" if isinstance(part, int) else f".{_shortened(part, 40)}" for part in location)
    return "".join(named).lstrip(".")


def _shortened(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[:most]}..."


_MENDS = {
    "int_type": "is not a whole number; write digits alone",
    "string_type": "is not text; write it in quotes",
    "string_too_short": "is empty; write something",
    "string_too_long": "is too long; write at most {max_length} characters",
    "too_long": "are too many; write at most {max_length}",
    "list_type": "is not a list; put it in brackets, with a comma between entries",
    "too_short": "is empty; write at least one",
    "greater_than_equal": "is too small; write at least {ge}",
    "less_than_equal": "is too large; write at most {le}",
    "bool_type": "is neither true nor false; write one of them, without quotes",
    "string_pattern_mismatch": "may hold letters, digits, dots, dashes and underscores only, and begins with "
    "a letter or digit",
    "literal_error": "is not known here; write {expected}",
}


def _problem(problem: Any, tables: type[Table], example: str) -> str:
    kind, context = problem["type"], problem.get("ctx", {})
    if kind == "value_error":
        return str(context["error"])
    if kind == "extra_forbidden":
        return _unknown(problem["loc"], tables)
    if kind == "missing":
        return _missing(problem["loc"], example)
    if kind == "model_type":
        return f"is not a table; write [{problem['loc'][-1]}] on a line of its own"
    shown = _shortened(json.dumps(problem["input"], ensure_ascii=False, default=str), 60)
    return f"{shown} {_MENDS.get(kind, problem['msg']).format(**context)}"


def _missing(location: tuple[int | str, ...], example: str) -> str:
    if len(location) == 1:
        return f"is missing; write a [{location[0]}] table"
    value: Any = tomllib.loads(example)
    for part in location:
        value = value[part]
    return f"is missing; write for example {location[-1]} = {json.dumps(value)}"


def _unknown(location: tuple[int | str, ...], tables: type[Table]) -> str:
    table: Any = tables
    for part in location[:-1]:
        if isinstance(part, str) and part in table.model_fields:
            table = _table_within(table.model_fields[part].annotation)
    known = list(table.model_fields)
    near = difflib.get_close_matches(str(location[-1]), known, n=1, cutoff=0.5)
    mend = f'did you mean "{near[0]}"?' if near else f"known here: {', '.join(known)}"
    return f"unknown key; {mend}"


def _table_within(annotation: Any) -> Any:
    """The table that a key holds, also where it may be left out or is one of several."""
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return annotation
    return next(filter(None, map(_table_within, get_args(annotation))), None)
