"""Charts of the battery: state of charge over the trip, and the low point per dawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from bokeh.models import ColumnDataSource, Range1d
from bokeh.models.annotations import Span

from campledger.present import style
from campledger.present import wording as w
from campledger.present.figures import days_since, frame, place_axis, time_axis
from campledger.present.report_html import Chart, Row, table

if TYPE_CHECKING:
    from bokeh.plotting import figure

    from campledger.judge.statement_types import StatementDay
    from campledger.present.report_data import ReportData, Stretch

ANCHOR_WORDS = {
    "full": "full charge",
    "rest": "volts at rest",
    "cutoff": "cut off",
    "typed": "typed by you",
}


def floor_span(chart: figure, level: float) -> None:
    """Rule the owner's floor across a chart."""
    chart.add_layout(
        Span(
            location=level,
            dimension="width",
            line_color=style.INK,
            line_dash=[7, 4],
            line_width=1.4,
        )
    )


def bands(
    chart: figure,
    spans: tuple[Stretch, ...],
    origin: float,
    *,
    bottom: float,
    top: float,
    colour: str,
) -> None:
    """Shade stretches of time between two levels."""
    if not spans:
        return
    source = ColumnDataSource(
        {
            "left": days_since(np.array([s.start_utc for s in spans]), origin),
            "right": days_since(np.array([s.end_utc for s in spans]), origin),
        }
    )
    chart.quad(
        left="left",
        right="right",
        bottom=bottom,
        top=top,
        source=source,
        fill_color=colour,
        line_color=None,
        level="underlay",
    )


def soc_chart(data: ReportData) -> Chart:
    """Draw the state of charge with its band, floor, nights, drives and anchors."""
    statement = data.statement
    chart = frame(
        height=300,
        y_label="charge, % of the capacity now",
        described="state of charge",
    )
    origin = time_axis(
        chart, statement.start_utc, statement.end_utc, statement.utc_offset
    )
    chart.y_range = Range1d(start=-6, end=104)
    chart.yaxis.ticker = [0, 20, 40, 60, 80, 100]
    bands(chart, data.nights, origin, bottom=-6, top=104, colour=style.SHADE)
    chart.varea(
        x=days_since(data.soc_lo.time_utc, origin),
        y1=100 * data.soc_lo.value,
        y2=100 * data.soc_hi.value,
        fill_color=style.BAND,
        fill_alpha=0.9,
    )
    chart.line(
        x=days_since(data.soc.time_utc, origin),
        y=100 * data.soc.value,
        line_color=style.MEASURED,
        line_width=2,
    )
    bands(chart, data.drives, origin, bottom=-6, top=-2, colour=style.INK)
    floor_span(chart, 100 * data.rig.house.floor)
    anchors = data.estimates.battery.anchors
    if anchors:
        chart.scatter(
            x=days_since(np.array([a.time_utc for a in anchors]), origin),
            y=100 * np.clip(np.array([a.soc for a in anchors]), 0, 1),
            marker="triangle",
            size=9,
            fill_color=style.INK,
            line_color=style.PAPER,
        )
    return Chart(
        model=chart,
        title="State of charge",
        see=soc_sentence(data),
        key=_soc_key(data),
        figures=_soc_table(data),
    )


def _soc_key(data: ReportData) -> str:
    entries = [
        (style.mark("line"), "best estimate"),
        (style.mark("band"), "9 times in 10 it lies in here"),
        (style.mark("floor"), "your floor"),
    ]
    if data.nights:
        entries.append((style.mark("night"), "night"))
    if data.drives:
        entries.append((style.mark("drive"), "driving or engine charging"))
    if data.estimates.battery.anchors:
        entries.append((style.mark("anchor"), "anchor: the count was checked here"))
    return style.key(entries)


def soc_sentence(data: ReportData) -> str:
    """Say where the charge was least, how sure that is, and how often it was full."""
    statement, battery = data.statement, data.estimates.battery
    low = statement.total.low_point
    if low is None or not np.isfinite(battery.soc).any():
        return "The state of charge could not be told on this trip."
    offset = data.offset
    at = int(np.argmin(np.abs(battery.minute_utc - low.time_utc)))
    spread = 50.0 * (battery.soc_hi[at] - battery.soc_lo[at])
    text = (
        f"Lowest on {w.day_clock(low.time_utc, offset)}: {w.share(low.soc)}, give or "
        f"take {w.number(spread, 0)}"
    )
    if w.known(low.spare):
        side = "above" if low.spare >= 0 else "below"
        text += f", which is {w.about(abs(low.spare))} Ah {side} your floor"
    else:
        text += "; how many Ah that is cannot be told"
    fulls = [a for a in battery.anchors if a.kind == "full"]
    days = {w.day_short(a.time_utc, offset) for a in fulls}
    total = len(statement.days)
    text += (
        f"; a full charge was seen on {len(days)} of {w.plural(total, 'camp day')}."
        if days
        else "; no full charge was seen on the whole trip, so the band stays wide."
    )
    if statement.hours_below_floor > 0:
        below = w.hours(3600 * statement.hours_below_floor)
        text += f" It spent {below} below the floor."
    return text


def _soc_table(data: ReportData) -> str:
    battery, offset = data.estimates.battery, data.offset
    rows = []
    for day in data.statement.days:
        at = int(np.argmin(np.abs(battery.minute_utc - day.end_utc)))
        soc = battery.soc[at]
        spread = 0.5 * (battery.soc_hi[at] - battery.soc_lo[at])
        low = day.low_point
        rows.append(
            Row(
                name=w.day_short(day.dawn_utc, offset),
                cells=(
                    w.share(soc),
                    w.number(100 * spread, 0),
                    w.share(low.soc) if low else w.BLANK,
                    w.clock(low.time_utc, offset) if low else w.BLANK,
                    w.number(low.spare) if low else w.BLANK,
                ),
            )
        )
    heads = ("Camp day", "at its end", "± %", "lowest", "at", "above floor, Ah")
    return table(heads, rows)


def low_chart(data: ReportData) -> Chart | None:
    """Draw the low point of each camp day as a dot, the planned one as a diamond."""
    days = [
        d
        for d in data.statement.days
        if d.low_point is not None and w.known(d.low_point.spare)
    ]
    if not days:
        return None
    chart = frame(height=230, y_label="in hand at the low point, Ah", described="lows")
    place_axis(chart, [w.day_short(d.dawn_utc, data.offset) for d in days])
    x = np.arange(len(days), dtype=float)
    measured = np.array([d.low_point.spare for d in days if d.low_point])
    planned = [(i, d.low_point_planned) for i, d in enumerate(days)]
    chosen = [(i, p.spare) for i, p in planned if p is not None]
    if chosen:
        chart.scatter(
            x=[float(i) for i, _ in chosen],
            y=[s for _, s in chosen],
            marker="diamond",
            size=13,
            fill_color=style.PAPER,
            line_color=style.PLANNED,
            line_width=2,
        )
    chart.segment(x, 0, x, measured, line_color=style.FAINT, line_width=1)
    chart.scatter(x, measured, size=9, fill_color=style.MEASURED, line_color=None)
    floor_span(chart, 0.0)
    entries = [(style.mark("measured"), "measured")]
    if chosen:
        entries.append((style.mark("planned"), "planned"))
    entries.append((style.mark("floor"), "your floor"))
    return Chart(
        model=chart,
        title="The low point of each camp day",
        see=_low_sentence(days, data),
        key=style.key(entries),
        figures=_low_table(days, data),
    )


def _low_sentence(days: list[StatementDay], data: ReportData) -> str:
    below = [d for d in days if d.low_point is not None and d.low_point.spare < 0]
    count = w.plural(len(days), "camp day")
    if not below:
        who = f"Every one of {count}" if len(days) > 1 else "The one camp day"
        text = f"{who} kept its low point above the floor"
    else:
        names = w.listed([w.day_short(d.dawn_utc, data.offset) for d in below[:4]])
        more = " and others" if len(below) > 4 else ""
        text = f"{len(below)} of {count} went below the floor ({names}{more})"
    off = [
        d.low_point.spare - d.low_point_planned.spare
        for d in days
        if d.low_point is not None and d.low_point_planned is not None
    ]
    if not off:
        return text + "."
    mean = float(np.mean(off))
    side = "lower" if mean < 0 else "higher"
    return f"{text}; on the mean it lay {w.about(abs(mean))} Ah {side} than planned."


def _low_table(days: list[StatementDay], data: ReportData) -> str:
    rows = [
        Row(
            name=w.day_short(d.dawn_utc, data.offset),
            cells=(
                w.number(d.low_point_planned.spare) if d.low_point_planned else "--",
                w.number(d.low_point.spare) if d.low_point else "--",
                w.nights(d.nights_in_hand) if d.nights_in_hand is not None else "--",
            ),
        )
        for d in days
    ]
    heads = ("Camp day", "planned, Ah", "measured, Ah", "nights in hand at its end")
    return table(heads, rows)


def anchor_table(data: ReportData) -> str:
    """List the anchors and what each changed."""
    rows = [
        Row(
            name=w.day_clock(a.time_utc, data.offset),
            cells=(
                w.share(a.soc),
                w.number(100 * a.soc_std, 1),
                w.signed(100 * a.change, 1),
            ),
            below=": ".join(t for t in (ANCHOR_WORDS.get(a.kind, a.kind), a.text) if t),
        )
        for a in data.estimates.battery.anchors
    ]
    heads = ("When", "it said", "± 1 sigma, %", "moved the count, %")
    return table(heads, rows)
