"""The whole page round the finished parts; light, for the process that serves it."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files
from string import Template

from campledger.present.phone.markup import text

CAUTION = (
    "It watches and counts; it switches nothing and certifies nothing. Not safety "
    "equipment: never the only alarm for gas, smoke, fumes or battery protection. "
    "Your local rules decide; mains wiring is work for a licensed person."
)


ICON = (
    b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32"><rect width="32" '
    b'height="32" fill="#fffefa"/><path d="M5 8h22M5 14h22M5 20h14M5 26h22" '
    b'stroke="#1c1b19" stroke-width="2.4"/></svg>'
)
"""Three ruled lines and a shorter one."""


@cache
def asset(name: str) -> bytes:
    """Read a file that belongs to the page."""
    if name == "icon.svg":
        return ICON
    return files("campledger.present.phone").joinpath(name).read_bytes()


@cache
def mark(name: str) -> str:
    """Give a short mark of a file's content, for its address."""
    return hashlib.sha256(asset(name)).hexdigest()[:12]


@cache
def _template() -> Template:
    return Template(asset("page.html").decode())


def age_words(seconds: float) -> str:
    """Say how old an answer is."""
    minutes = int(max(0.0, seconds) // 60)
    if minutes < 1:
        return "worked out just now"
    if minutes < 120:
        return f"worked out {minutes} min ago"
    hours = minutes // 60
    return f"worked out {hours} h ago" if hours < 48 else f"{hours // 24} days old"


def whole_page(
    inside: str,
    *,
    name: str,
    network: str = "",
    identity: str = "",
    age: float = 0.0,
    refresh: int = 0,
) -> str:
    """
    Put finished parts into the page.

    Parameters
    ----------
    inside : str
        Markup, finished and escaped.
    name, network : str
        Of the rig and of the Wi-Fi to stay on.
    identity : str
        Of the answer, so that the script sees when there is another one.
    age : float
        Of the answer, NaN if there is none. [s]
    refresh : int
        Load again after so many seconds, 0 = never. [s]
    """
    again = f'<meta http-equiv="refresh" content="{refresh}">' if refresh else ""
    return _template().substitute(
        title=text(name),
        network=text(network),
        identity=text(identity),
        age=f"{age:.0f}",
        inside=inside,
        refresh=again,
        caution=text(CAUTION),
        css=mark("page.css"),
        js=mark("page.js"),
    )


def age_line(seconds: float) -> str:
    """Set the age of the answer with the tap that works it out again."""
    return (
        f'<p class="age"><span id="age">{text(age_words(seconds))}</span> '
        '<a class="again" href="/again">Again</a></p>'
    )


def driving(one: str) -> str:
    """Set the only thing shown while the vehicle moves."""
    return (
        f'<main class="driving">{one}<p>Not while driving.</p>'
        '<p><a class="button" href="/?passenger=1">I am a passenger</a></p></main>'
    )


def waiting(why: str) -> str:
    """Set the page while there is no answer yet."""
    return f'<main><p class="alone">{text(why)}</p></main>'


def message(words: str) -> str:
    """Set a short page of one sentence with a way back."""
    back = '<p><a class="button" href="/">Back</a></p>'
    return f'<main><p class="alone">{text(words)}</p>{back}</main>'
