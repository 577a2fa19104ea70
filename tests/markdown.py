"""Tables of the committed reports, as Markdown."""

from __future__ import annotations

from collections.abc import Iterable, Iterator


def table(head: str, rows: Iterable[Iterable[object]]) -> Iterator[str]:
    """Lines of a table; ``head`` names the columns, "|" between them."""
    columns = head.split("|")
    yield "| " + " | ".join(c.strip() for c in columns) + " |"
    yield "|" + "---|" * len(columns)
    for row in rows:
        yield "| " + " | ".join(str(cell) for cell in row) + " |"
