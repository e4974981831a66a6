"""
Which answers a set of channels allows, and which one sensor would add most.

A question is a row of data: what it needs, in words of channels. ``{fridge}`` stands
for each cooling load of the rig, ``{sun}`` and ``{drive}`` for its sources.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from campledger.model.rig import COOLING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from campledger.model.rig import Rig


@dataclass(frozen=True, kw_only=True)
class Question:
    """A question people ask, and the channels without which it can't be told."""

    text: str
    needs: tuple[str, ...]


def _rows(*rows: tuple[str, str]) -> tuple[Question, ...]:
    return tuple(Question(text=t, needs=tuple(n.split())) for t, n in rows)


HOUSE = "voltage_house_v current_house_a"
QUESTIONS = _rows(
    ("is the battery above a voltage, did it cut out", "voltage_house_v"),
    ("how much is in hand, will it last, nights in hand", HOUSE),
    ("standing draw, battery resistance, full charge", HOUSE),
    ("is the battery too cold to charge or too hot", "temp_house_c"),
    ("will the car start, is anything draining it", "voltage_start_v"),
    (
        "what went in and out, charging loss, does it add up",
        f"{HOUSE} current_charge_a",
    ),
    ("what the sun gave and could have given", "current_{sun}_a"),
    ("is the panel itself sound", "current_{sun}_a voltage_{sun}_panel_v"),
    ("what driving gave", "current_{drive}_a"),
    ("is the charger starved at its input", "current_{drive}_a voltage_{drive}_in_v"),
    ("does the charger back off when hot", "current_{drive}_a temp_{drive}_c"),
    ("does the charger follow the engine", "current_{drive}_a state_engine"),
    ("what the {fridge} used, its hours on", "current_{fridge}_a"),
    (
        "volt drop to the {fridge}, early cut-out",
        "current_{fridge}_a voltage_{fridge}_v",
    ),
    ("does the {fridge} stay cold", "temp_{fridge}_c"),
    ("will the {fridge} cope with hotter days", "temp_{fridge}_c temp_air_c"),
    ("what the inverter used and idled", "current_{inverter}_a"),
    ("what this logger used", "current_{logger}_a"),
    ("are the cells even", "voltage_house_half_v"),
)

USUAL_ORDER = (
    "current_house_a",
    "voltage_start_v",
    "current_{fridge}_a",
    "voltage_{fridge}_v",
    "temp_house_c",
    "temp_{fridge}_c",
    "voltage_{drive}_in_v",
    "state_engine",
    "current_{sun}_a",
    "current_{inverter}_a",
)
"""Where two sensors would settle as much. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Answerable:
    """One question and the channels it still lacks (empty: it can be answered)."""

    text: str
    missing: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Possible:
    """All questions, and the one channel that would settle most of the open ones."""

    questions: tuple[Answerable, ...]
    best_next: str
    would_settle: int


def _kinds(rig: Rig) -> dict[str, list[str]]:
    return {
        "{fridge}": [x.name for x in rig.loads if x.kind in COOLING],
        "{inverter}": [x.name for x in rig.loads if x.kind == "inverter"],
        "{logger}": [x.name for x in rig.loads if x.kind == "logger"],
        "{sun}": [s.name for s in rig.sources if s.kind == "solar"],
        "{drive}": [s.name for s in rig.sources if s.kind in {"dcdc", "isolator"}],
    }


def _filled(text: str, kinds: dict[str, list[str]]) -> Iterable[tuple[str, str]]:
    """Give (mark, name) for each thing of the rig that a row speaks of."""
    for mark, names in kinds.items():
        if mark in text:
            return [(mark, name) for name in names]
    return [("", "")]


def _has(channel: str, channels: frozenset[str], sources: list[str]) -> bool:
    if channel in channels:
        return True
    apart = [f"current_{name}_a" for name in sources]
    return channel == "current_charge_a" and bool(apart) and channels.issuperset(apart)


def what_can_be_told(channels: Iterable[str], rig: Rig) -> Possible:
    """
    Sort the questions into those that can be answered and those that cannot.

    Parameters
    ----------
    channels : iterable of str
        Channels that the record holds or the sensors will give.
    rig : Rig
        Names the loads and sources.

    Returns
    -------
    possible : Possible
        ``best_next`` is empty if nothing is open.

    References
    ----------
    Common practice, no source.
    """
    have, kinds = frozenset(channels), _kinds(rig)
    sources = [s.name for s in rig.sources]
    rows, votes = [], dict[str, int]()
    for question in QUESTIONS:
        text = " ".join((question.text, *question.needs))
        for mark, name in _filled(text, kinds):
            needs = [n.replace(mark, name) if mark else n for n in question.needs]
            missing = tuple(n for n in needs if not _has(n, have, sources))
            said = question.text.replace(mark, name) if mark else question.text
            rows.append(Answerable(text=said, missing=missing))
            if len(missing) == 1:
                votes[missing[0]] = votes.get(missing[0], 0) + 1
    order = [_named(c, kinds) for c in USUAL_ORDER]
    best = max(
        votes,
        key=lambda c: (votes[c], -order.index(c) if c in order else -len(order)),
        default="",
    )
    return Possible(
        questions=tuple(rows), best_next=best, would_settle=votes.get(best, 0)
    )


def _named(channel: str, kinds: dict[str, list[str]]) -> str:
    for mark, names in kinds.items():
        if mark in channel and names:
            return channel.replace(mark, names[0])
    return channel
