"""How a result shows itself in a notebook: a title and a small table, every text escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape


def small_table(title: str, heads: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return a title and a table as HTML; every text is escaped, so a file's name cannot become markup."""
    head = "".join(f"<th>{escape(one)}</th>" for one in heads)
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(str(cell))}</td>" for cell in row) + "</tr>" for row in rows
    )
    return f"<p>{escape(title)}</p><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
