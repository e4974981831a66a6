"""The four lines at camp: enough, car, fridge, saves; words before figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.judge.enough_words import (
    VERDICTS,
    car_line,
    fridge_line,
    saves_line,
    spare_words,
    verdict_words,
)
from campledger.present import wording as w

if TYPE_CHECKING:
    from campledger.judge.enough_types import CarAnswer, Enough, FridgeAnswer

COLUMN, PAGE = 9, 79
STALE = 600.0
"""A newest reading older than this makes the answer one "as of". [s]"""


def _entry(label: str, text: str) -> list[str]:
    blank = " " * COLUMN
    return w.wrap(text, PAGE, first=f"{label:<{COLUMN}}", rest=blank) or [label]


def until_words(answer: Enough) -> str:
    """Name the deadline and where it comes from."""
    text = f"Until {w.day_clock(answer.until, answer.utc_offset)}"
    return w.sentence(f"{text} ({answer.until_word})" if answer.until_word else text)


def low_words(answer: Enough) -> str:
    """Say when and how low it goes."""
    low = answer.low_point
    if low is None:
        return ""
    side = "above" if low.spare >= 0 else "below"
    text = f"Lowest: {w.day_clock(low.time_utc, answer.utc_offset)}"
    if w.known(answer.low_charge):
        text += f", {w.about(answer.low_charge)} Ah"
    return f"{text} - {w.about(abs(low.spare))} {side} your floor."


def floor_words(answer: Enough) -> str:
    """Say when the floor is reached, with its spread; empty if not in sight."""
    hours = answer.hours_to_floor
    if answer.below_floor > 0:
        return w.sentence(
            answer.below_floor_text
            or f"{w.about(answer.below_floor)} Ah below your floor now"
        )
    if hours.p50 is None:
        return ""
    text = f"Floor reached in about {w.number(hours.p50, 0)} h"
    late = (
        f"{w.number(hours.p90, 0)} h"
        if hours.p90 is not None
        else f"beyond {w.number(answer.horizon, 0)} h"
    )
    if hours.p10 is not None:
        text += f" (8 in 10: {w.number(hours.p10, 0)} h to {late})"
    return f"{text}."


def hand_words(answer: Enough) -> str:
    """Give what is in hand beside what is measured since full."""
    if w.known(answer.in_hand.value):
        hand = w.give_or_take(answer.in_hand, "Ah")
        parts = [f"In hand {hand} ({answer.in_hand.word})"]
    else:
        parts = [f"In hand: {w.give_or_take(answer.in_hand, 'Ah')}"]
    if w.known(answer.used_since_full):
        parts.append(
            f"used since full {w.number(answer.used_since_full)} Ah (measured)"
        )
    return w.sentence("; ".join(parts))


def fridge_words(answer: FridgeAnswer) -> str:
    """Say whether the cold holds, and how long if it stopped now."""
    said = fridge_line(answer)
    extra = answer.reason if answer.verdict == "holds" else ""
    return f"{said} {w.sentence(extra)}".strip()


def car_words(answer: CarAnswer) -> str:
    """Say whether the car should start; never more than "should"."""
    return car_line(answer)


def saves_words(answer: Enough) -> str:
    """List what is worth switching off, the largest first."""
    return saves_line(answer.savings)


def counted_words(answer: Enough) -> str:
    """Say since when it is counted, and as of when."""
    parts = []
    since = answer.counted_since
    if not since and w.known(answer.used_since):
        full = w.day_clock(answer.used_since, answer.utc_offset)
        since = f"the full charge of {full}"
    if since:
        parts.append(since if since.startswith("counted") else f"counted since {since}")
    when = w.day_clock(answer.as_of, answer.utc_offset)
    stale = answer.at - answer.as_of > STALE
    parts.append(f"as of {when}" if stale else when)
    return " - ".join(parts)


def enough_text(answer: Enough) -> str:
    """
    Give the answer at camp as printed.

    Parameters
    ----------
    answer : Enough
        The answer.

    Returns
    -------
    text : str
        Four entries in their fixed order, anything urgent before them; ends with a
        line end.
    """
    lines: list[str] = []
    for item in answer.urgent:
        lines += _entry("ACT", w.sentence(item.text))
    lines += _entry("ENOUGH?", f"{verdict_words(answer)} {until_words(answer)}")
    if answer.verdict != "cannot_tell" and answer.reason and spare_words(answer.spare):
        lines += _entry("", w.sentence(answer.reason))
    for extra in (low_words(answer), floor_words(answer)):
        lines += _entry("", extra) if extra else []
    for condition in answer.conditions:
        phrase = VERDICTS.get(condition.verdict, condition.verdict)
        text = condition.text
        shown = text if text.lower().startswith(("yes", "no", "too")) else ""
        lines += _entry("", w.sentence(shown or f"{phrase} if {text}"))
    lines += _entry("", hand_words(answer))
    lines += _entry("CAR", car_words(answer.car))
    lines += _entry("FRIDGE", fridge_words(answer.fridge))
    lines += _entry("SAVES", saves_words(answer))
    if answer.drive_text:
        lines += _entry("", w.sentence(answer.drive_text))
    if answer.nights_in_hand is not None:
        lines += _entry("", f"Nights in hand: {w.nights(answer.nights_in_hand)}.")
    for note in answer.notes:
        lines += _entry("", w.sentence(note))
    if answer.assumed:
        keys = w.listed([w.key_words(a) for a in answer.assumed])
        lines += _entry("", f"Assumed: {keys}.")
    lines += _entry("", counted_words(answer))
    return "\n".join(lines) + "\n"
