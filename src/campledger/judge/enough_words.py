"""
The sentences of the answer at camp, so that page and terminal say the same.

Words before figures; the verdict is one of four phrases. Times come in as text.
"""

from __future__ import annotations

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


def verdict_words(answer: Enough) -> str:
    """
    Give the first line: the verdict, then its figure or its reason.

    Parameters
    ----------
    answer : Enough
        The answer.

    Returns
    -------
    line : str
        ``Yes - 8 Ah to spare, give or take 3.``
    """
    phrase = VERDICTS[answer.verdict]
    told = answer.verdict != CANNOT_TELL
    if told and answer.below_floor > 0:
        return f"{phrase} - {amount(answer.below_floor)} Ah below your floor."
    rest = (spare_words(answer.spare) if told else "") or answer.reason
    return sentence(f"{phrase} - {rest}" if rest else phrase)


def car_line(car: CarAnswer) -> str:
    """Give the second line; never more than "should start"."""
    phrase = CARS[car.verdict]
    if car.verdict != "should_start":
        return f"{phrase}: {car.reason}."
    joined = {True: "joined", False: "not joined", None: "joined or not is not seen"}
    return (
        f"{phrase}. Start battery {car.volts:.2f} V rested {car.rested:.0f} h; "
        f"{joined[car.joined]}. ({sentence(car.reason)})"
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


def sentence(text: str) -> str:
    """Give a text with a capital and a full stop; empty stays empty."""
    text = text.strip().rstrip(".")
    return f"{text[:1].upper()}{text[1:]}." if text else ""
