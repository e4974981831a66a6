"""What "try it" may ask: a closed list of changes, the same on both sides."""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

UNTIL = re.compile(r"\+(\d{1,3})h")
CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d")
LONGEST_DEADLINE = 168
"""Deadline asked for at most so far ahead. [h] Common practice, no source."""
LONGEST_DRIVE = 12.0
SUNS = ("none", "worst", "middle", "best")
KNOWN = frozenset({"until", "without", "sun", "drive", "at", "clock", "part"})


@dataclass(frozen=True, kw_only=True)
class Change:
    """A "what if": deadline, loads off, sun, and a drive of so many hours at a time."""

    until: str = ""
    without: tuple[str, ...] = ()
    sun: str = ""
    drive: float = 0.0
    at: str = "09:00"

    def key(self, identity: str) -> str:
        """Name the result of this change to one answer."""
        text = json.dumps([identity, asdict(self)])
        return hashlib.sha256(text.encode()).hexdigest()[:24]


def _one(given: Mapping[str, Sequence[str]], name: str) -> str:
    values = [v for v in given.get(name, ()) if v]
    if len(values) > 1:
        msg = f"{name}: got {len(values)} values, expected one"
        raise ValueError(msg)
    return values[0] if values else ""


def _until(text: str) -> str:
    if CLOCK.fullmatch(text):
        return text
    match = UNTIL.fullmatch(text)
    hours = int(match[1]) if match else 0
    if text and not 1 <= hours <= LONGEST_DEADLINE:
        msg = "until: expected +1h to +168h or a clock time such as 09:00"
        raise ValueError(msg)
    return f"+{hours}h" if text else ""


def _drive(text: str) -> float:
    if not text:
        return 0.0
    hours = float(text) if re.fullmatch(r"\d{1,2}(\.\d{1,2})?", text) else -1.0
    if not 0.0 < hours <= LONGEST_DRIVE:
        msg = "drive: expected hours, more than 0 and at most 12"
        raise ValueError(msg)
    return hours


def read_change(given: Mapping[str, Sequence[str]], loads: Sequence[str]) -> Change:
    """
    Read a change from the fields of a form.

    Raises
    ------
    ValueError
        A field that there is not, or a value outside its list.
    """
    if unknown := set(given) - KNOWN:
        msg = f"{len(unknown)} unknown fields"
        raise ValueError(msg)
    without = tuple(sorted({v for v in given.get("without", ()) if v}))
    if not set(without) <= set(loads):
        msg = "without: expected loads of this rig"
        raise ValueError(msg)
    sun = _one(given, "sun")
    if sun and sun not in SUNS:
        msg = "sun: expected none, worst, middle or best"
        raise ValueError(msg)
    at = _one(given, "at") or "09:00"
    if not CLOCK.fullmatch(at):
        msg = "at: expected a clock time such as 09:00"
        raise ValueError(msg)
    return Change(
        until=_until(_one(given, "clock") or _one(given, "until")),
        without=without,
        sun=sun,
        drive=_drive(_one(given, "drive")),
        at=at,
    )


def from_json(text: str) -> Change:
    """Read a change as `Change` was handed to the short process."""
    found = json.loads(text)
    found["without"] = tuple(found["without"])
    return Change(**found)


def to_json(change: Change) -> str:
    """Write a change for the short process."""
    return json.dumps(asdict(change))
