"""
The sentences of the answer at camp, so that page and terminal say the same.

Words before figures; the verdict is one of four phrases. Times come in as text.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.enough_types import CANNOT_TELL, NO, TOO_CLOSE, YES

if TYPE_CHECKING:
    from campledger.judge.enough_types import CarAnswer, Enough, FridgeAnswer, Saving
    from campledger.model.estimates import Estimate

VERDICTS = {
    YES: "Yes",
    NO: "No",
    TOO_CLOSE: "Too close to call",
    CANNOT_TELL: "Can't tell",
}
CARS = {
    "should_start": "Should start",
    "not_safe": "Not safe to rely on",
    "cannot_tell": "Can't tell",
}
LISTED = 3
"""Savings on the fourth line."""


@dataclass(frozen=True, kw_only=True)
class Lines:
    """The four lines in their fixed order; ``urgent`` stands before them."""

    enough: str
    lowest: str
    car: str
    fridge: str
    saves: str
    urgent: tuple[str, ...] = ()


def amount(charge: float) -> str:
    """Give a charge as a person says it: whole from one up, else one decimal."""
    size = abs(charge)
    return f"{size:.0f}" if size >= 0.95 else f"{size:.1f}"


def spare_words(spare: Estimate) -> str:
    """Give ``8 Ah to spare, give or take 3``; empty if unknown."""
    if not np.isfinite(spare.value):
        return ""
    side = "to spare" if spare.value >= 0 else "short"
    text = f"{amount(spare.value)} Ah {side}"
    if np.isfinite(spare.give_or_take):
        text += f", give or take {amount(spare.give_or_take)}"
    return text


def enough_line(answer: Enough, until: str) -> str:
    """
    Give the first line.

    Parameters
    ----------
    answer : Enough
        The answer.
    until : str
        The deadline in words.

    Returns
    -------
    line : str
        Verdict first, then its figure or its reason.
    """
    phrase = VERDICTS[answer.verdict]
    if answer.verdict == CANNOT_TELL:
        return f"{phrase}: {answer.reason}."
    if answer.below_floor > 0:
        return (
            f"{phrase} - {amount(answer.below_floor)} Ah below your floor. "
            f"{_sentence(answer.below_floor_text)}"
        )
    return f"{phrase} - until {until}, {spare_words(answer.spare)}."


def lowest_line(answer: Enough, when: str) -> str:
    """Give ``Lowest: Thu 7 am, 17 Ah - 33 below your floor. Give or take 5.``"""
    low = answer.low_point
    if low is None:
        return ""
    side = "above" if low.spare >= 0 else "below"
    return (
        f"Lowest: {when}, {amount(answer.low_charge)} Ah - {amount(low.spare)} {side} "
        f"your floor. Give or take {amount(answer.spare.give_or_take)}."
    )


def car_line(car: CarAnswer) -> str:
    """Give the second line; never more than "should start"."""
    phrase = CARS[car.verdict]
    if car.verdict != "should_start":
        return f"{phrase}: {car.reason}."
    joined = {True: "joined", False: "not joined", None: "joined or not is not seen"}
    return (
        f"{phrase}. Start battery {car.volts:.2f} V rested {car.rested:.0f} h; "
        f"{joined[car.joined]}. ({_sentence(car.reason)})"
    )


def about_hours(hours: float) -> str:
    """Give hours as a person says them."""
    if hours < 0.2:
        return "minutes"
    if hours < 0.4:
        return "about a quarter of an hour"
    if hours < 0.75:
        return "about half an hour"
    if hours < 1.5:
        return "about an hour"
    return f"about {hours:.0f} h"


def fridge_line(fridge: FridgeAnswer) -> str:
    """Give the third line."""
    if fridge.verdict == "cannot_tell":
        return f"Can't tell: {fridge.reason}."
    text = f"{fridge.temp:.1f} degC."
    if fridge.verdict == "warms":
        text += f" Warming: {fridge.reason}."
    if np.isfinite(fridge.hours_to_limit) and fridge.hours_to_limit > 0:
        text += (
            f" If it stopped now: {fridge.limit:.0f} degC in "
            f"{about_hours(fridge.hours_to_limit)}."
        )
    return text


def saves_line(savings: tuple[Saving, ...]) -> str:
    """Give the fourth line: the largest savings, with what they cost."""
    if not savings:
        return "Nothing worth switching off."
    parts = []
    for saving in savings[:LISTED]:
        note = f" ({saving.note})" if saving.note else ""
        parts.append(f"{saving.text.rstrip('.')}{note}.")
    return " ".join(parts)


def wording(answer: Enough, until: str, lowest: str) -> Lines:
    """
    Give all sentences of an answer.

    Parameters
    ----------
    answer : Enough
        The answer.
    until, lowest : str
        The deadline and the time of the low point in words.

    Returns
    -------
    lines : Lines
        In their fixed order.
    """
    return Lines(
        enough=enough_line(answer, until),
        lowest=lowest_line(answer, lowest),
        car=car_line(answer.car),
        fridge=fridge_line(answer.fridge),
        saves=saves_line(answer.savings),
        urgent=tuple(u.text for u in answer.urgent),
    )


def _sentence(text: str) -> str:
    text = text.strip().rstrip(".")
    return f"{text[:1].upper()}{text[1:]}." if text else ""
