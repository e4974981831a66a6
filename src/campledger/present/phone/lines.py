"""The first screen: four sentences in their fixed order, reasons behind a tap."""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.judge.enough_words import VERDICTS, verdict_words
from campledger.present import text_enough as t
from campledger.present import wording as w
from campledger.present.phone.markup import paragraphs, text

if TYPE_CHECKING:
    from campledger.judge.enough_types import Enough

BASES = {
    "this trip": "From this trip's own days.",
    "one day": "From one day of record only.",
    "plan only": "From the plan only; nothing like it was recorded yet.",
}
SUN_WORDS = {
    "none": "no sun at all",
    "worst": "every day like the worst of this trip",
    "middle": "every day like the middle one of this trip",
    "best": "every day like the best of this trip",
}


def _line(name: str, label: str, said: str, behind: list[str], *, act: bool) -> str:
    """Set one line; the whole line is the place to tap."""
    mark = '<strong class="act">Act</strong> ' if act else ""
    return (
        f'<details class="line" id="{name}"><summary><span class="label">'
        f'{text(label)}</span><span class="said">{mark}{said}'
        '<span class="ask"> How do you know?</span></span></summary>'
        f'<div class="behind">{paragraphs(behind)}</div></details>'
    )


def _condition_words(answer: Enough) -> list[str]:
    out = []
    for condition in answer.conditions:
        phrase = VERDICTS.get(condition.verdict, condition.verdict)
        words = condition.text
        shown = words if words.lower().startswith(("yes", "no", "too")) else ""
        out.append(w.sentence(shown or f"{phrase} if {words}"))
    return out


def _enough(answer: Enough) -> str:
    verdict = verdict_words(answer)
    phrase = VERDICTS[answer.verdict]
    rest = verdict.removeprefix(phrase)
    said = f'<b class="verdict">{text(phrase)}</b><span>{text(rest)}</span> '
    said += f"<span>{text(t.until_words(answer))}</span>"
    for extra in (t.low_words(answer), t.floor_words(answer)):
        if extra:
            said += f'<span class="more">{text(extra)}</span>'
            break
    behind = [
        t.floor_words(answer) if t.low_words(answer) else "",
        w.sentence(answer.reason) if answer.verdict != "cannot_tell" else "",
        *_condition_words(answer),
        t.hand_words(answer),
        BASES.get(answer.basis, ""),
        w.sentence(answer.drive_text) if answer.drive_text else "",
        _floor(answer),
        *[w.sentence(note) for note in answer.notes],
        _assumed(answer),
    ]
    if answer.nights_in_hand is not None:
        behind.insert(1, f"Nights in hand: {w.nights(answer.nights_in_hand)}.")
    return _line("enough", "Enough?", said, behind, act=answer.verdict == "no")


def _floor(answer: Enough) -> str:
    if not w.known(answer.floor) or not w.known(answer.capacity):
        return ""
    charge = answer.floor * answer.capacity
    return (
        f"Your floor is {w.about(charge)} of {w.about(answer.capacity)} Ah "
        f"({answer.floor_word}). The capacity is what the battery holds now."
    )


def _assumed(answer: Enough) -> str:
    if not answer.assumed:
        return ""
    return f"Assumed: {w.listed([w.key_words(a) for a in answer.assumed])}."


def _car(answer: Enough) -> str:
    car = answer.car
    said = text(t.car_words(car))
    behind = []
    if w.known(car.volts):
        rest = f", at rest {w.number(car.rested, 0)} h" if w.known(car.rested) else ""
        behind.append(f"Start battery {w.number(car.volts, 2)} V{rest} (measured).")
    if car.joined is not None:
        joined = "are joined" if car.joined else "are not joined"
        behind.append(f"The two batteries {joined} (worked out from their volts).")
    if not behind:
        behind.append("The start battery's volts would have to be measured at rest.")
    behind.append(
        "Never the only way home: a worn battery can show good volts and still fail."
    )
    return _line("car", "Car", said, behind, act=car.verdict == "not_safe")


def _fridge(answer: Enough) -> str:
    fridge = answer.fridge
    behind = []
    if w.known(fridge.temp):
        behind.append(f"{w.number(fridge.temp)} degC inside (measured).")
    if w.known(fridge.limit):
        behind.append(
            f"Its cold line is {w.number(fridge.limit)} degC, as in the rig file. Air "
            "in a fridge is not the food: the food is slower."
        )
    if w.known(fridge.hours_to_limit):
        behind.append("The time is for a fridge that stops now and stays shut.")
    if fridge.contents == "medicine":
        behind.append("Medicine has limits of its own: go by its leaflet.")
    if not behind:
        behind.append(w.sentence(fridge.reason) or "Its temperature is not measured.")
    said = text(t.fridge_words(fridge))
    return _line("fridge", "Fridge", said, behind, act=fridge.verdict == "warms")


def _saves(answer: Enough) -> str:
    behind = [
        "What switching it off now leaves by then, from what each used at these hours "
        "on this trip.",
        *[
            f"{w.name_of(s.load)}: {w.about(s.charge_a_day)} Ah a day."
            + (" It alone turns the answer to yes." if s.turns_to_yes else "")
            for s in answer.savings
        ],
        "This page switches nothing.",
    ]
    return _line("saves", "Saves", text(t.saves_words(answer)), behind, act=False)


def urgent_words(answer: Enough) -> str:
    """Set what has to be acted on now; stands above everything."""
    return "".join(
        f'<p class="urgent"><strong class="act">Act now</strong> '
        f"{text(w.sentence(u.text))}</p>"
        for u in answer.urgent
    )


def four_lines(answer: Enough, *, clock: str = "") -> str:
    """
    Set the first screen.

    Parameters
    ----------
    answer : Enough
        The answer.
    clock : str
        What the time rests on, such as "your phone's time".

    Returns
    -------
    markup : str
        Anything urgent, the four lines, since when it is counted and as of when.
    """
    counted = t.counted_words(answer)
    if clock:
        counted += f", {clock}"
    return (
        f"{urgent_words(answer)}{_enough(answer)}{_car(answer)}{_fridge(answer)}"
        f'{_saves(answer)}<p class="counted">{text(counted)}</p>'
    )


def one_line(answer: Enough) -> str:
    """Set what is shown while driving: the verdict, nothing to work at."""
    return (
        f'{urgent_words(answer)}<p class="alone"><b class="verdict">'
        f"{text(VERDICTS[answer.verdict])}</b> "
        f"{text(t.until_words(answer))}</p>"
    )


def tried(answer: Enough, changes: list[str]) -> str:
    """Set the answer to a "what if"; nothing was switched."""
    what = w.sentence(w.listed(changes)) if changes else "As you are going."
    savings = [] if answer.verdict == "yes" else _condition_words(answer)
    return (
        f'<div class="tried"><p class="what">{text(what)}</p>'
        f'<p><b class="verdict">{text(VERDICTS[answer.verdict])}</b>'
        f"{text(verdict_words(answer).removeprefix(VERDICTS[answer.verdict]))} "
        f"{text(t.until_words(answer))}</p>"
        f"{paragraphs([t.low_words(answer), t.floor_words(answer), *savings])}"
        f'<p class="quiet">{text(w.sentence(t.counted_words(answer)))} '
        "Only worked out: nothing was switched.</p></div>"
    )
