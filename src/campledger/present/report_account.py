"""The account in the report: planned against measured, and the camp days."""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.present import wording as w
from campledger.present.report_html import (
    Block,
    Row,
    Section,
    figure_cell,
    para,
    table,
)
from campledger.present.text import (
    CENSORED_LEAST,
    day_heading,
    has_plan,
    pencil_sum,
    printed_miss,
    taken_out,
)

if TYPE_CHECKING:
    from campledger.judge.statement_types import Amount, Miss, StatementDay
    from campledger.present.report_data import ReportData


def _miss_words(miss: Miss) -> str:
    words = [miss.cause]
    if miss.figure:
        words.append(f"plan figure: {miss.figure}")
    words.append(str(miss.word))
    if miss.rate_measured is not None and miss.hours_measured is not None:
        per = "W" if miss.unit == "Wh" else "A"
        hours = w.number(miss.hours_measured)
        words.append(f"{w.number(miss.rate_measured, 2)} {per} for {hours} h")
    if miss.lo is not None and miss.hi is not None and miss.hi > miss.lo:
        digits = 0 if miss.unit == "Wh" else 1
        lo, hi = w.number(miss.lo, digits), w.number(miss.hi, digits)
        words.append(f"9 in 10: {lo} to {hi}")
    return "; ".join(words)


def _miss_table(misses: list[Miss], *, split: bool) -> str:
    rows, units = [], {m.unit for m in misses}
    common = units.pop() if len(units) == 1 else ""
    for miss in misses:
        shown = printed_miss(miss)
        cells = [shown.planned, shown.measured, shown.miss]
        if split:
            cells += [shown.rate_part, shown.hours_part]
        unit = "" if common else f", {miss.unit}"
        rows.append(
            Row(
                name=w.name_of(miss.name) + unit,
                cells=tuple(cells),
                below=_miss_words(miss),
            )
        )
    heads = [common, "planned", "measured", "miss"]
    heads += ["rate part", "hours part"] if split else []
    return table(heads, rows)


def _used_table(misses: list[Miss]) -> str:
    """Set what was measured where nothing was planned."""
    rows = []
    for miss in misses:
        words = [x for x in _miss_words(miss).split("; ") if x != "not planned"]
        shown = printed_miss(miss)
        rows.append(
            Row(
                name=w.name_of(miss.name),
                cells=(shown.measured,),
                below="; ".join(words),
            )
        )
    return table(["", "measured, Ah"], rows)


def miss_section(data: ReportData) -> Section:
    """Lay planned beside measured, the largest miss first."""
    misses, planned = data.statement.misses, has_plan(data.statement)
    loads = [m for m in misses if m.kind != "source"]
    sources = [m for m in misses if m.kind == "source"]
    blocks: list[Block] = []
    if planned:
        blocks.append(
            para(
                "Rate part: it drew another current than planned. Hours part: it was "
                "on for another time. Planned + rate part + hours part = measured.",
                kind="small",
            )
        )
    if loads:
        blocks.append(_miss_table(loads, split=True) if planned else _used_table(loads))
    if sources and planned:
        blocks.append("<h3>Sun and drives: chances taken and not taken</h3>")
        blocks.append(_miss_table(sources, split=False))
    elif sources:
        blocks.append(f"<h3>What charged</h3>{_used_table(sources)}")
    if not misses:
        blocks.append(para("No load and no source was measured apart."))
    title = "Planned against measured" if planned else "What each one used"
    return Section(slug="misses", title=title, blocks=tuple(blocks))


def _line(name: str, planned: str | None, measured: str, word: str) -> Row:
    cells = (measured, word) if planned is None else (planned, measured, word)
    return Row(name=name, cells=cells)


def _amount_row(lead: str, amount: Amount, *, two: bool) -> Row:
    planned = "" if amount.charge_planned is None else w.number(amount.charge_planned)
    return _line(
        f"{lead} {w.name_of(amount.name)}",
        planned if two else None,
        w.number(amount.charge_measured),
        str(amount.word),
    )


def day_table(day: StatementDay, caption: str, *, two: bool) -> str:
    """Set one camp day as a ruled account with the sum below it."""
    blank = "" if two else None
    rows = [
        _line(
            "Brought forward",
            blank,
            w.number(day.brought_forward),
            str(day.carried_word),
        ),
        *(_amount_row("In", a, two=two) for a in day.sources),
        *(_amount_row("Out", a, two=two) for a in day.loads),
        _line("Out Not itemised", blank, w.number(day.not_itemised), "worked out"),
        _line(
            "Less charging loss",
            blank,
            w.number(day.charging_loss),
            str(day.charging_loss_word),
        ),
        _line(
            "Not accounted for",
            blank,
            w.number(day.not_accounted),
            f"limit {w.number(day.not_accounted_limit)}",
        ),
    ]
    carried = _line(
        "Carried forward",
        blank,
        w.number(day.carried_forward),
        str(day.carried_word),
    )
    rows.append(Row(name=carried.name, cells=carried.cells, kind="sum"))
    rows.append(
        _line(
            "of which your floor",
            blank,
            w.number(day.floor_charge),
            str(day.floor_word),
        )
    )
    hand = _line(
        "In hand",
        w.number(day.in_hand_planned) if two else None,
        w.number(day.in_hand),
        "",
    )
    rows.append(Row(name=hand.name, cells=hand.cells, kind="total"))
    heads = ["Ah", "planned", "measured", "word"] if two else ["Ah", "measured", "word"]
    return table(heads, rows, caption=caption, kind="words")


def _day_block(day: StatementDay, data: ReportData, caption: str, *, two: bool) -> str:
    parts = [day_table(day, caption, two=two)]
    summed = pencil_sum(day)
    if summed:
        parts.append(
            f'<p class="pencil">{figure_cell(summed).replace(" - ", " − ")}</p>'
        )
    parts.append(para(_day_words(day, data), kind="small"))
    return f'<div class="day">{"".join(parts)}</div>'


def _day_words(day: StatementDay, data: ReportData) -> str:
    texts = []
    if day.nights_in_hand is not None:
        text = f"Nights in hand {w.nights(day.nights_in_hand)}"
        if day.nights_planned is not None:
            text += f", planned at this point {w.nights(day.nights_planned)}"
        texts.append(text)
    if day.low_point is not None and w.known(day.low_point.spare):
        side = "above" if day.low_point.spare >= 0 else "below"
        texts.append(
            f"Low point {w.clock(day.low_point.time_utc, data.offset)}, "
            f"{w.number(abs(day.low_point.spare))} Ah {side} the floor"
        )
    if w.known(day.temp_air_mean):
        texts.append(f"Air {w.number(day.temp_air_mean, 0)} °C")
    if day.drive > 0:
        texts.append(f"Drove {w.hours(day.drive)}")
    if day.coverage < 0.995 and not day.notes:
        texts.append(f"Readings cover {w.share(day.coverage)}")
    if day.censored >= CENSORED_LEAST and not day.notes:
        texts.append(
            f"{w.hours(day.censored)} without power or record: no thrift, use could "
            "not show"
        )
    texts += [note.rstrip(".") for note in day.notes]
    return "".join(w.sentence(t) + " " for t in texts).strip()


def statement_section(data: ReportData) -> Section:
    """Set the account of the whole trip, then each camp day, dawn to dawn."""
    statement, two = data.statement, has_plan(data.statement)
    total = _day_block(statement.total, data, "The whole trip", two=two)
    days = "".join(
        _day_block(day, data, _caption(day, data), two=two) for day in statement.days
    )
    came = w.number(taken_out(statement.total))
    lead = para(
        f"Each camp day runs from dawn to dawn. {came} Ah went out in all. Every line "
        "is rounded to 0.1; what the rounding leaves rests in “not accounted for”, and "
        "the sum below each account can be checked with a pencil.",
        kind="small",
    )
    return Section(
        slug="statement",
        title="The statement",
        blocks=(lead, total, f'<div class="days">{days}</div>'),
    )


def _caption(day: StatementDay, data: ReportData) -> str:
    text = day_heading(day, data.statement.start_utc, data.offset)
    first, _, rest = text.partition(" ")
    return f"{first.capitalize()} {rest}"
