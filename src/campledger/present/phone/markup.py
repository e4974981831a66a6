"""Small pieces of markup: everything that a person typed is escaped on its way in."""

from __future__ import annotations

from html import escape

from campledger.present.wording import hold_units


def text(words: str) -> str:
    """Escape words for a page, attributes included; figures keep their units."""
    return escape(hold_units(words), quote=True)


def how(inside: str, *, label: str = "How do you know?") -> str:
    """Put an explanation behind a tap; ``inside`` is markup."""
    return (
        f'<details class="how"><summary>{text(label)}</summary>'
        f'<div class="behind">{inside}</div></details>'
    )


def paragraphs(lines: list[str]) -> str:
    """Set sentences one under the other; empty ones are left out."""
    return "".join(f"<p>{text(line)}</p>" for line in lines if line)


def items(lines: list[str]) -> str:
    """Set a plain list."""
    return "<ul>" + "".join(f"<li>{text(x)}</li>" for x in lines if x) + "</ul>"


def section(name: str, title: str, inside: str) -> str:
    """Set a part of the page under a heading."""
    return (
        f'<section id="{name}" aria-labelledby="{name}-title">'
        f'<h2 id="{name}-title">{text(title)}</h2>{inside}</section>'
    )
