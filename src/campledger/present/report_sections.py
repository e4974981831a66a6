"""The parts of a trip report, in the order in which they stand."""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.judge.enough_words import verdict_words
from campledger.present import wording as w
from campledger.present.battery_age import ageing_lines
from campledger.present.cautions import cautions_for
from campledger.present.report_account import miss_section, statement_section
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
    para,
    table,
)
from campledger.present.report_soc import anchor_table, low_chart, soc_chart
from campledger.present.report_words import assumptions, cannot_tell, counted, gap_words
from campledger.present.text import plan_heading
from campledger.present.text_enough import until_words

if TYPE_CHECKING:
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
    """Say what the next days would have needed, asked at the end of the record."""
    answer = data.enough
    if answer is None:
        return ""
    when = w.day_clock(answer.as_of, data.offset)
    return para(
        f"Asked at the end of the record ({when}): {verdict_words(answer)} "
        f"{until_words(answer)}"
    )


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
    if statement.ageing is not None:
        blocks += [para(t) for t in ageing_lines(statement.ageing, data.offset)]
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
    how = counted(data)
    if how:
        blocks.append("<h3>How it was counted</h3>")
        blocks.append(bullets(how))
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
