"""The parts of a trip report, in the order in which they stand."""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.present import wording as w
from campledger.present.cautions import cautions_for
from campledger.present.report_days import (
    bars_chart,
    clock_chart,
    load_days_chart,
)
from campledger.present.report_detail import detail_chart, fridge_chart
from campledger.present.report_html import (
    Block,
    Row,
    Section,
    bullets,
    esc,
    figure_cell,
    para,
    table,
)
from campledger.present.report_soc import anchor_table, low_chart, soc_chart
from campledger.present.report_words import assumptions, cannot_tell, gap_words
from campledger.present.text import (
    CENSORED_LEAST,
    day_heading,
    has_plan,
    pencil_sum,
    plan_heading,
    printed_miss,
    taken_out,
)

if TYPE_CHECKING:
    from campledger.judge.statement_types import Amount, Miss, StatementDay
    from campledger.present.report_data import ReportData, Stretch

CHARTED_FRIDGES = 2
"""Cooling loads that get a chart of their own, so that the page stays light."""


def head(data: ReportData) -> str:
    """Set the title, the dates, the verdict in a sentence and what stands below it."""
    statement, offset = data.statement, data.offset
    start = w.day_clock(statement.start_utc, offset)
    end = w.day_clock(statement.end_utc, offset)
    frozen = [w.sentence(plan_heading(statement.plan_status))]
    if data.revisions:
        dates = [w.day_clock(r.frozen_utc, offset) for r in data.revisions]
        frozen.append(
            f"{w.plural(len(dates), 'later revision')} ({w.listed(dates)}) "
            "did not replace it."
        )
    return (
        f"<h1>{esc(statement.trip_name)}</h1>"
        f'<p class="when">{esc(start)} to {esc(end)}, rig time '
        f"({esc(w.offset_name(offset))}). {esc(data.rig.name)}.</p>"
        f"{para(w.sentence(statement.verdict), kind='verdict')}"
        f"{para(' '.join(frozen))}{para(biggest_miss(data))}{_evening(data)}"
    )


def _evening(data: ReportData) -> str:
    if data.enough is None or not data.enough.reason:
        return ""
    when = w.day_clock(data.enough.as_of, data.offset)
    return para(f"As of {when}: {w.sentence(data.enough.reason)}")


def biggest_miss(data: ReportData) -> str:
    """Say in one sentence where the plan missed most."""
    loads = [m for m in data.statement.misses if m.kind != "source" and m.miss]
    if not loads:
        return ""
    top = loads[0]
    if top.cause == "as planned":
        return "Every load went about as planned."
    more = "more" if (top.miss or 0.0) > 0 else "less"
    size = w.about(abs(top.miss or 0.0))
    return (
        f"The plan missed most with {w.name_of(top.name).lower()}: {size} {top.unit} "
        f"{more} than planned ({top.cause})."
    )


def cannot_tell_section(data: ReportData) -> Section:
    """List what this record does not show."""
    lines = cannot_tell(data)
    block = bullets(lines) if lines else para("Nothing was missing for this report.")
    return Section(slug="missing", title="What could not be told", blocks=(block,))


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
    rows = []
    for miss in misses:
        shown = printed_miss(miss)
        cells = [shown.planned, shown.measured, shown.miss]
        if split:
            cells += [shown.rate_part, shown.hours_part]
        unit = "" if miss.unit == "Ah" else f", {miss.unit}"
        rows.append(
            Row(
                name=w.name_of(miss.name) + unit,
                cells=tuple(cells),
                below=_miss_words(miss),
            )
        )
    heads = ["Ah", "planned", "measured", "miss"]
    heads += ["rate part", "hours part"] if split else []
    return table(heads, rows)


def miss_section(data: ReportData) -> Section:
    """Lay planned beside measured, the largest miss first."""
    misses = data.statement.misses
    loads = [m for m in misses if m.kind != "source"]
    sources = [m for m in misses if m.kind == "source"]
    blocks: list[Block] = []
    if has_plan(data.statement):
        blocks.append(
            para(
                "Rate part: it drew another current than planned. Hours part: it was "
                "on for another time. Planned + rate part + hours part = measured.",
                kind="small",
            )
        )
    blocks.append(_miss_table(loads, split=True))
    if sources:
        blocks.append("<h3>Sun and drives: chances taken and not taken</h3>")
        blocks.append(_miss_table(sources, split=False))
    return Section(
        slug="misses", title="Planned against measured", blocks=tuple(blocks)
    )


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
        text = f"Nights in hand {day.nights_in_hand}"
        if day.nights_planned is not None:
            text += f", planned at this point {day.nights_planned}"
        texts.append(text)
    if day.low_point is not None:
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


def battery_section(data: ReportData) -> Section:
    """Show state of charge, low points and anchors."""
    battery, statement = data.estimates.battery, data.statement
    low = low_chart(data)
    blocks: list[Block] = [soc_chart(data)]
    if low is not None:
        blocks.append(low)
    blocks.append(
        para(
            f"Capacity now {w.give_or_take(statement.capacity, 'Ah')} "
            f"({statement.capacity.word}); resistance "
            f"{_milliohm(data)}. Counted by: {battery.rung}."
        )
    )
    blocks.append("<h3>Anchors, and what each changed</h3>")
    blocks.append(
        anchor_table(data)
        if battery.anchors
        else para("No full charge and no rest was seen: the count was never checked.")
    )
    return Section(slug="battery", title="The battery", blocks=tuple(blocks))


def _milliohm(data: ReportData) -> str:
    ohms = data.estimates.battery.resistance
    if not w.known(ohms.value):
        return f"can't tell{': ' + ohms.reason if ohms.reason else ''}"
    text = f"{w.number(1000 * ohms.value)} milliohm"
    if w.known(ohms.give_or_take):
        text += f", give or take {w.number(1000 * ohms.give_or_take)}"
    return f"{text} ({ohms.word})"


def flow_section(data: ReportData) -> Section:
    """Show sources and loads by camp day, and each load against its plan."""
    charts = (
        bars_chart(data, "in"),
        bars_chart(data, "out"),
        load_days_chart(data),
        clock_chart(data),
    )
    blocks = tuple(c for c in charts if c is not None)
    return Section(slug="flows", title="In and out", blocks=blocks)


def fridge_section(data: ReportData) -> Section | None:
    """Show cooling against the air; None if there is nothing to show."""
    found = [fridge_chart(data, m) for m in data.estimates.fridges[:CHARTED_FRIDGES]]
    blocks = tuple(c for c in found if c is not None)
    if not blocks:
        return None
    return Section(slug="fridge", title="Cold against heat", blocks=blocks)


def detail_section(data: ReportData) -> Section | None:
    """Show volts and amps with their spikes."""
    found = [detail_chart(data, trace) for trace in data.details]
    blocks = tuple(c for c in found if c is not None)
    if not blocks:
        return None
    return Section(slug="detail", title="Volts and amps in detail", blocks=blocks)


def _stretch_row(item: Stretch, below: str, data: ReportData) -> Row:
    return Row(
        name=w.day_clock(item.start_utc, data.offset),
        cells=(w.day_clock(item.end_utc, data.offset), w.hours(item.duration)),
        below=below,
    )


def gap_section(data: ReportData) -> Section:
    """List holes in the record and hours in which use could not show."""
    blocks: list[Block] = []
    if data.gaps:
        total = w.hours(sum(g.duration for g in data.gaps))
        blocks.append(para(f"{w.plural(len(data.gaps), 'gap')}, {total} in all."))
        cutoff = data.rig.house.voltage_cutoff
        rows = [
            _stretch_row(g, gap_words(g.volts_before, g.volts_after, cutoff), data)
            for g in data.gaps
        ]
        blocks.append(table(("From", "to", "length"), rows))
    else:
        blocks.append(para("The record has no hole of five minutes or more."))
    if data.censored:
        total = w.hours(sum(s.duration for s in data.censored))
        blocks.append("<h3>Hours in which use could not show</h3>")
        blocks.append(
            para(
                f"{total}: loads without power, or no record. What was not used then "
                "is not thrift; it would have been used."
            )
        )
        rows = [_stretch_row(s, "", data) for s in data.censored]
        blocks.append(table(("From", "to", "length"), rows))
    return Section(slug="gaps", title="Gaps", blocks=tuple(blocks))


def assumed_section(data: ReportData) -> Section:
    """List what was assumed, and the notes made on the way."""
    lines = assumptions(data)
    blocks: list[Block] = [
        bullets(lines) if lines else para("Nothing that decides an answer.")
    ]
    if data.notes:
        blocks.append("<h3>Notes made on the way</h3>")
        blocks.append(
            bullets(
                [f"{w.day_clock(t, data.offset)}: {text}" for t, text in data.notes]
            )
        )
    return Section(slug="assumed", title="What was assumed", blocks=tuple(blocks))


def caution_section(data: ReportData) -> Section:
    """Set the cautions that concern this rig."""
    texts = "".join(
        f"<p><b>{esc(c.title)}.</b> {esc(c.text)}</p>" for c in cautions_for(data.rig)
    )
    block = f'<div class="cautions">{texts}</div>'
    return Section(slug="cautions", title="Cautions", blocks=(block,))


def contents(sections: tuple[Section, ...]) -> str:
    """Set the links to the parts; left out on paper."""
    links = "".join(f'<a href="#{esc(s.slug)}">{esc(s.title)}</a> ' for s in sections)
    return f'<nav class="contents">{links}</nav>'


def all_sections(data: ReportData) -> tuple[Section, ...]:
    """Give every part of the report in order, those of other makers included."""
    parts = (
        cannot_tell_section(data),
        miss_section(data),
        statement_section(data),
        battery_section(data),
        flow_section(data),
        fridge_section(data),
        detail_section(data),
        assumed_section(data),
        gap_section(data),
        *data.sections,
        caution_section(data),
    )
    return tuple(p for p in parts if p is not None)
