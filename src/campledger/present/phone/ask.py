"""Try it, notes, the phone's time and pairing: what a thumb can do on the page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.present import wording as w
from campledger.present.phone.markup import text

if TYPE_CHECKING:
    from collections.abc import Sequence

DEADLINES = (("+24h", "24 h more"), ("+48h", "48 h more"), ("+72h", "72 h more"))
DRIVES = (("1", "1 h at 9 am"), ("2", "2 h at 9 am"), ("3", "3 h at 9 am"))
SUNS = (
    ("worst", "Days like the worst"),
    ("none", "No sun at all"),
    ("best", "Days like the best"),
)
NOTE_LONGEST = 300
"""Longest note; with its wrapping it stays under the 1 kB of a write."""


def _quick(name: str, value: str, words: str) -> str:
    return (
        f'<button type="submit" name="{name}" value="{text(value)}">'
        f"{text(words)}</button>"
    )


def _group(title: str, name: str, choices: Sequence[tuple[str, str]]) -> str:
    buttons = "".join(_quick(name, value, words) for value, words in choices)
    return (
        f'<form class="try" action="/try" method="get"><p>{text(title)}</p>'
        f'<div class="row" role="group" aria-label="{text(title)}">{buttons}</div>'
        "</form>"
    )


def _select(name: str, label: str, choices: Sequence[tuple[str, str]]) -> str:
    options = "".join(
        f'<option value="{text(value)}">{text(words)}</option>'
        for value, words in choices
    )
    return f'<label>{text(label)}<select name="{name}">{options}</select></label>'


def try_it(loads: Sequence[str]) -> str:
    """Offer one-tap changes, and a form for several at once."""
    off = [(name, f"{w.name_of(name)} off") for name in loads]
    boxes = "".join(
        f'<label class="box"><input type="checkbox" name="without" '
        f'value="{text(name)}">{text(words)}</label>'
        for name, words in off
    )
    several = (
        '<details class="how"><summary>Several at once</summary>'
        '<form class="try behind" action="/try" method="get">'
        + _select("until", "Until", [("", "as above"), *DEADLINES])
        + '<label>or until the next<input type="time" name="clock"></label>'
        + _select("drive", "A drive", [("", "none"), *DRIVES])
        + _select("sun", "The sun", [("", "as likely"), *SUNS])
        + f"<fieldset><legend>Switched off</legend>{boxes}</fieldset>"
        '<button type="submit">Work it out</button></form></details>'
    )
    groups = _group("Another deadline", "until", DEADLINES)
    groups += _group("A load switched off", "without", off) if off else ""
    groups += _group("Cloud or sun", "sun", SUNS)
    groups += _group("A drive", "drive", DRIVES)
    return (
        '<details class="how big" id="try"><summary>Try it</summary><div '
        'class="behind"><p class="quiet">It only works it out; nothing is switched.</p>'
        '<div id="tried" aria-live="polite"></div>'
        f"{groups}{several}</div></details>"
    )


def writing(*, paired: bool, ready: bool, proofs: str = "") -> str:
    """Offer pairing, or what a paired phone may write; needs the small script."""
    need = (
        '<noscript><p class="quiet">Writing needs the page\'s small script; reading '
        "does not.</p></noscript>"
    )
    result = '<p class="said-back" role="status" aria-live="polite"></p>'
    if not paired:
        if not ready:
            return (
                "<p>To write notes from a phone, make a code on the box: "
                "<code>campledger page --new-code</code></p>"
            )
        return (
            f'{need}<form class="write" data-to="/pair"><label>Code on the label of '
            'the box<input name="code" inputmode="numeric" autocomplete="off" '
            'pattern="[0-9]{8}" maxlength="8" required></label>'
            f'<button type="submit">Pair this phone</button>{result}</form>'
        )
    return (
        f'{need}<form class="write" data-to="/write" data-kind="note"><label>A note'
        f'<textarea name="text" rows="2" maxlength="{NOTE_LONGEST}" required>'
        "</textarea>"
        f'</label><button type="submit">Keep the note</button>{result}</form>'
        '<form class="write" data-to="/write" data-kind="time">'
        '<button type="submit">Use my phone\'s time</button>'
        "<p>It dates the readings of this run of the logger; no clock is set and no "
        f"reading is changed.</p>{result}</form>{proofs}"
        '<form class="write" data-to="/forget"><button type="submit" class="plain">'
        f"Forget this phone</button>{result}</form>"
    )


def notes(entries: Sequence[tuple[float, str]], offset: float) -> str:
    """List the newest notes."""
    if not entries:
        return '<p class="quiet">No notes on this trip.</p>'
    rows = "".join(
        f"<li>{text(w.day_clock(when, offset))}: {text(words)}</li>"
        for when, words in entries
    )
    return f"<ul>{rows}</ul>"
