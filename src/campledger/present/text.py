"""The printed forms for a terminal: the statement, ruled like a ledger."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from campledger.model.words import Word
from campledger.present import wording as w
from campledger.present.battery_age import ageing_lines

if TYPE_CHECKING:
    from collections.abc import Iterable

    from campledger.judge.statement_types import (
        Amount,
        Miss,
        Statement,
        StatementDay,
    )

LABEL, COLUMN = 34, 10
"""Widths of the name column and of a column of figures, in characters."""
PAGE = 79
"""Longest line of the page, in characters."""


CENSORED_LEAST = 300.0
"""Shorter hidden stretches of a day are not worth a line. [s]"""


def plan_heading(status: str) -> str:
    """Give the heading that says how far the plan can be trusted."""
    text = status.strip()
    if text.startswith("frozen"):
        text = f"plan {text}"
    return w.sentence(text)


def tenths(value: float | None) -> int | None:
    """Give a figure in tenths, as printed."""
    if value is None or not w.known(value):
        return None
    return round(10.0 * value)


def add_up(values: Iterable[float | None]) -> float:
    """Add figures as printed; a missing one adds nothing."""
    return sum(tenths(v) or 0 for v in values) / 10.0


def taken_out(day: StatementDay) -> float:
    """Add up everything that went out, not itemised included."""
    parts = [a.charge_measured for a in day.loads]
    return add_up([*parts, day.not_itemised])


def pencil_sum(day: StatementDay) -> str:
    """
    Write out the sum that a person can check with a pencil.

    Returns
    -------
    text : str
        ``88.0 + 31.0 - 64.1 - 2.5 - 0.3 = 52.1``; empty if a part is missing.
    """
    parts = (
        day.brought_forward,
        day.charging_loss,
        day.not_accounted,
        day.carried_forward,
    )
    if any(not w.known(p) for p in parts):
        return ""
    came = add_up(a.charge_measured for a in day.sources)
    terms = [
        (1, came),
        (-1, taken_out(day)),
        (-1, day.charging_loss or 0.0),
        (-1, day.not_accounted or 0.0),
    ]
    text = w.number(day.brought_forward)
    for sign, value in terms:
        plus = (sign > 0) == (value >= 0) or round(value, 1) == 0 < sign
        text += f" {'+' if plus else '-'} {w.number(abs(value))}"
    return f"{text} = {w.number(day.carried_forward)}"


def _row(label: str, planned: str, measured: str, word: str, *, two: bool) -> str:
    middle = f"{planned:>{COLUMN}}" if two else ""
    cut = label if len(label) <= LABEL else label[: LABEL - 1] + "."
    return f"{cut:<{LABEL}}{middle}{measured:>{COLUMN}}  {word}".rstrip()


def _rule(*, two: bool) -> str:
    return "-" * (LABEL + COLUMN * (2 if two else 1))


def _figure(value: float | None, *, planned: bool = False) -> str:
    if planned and value is None:
        return ""
    return w.number(value)


def _amounts(lead: str, amounts: tuple[Amount, ...], *, two: bool) -> Iterable[str]:
    for at, amount in enumerate(amounts):
        label = f" {lead if at == 0 else '':<4} {w.name_of(amount.name)}"
        yield _row(
            label,
            _figure(amount.charge_planned, planned=True),
            _figure(amount.charge_measured),
            str(amount.word),
            two=two,
        )


def _not_itemised_word(day: StatementDay) -> str:
    return str(Word.WORKED_OUT if w.known(day.not_itemised) else Word.MISSING)


def _loss_label(day: StatementDay) -> str:
    part = day.charging_loss_share
    known = part is not None and w.known(part)
    return f" Less Charging loss ({w.share(part)})" if known else " Less Charging loss"


def day_lines(day: StatementDay, heading: str, *, two: bool) -> list[str]:
    """
    Give the ruled lines of one camp day, or of the whole trip.

    Parameters
    ----------
    day : StatementDay
        Figures rounded to 0.1 A.h.
    heading : str
        What stands at its head.
    two : bool
        Show the planned column.

    Returns
    -------
    lines : list of str
        Without line ends.
    """
    lines = [
        heading,
        _row("", "planned" if two else "", "measured", "", two=two),
        _row("", "Ah" if two else "", "Ah", "word", two=two),
        _row(
            "Brought forward",
            "",
            w.number(day.brought_forward),
            str(day.carried_word),
            two=two,
        ),
        *_amounts("In", day.sources, two=two),
        *_amounts("Out", day.loads, two=two),
    ]
    lines += _closing_lines(day, two=two)
    summed = pencil_sum(day)
    if summed:
        lines.append(f"  {summed}")
    return lines


def _closing_lines(day: StatementDay, *, two: bool) -> list[str]:
    """What follows the loads: losses, the remainder, and what is left."""
    lead = "" if day.loads else "Out"
    limit = f"(limit {w.number(day.not_accounted_limit)})"
    losses = (
        (f" {lead:<4} Not itemised", day.not_itemised, _not_itemised_word(day)),
        (_loss_label(day), day.charging_loss, str(day.charging_loss_word)),
        ("Not accounted for", day.not_accounted, limit),
    )
    left = (
        ("Carried forward", day.carried_forward, str(day.carried_word)),
        (" of which your floor", day.floor_charge, str(day.floor_word)),
    )
    planned = _figure(day.in_hand_planned, planned=True)
    return [
        *(_row(label, "", w.number(x), word, two=two) for label, x, word in losses),
        _rule(two=two),
        *(_row(label, "", w.number(x), word, two=two) for label, x, word in left),
        _row("In hand", planned, w.number(day.in_hand), "", two=two),
    ]


def _day_notes(day: StatementDay, offset: float) -> Iterable[str]:
    if day.nights_in_hand is not None:
        planned = (
            f"     planned at this point: {w.nights(day.nights_planned)}"
            if day.nights_planned is not None
            else ""
        )
        yield f"NIGHTS IN HAND  {w.nights(day.nights_in_hand)}{planned}"
    if day.low_point is not None and w.known(day.low_point.spare):
        low = day.low_point
        where = "above" if low.spare >= 0 else "below"
        yield (
            f"Low point {w.day_clock(low.time_utc, offset)}: "
            f"{w.number(abs(low.spare))} Ah {where} your floor ({w.share(low.soc)})."
        )
    if w.known(day.temp_air_mean):
        yield f"Air {w.number(day.temp_air_mean, 0)} degC on the mean."
    if day.coverage < 0.995 and not day.notes:
        yield f"Readings cover {w.share(day.coverage)} of it."
    if day.censored >= CENSORED_LEAST and not day.notes:
        yield (
            f"{w.hours(day.censored)} without power or without a record: "
            "use could not show, and is not counted as thrift."
        )
    if day.dawn_word >= Word.ASSUMED:
        yield "Dawn assumed: no position is known."
    yield from (w.sentence(note) for note in day.notes)


def _notes(day: StatementDay, offset: float) -> Iterable[str]:
    for note in _day_notes(day, offset):
        yield from wrapped(note) if len(note) > PAGE else (note,)


def wrapped(text: str) -> list[str]:
    """Break a sentence into lines of the page."""
    return w.wrap(w.sentence(text), PAGE)


def day_heading(day: StatementDay, start_utc: float, offset: float) -> str:
    """Give ``TUESDAY 5 May, dawn to dawn``, or the hours of a part day."""
    name = w.day_full(day.dawn_utc, offset)
    first, _, rest = name.partition(" ")
    if day.whole:
        return f"{first.upper()} {rest}, dawn to dawn"
    begin = w.clock(max(day.dawn_utc, start_utc), offset)
    end = w.day_clock(day.end_utc, offset)
    return f"{first.upper()} {rest}, part of a day: {begin} to {end}"


def has_plan(statement: Statement) -> bool:
    """Tell whether any planned figure is there to stand beside the measured."""
    return any(
        a.charge_planned is not None or a.energy_planned is not None
        for a in (*statement.total.loads, *statement.total.sources)
    )


@dataclass(frozen=True, kw_only=True)
class PrintedMiss:
    """A miss as printed: parts that add up to the printed digit."""

    planned: str
    measured: str
    miss: str
    rate_part: str
    hours_part: str


def printed_miss(miss: Miss) -> PrintedMiss:
    """Round a miss so that planned + rate part + hours part = measured as printed."""
    digits = 0 if miss.unit == "Wh" else 1
    planned, measured = miss.planned, miss.measured
    if planned is None or measured is None:
        return PrintedMiss(
            planned=w.number(planned, digits),
            measured=w.number(measured, digits),
            miss=w.BLANK,
            rate_part=w.BLANK,
            hours_part=w.BLANK,
        )
    off = round(measured, digits) - round(planned, digits)
    rate = None if miss.rate_part is None else round(miss.rate_part, digits)
    return PrintedMiss(
        planned=w.number(planned, digits),
        measured=w.number(measured, digits),
        miss=w.signed(off, digits),
        rate_part=w.signed(rate, digits),
        hours_part=w.signed(None if rate is None else off - rate, digits),
    )


def _miss_row(miss: Miss) -> str:
    row = printed_miss(miss)
    cells = (row.planned, row.measured, row.miss, row.rate_part, row.hours_part)
    left = f"{w.name_of(miss.name)[:13]:<13}" + "".join(f"{c:>9}" for c in cells)
    return f"{left}  {miss.unit} {miss.cause}"


def miss_lines(statement: Statement) -> list[str]:
    """
    Give the table of misses, loads first; sun and drives stand apart.

    Returns
    -------
    lines : list of str
        Empty if nothing was planned.
    """
    if not has_plan(statement):
        return []
    head = f"{'':<13}" + "".join(
        f"{c:>9}" for c in ("planned", "measured", "miss", "rate", "hours")
    )
    loads = [m for m in statement.misses if m.kind != "source"]
    sources = [m for m in statement.misses if m.kind == "source"]
    lines = ["PLANNED AGAINST MEASURED, whole trip, largest miss first", head]
    lines += [_miss_row(m) for m in loads]
    if any(m.rate_part is None and m.miss is not None for m in loads):
        lines.append(
            f"{w.BLANK} = no split: the plan gives no amps while on and no hours."
        )
    if sources:
        lines += ["SUN AND DRIVES THAT DID OR DID NOT HAPPEN", head]
        lines += [_miss_row(m) for m in sources]
    return lines


def statement_text(statement: Statement) -> str:
    """
    Give the statement as printed: each camp day, the total, the misses.

    Parameters
    ----------
    statement : Statement
        Figures already rounded so that they add up.

    Returns
    -------
    text : str
        Ends with a line end; lines of at most 79 characters.
    """
    offset, two = statement.utc_offset, has_plan(statement)
    start = w.day_clock(statement.start_utc, offset)
    end = w.day_clock(statement.end_utc, offset)
    lines = [
        f"STATEMENT  {statement.trip_name}".rstrip(),
        f"{start} to {end}, rig time ({w.offset_name(offset)})",
        plan_heading(statement.plan_status),
        "",
        *wrapped(statement.verdict),
        "",
    ]
    for day in statement.days:
        lines += day_lines(day, day_heading(day, statement.start_utc, offset), two=two)
        lines += [*_notes(day, offset), ""]
    if len(statement.days) > 1:
        lines += day_lines(statement.total, "WHOLE TRIP", two=two)
        lines += [*_notes(statement.total, offset), ""]
    lines.append(f"Capacity now: {w.give_or_take(statement.capacity, 'Ah')}.")
    if statement.ageing is not None:
        for text in ageing_lines(statement.ageing, offset):
            lines += wrapped(text)
    if statement.hours_below_floor > 0:
        below = w.number(statement.hours_below_floor)
        lines.append(f"Below the floor: {below} h in all.")
    misses = miss_lines(statement)
    lines += ["", *misses] if misses else []
    for note in statement.notes:
        lines += wrapped(note)
    return "\n".join(lines).rstrip() + "\n"
