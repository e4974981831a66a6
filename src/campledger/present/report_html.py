"""Small builders of HTML: every text that enters a page passes `esc` here."""

from __future__ import annotations

import re
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, TypeAlias

from campledger.present.wording import hold_units

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from bokeh.models import Model

MINUS = "−"
_MINUS = re.compile(r"(?<=\s)-(?=\d)")


def esc(text: object) -> str:
    """Escape a text for HTML."""
    return escape(str(text), quote=True)


def prose(text: str) -> str:
    """Escape a sentence; figures keep their units and get true minus signs."""
    return esc(_MINUS.sub(MINUS, hold_units(text)))


def figure_cell(text: str) -> str:
    """Set a figure: a true minus, an en dash where nothing is known."""
    if text == "--":
        return '<span class="none">–</span>'
    return esc(text).replace("-", MINUS) if text[:1] == "-" else esc(text)


def para(text: str, *, kind: str = "") -> str:
    """Set a paragraph of plain text."""
    mark = f' class="{kind}"' if kind else ""
    return f"<p{mark}>{prose(text)}</p>" if text else ""


def bullets(texts: Sequence[str]) -> str:
    """Set a plain list; nothing for nothing."""
    if not texts:
        return ""
    return "<ul>" + "".join(f"<li>{prose(t)}</li>" for t in texts) + "</ul>"


@dataclass(frozen=True, kw_only=True)
class Row:
    """
    A row of a table: a name, figures, and a line of words below them.

    ``kind`` is ``total`` or ``sum`` for ruled rows, else empty.
    """

    name: str
    cells: tuple[str, ...]
    below: str = ""
    kind: str = ""


def table(
    heads: Sequence[str], rows: Iterable[Row], *, caption: str = "", kind: str = ""
) -> str:
    """
    Set a table whose first column is a name and whose others are figures.

    Parameters
    ----------
    heads : sequence of str
        One for each column.
    rows : iterable of Row
        Words below a row run across it, so that a phone needs no sideways scroll.
    caption : str, optional
        Stands above.
    kind : str, optional
        Class of the table.
    """
    width = len(heads)
    top = "".join(
        f'<th scope="col"{"" if i else " class=name"}>{esc(h)}</th>'
        for i, h in enumerate(heads)
    )
    body = []
    for row in rows:
        mark = f' class="{row.kind}"' if row.kind else ""
        cells = "".join(f"<td>{figure_cell(c)}</td>" for c in row.cells)
        name = f'<th scope="row">{esc(row.name)}</th>'
        group = f"<tbody{mark}><tr>{name}{cells}</tr>"
        if row.below:
            words = prose(row.below)
            group += f'<tr class="below"><td colspan="{width}">{words}</td></tr>'
        body.append(group + "</tbody>")
    title = f"<caption>{esc(caption)}</caption>" if caption else ""
    mark = f' class="{kind}"' if kind else ""
    return f"<table{mark}>{title}<thead><tr>{top}</tr></thead>{''.join(body)}</table>"


@dataclass(frozen=True, kw_only=True)
class Chart:
    """A chart with its key, the sentence that says what to see, and its figures."""

    model: Model
    see: str
    figures: str = ""
    key: str = ""
    title: str = ""


Block: TypeAlias = "str | Chart"
"""Finished HTML, or a chart."""


@dataclass(frozen=True, kw_only=True)
class Section:
    """A part of the report: a heading and its blocks, in order."""

    slug: str
    title: str
    blocks: tuple[Block, ...]
