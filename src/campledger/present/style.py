"""
How a printed page looks: ink on paper, and fills that survive a black-and-white copy.

Shapes and patterns carry the meaning; tints only help. The same fill is drawn twice: by
the chart, and as a swatch of the key beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from importlib.resources import files

INK = "#1c1b19"
FAINT = "#8b867c"
HAIR = "#d8d3c8"
PAPER = "#fffefa"
SHADE = "#eeeae0"
MEASURED = "#23415c"
BAND = "#c9d3dc"
PLANNED = "#8a4b12"

FACE = "Charter, 'Bitstream Charter', Cambria, Georgia, 'DejaVu Serif', serif"
SIZE = "13px"


@dataclass(frozen=True, kw_only=True)
class Fill:
    """A fill: ground colour, hatch of the chart, strokes of the swatch."""

    ground: str
    hatch: str = ""
    ink: str = INK
    swatch: str = ""


FILLS = (
    Fill(ground="#46566a"),
    Fill(
        ground="#f3eee2",
        hatch="right_diagonal_line",
        swatch="M-2 8 8-2M2 14 14 2M8 16 22 2M16 16 30 2",
    ),
    Fill(ground="#c8bfae"),
    Fill(
        ground=PAPER,
        hatch="dot",
        swatch="M3 4h2M11 4h2M19 4h2M7 9h2M15 9h2M23 9h2",
    ),
    Fill(ground="#e4ebe4", hatch="horizontal_line", swatch="M0 3h28M0 7h28M0 11h28"),
    Fill(
        ground=PAPER,
        hatch="diagonal_cross",
        swatch="M-2 8 8-2M2 14 14 2M14 16 28 2M0 2 14 16M12 0 26 14",
    ),
    Fill(
        ground="#efe3d3",
        hatch="vertical_line",
        swatch="M3 0v14M8 0v14M13 0v14M18 0v14M23 0v14",
    ),
    Fill(
        ground="#8f9a8b",
        hatch="left_diagonal_line",
        swatch="M0 2 12 14M8 0 22 14M18 0 32 14",
    ),
)
"""Fills of stacked bars, in the order in which lines of the statement stand."""

OPEN = Fill(ground=PAPER)
"""What is left over: an empty box with a rule round it."""


def fill(index: int) -> Fill:
    """Give the fill of the n-th line; they repeat after eight."""
    return FILLS[index % len(FILLS)]


def swatch(what: Fill) -> str:
    """Draw a fill as a small inline picture for a key."""
    strokes = (
        f'<path d="{what.swatch}" stroke="{what.ink}" fill="none" stroke-width="1.3"/>'
        if what.swatch
        else ""
    )
    return (
        '<svg class="swatch" width="26" height="14" viewBox="0 0 26 14" '
        f'aria-hidden="true"><rect width="26" height="14" fill="{what.ground}"/>'
        f'{strokes}<rect x=".5" y=".5" width="25" height="13" fill="none" '
        f'stroke="{INK}"/></svg>'
    )


MARKS = {
    "line": f'<path d="M1 7h24" stroke="{MEASURED}" stroke-width="2.2"/>',
    "band": f'<rect y="1" width="26" height="12" fill="{BAND}"/>',
    "night": f'<rect width="26" height="14" fill="{SHADE}"/>',
    "floor": (
        f'<path d="M0 7h26" stroke="{INK}" stroke-width="1.4" stroke-dasharray="6 3"/>'
    ),
    "dotted": (
        f'<path d="M0 7h26" stroke="{INK}" stroke-width="1.4" stroke-dasharray="2 3"/>'
    ),
    "planned": (
        f'<path d="M13 1l6 6-6 6-6-6z" fill="{PAPER}" stroke="{PLANNED}" '
        'stroke-width="1.8"/>'
    ),
    "measured": f'<circle cx="13" cy="7" r="4.6" fill="{MEASURED}"/>',
    "day": f'<circle cx="13" cy="7" r="3" fill="none" stroke="{INK}"/>',
    "tick": f'<path d="M4 7h18" stroke="{PLANNED}" stroke-width="3.2"/>',
    "drive": f'<rect y="4" width="26" height="6" fill="{INK}"/>',
    "anchor": f'<path d="M13 2l6 10H7z" fill="{INK}"/>',
    "spread": f'<path d="M2 7h22M2 3v8M24 3v8" stroke="{INK}" fill="none"/>',
}
"""Swatches of marks and lines."""


def mark(kind: str) -> str:
    """Draw a mark as a small inline picture for a key."""
    return (
        '<svg class="swatch" width="26" height="14" viewBox="0 0 26 14" '
        f'aria-hidden="true">{MARKS[kind]}</svg>'
    )


def key(entries: list[tuple[str, str]]) -> str:
    """Set a key: pairs of a swatch (already drawn) and its words."""
    items = "".join(
        f"<span>{picture}{escape(words)}</span> " for picture, words in entries
    )
    return f'<p class="key">{items}</p>' if items else ""


def sheet() -> str:
    """Read the style sheet that goes into every printed page."""
    path = files("campledger.present").joinpath("report.css")
    return path.read_text(encoding="utf-8")


def print_script() -> str:
    """Read the few lines that hand the charts to a printer."""
    path = files("campledger.present").joinpath("report_print.js")
    return path.read_text(encoding="utf-8")
