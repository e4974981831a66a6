"""Charts of detail: fridge use against the air, and channels with their spikes kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from bokeh.models import Range1d

from campledger.present import style
from campledger.present import wording as w
from campledger.present.figures import days_since, frame, time_axis
from campledger.present.report_html import Chart, Row, table
from campledger.present.report_soc import bands, floor_span

if TYPE_CHECKING:
    from campledger.model.estimates import FridgeModel
    from campledger.present.decimate import Trace
    from campledger.present.report_data import DayRange, FridgePoints, ReportData


def fridge_chart(data: ReportData, model: FridgeModel) -> Chart | None:
    """Draw a cooling load's days against the air, with the fitted line and interval."""
    points = next((p for p in data.fridges if p.name == model.name), None)
    if points is None or not len(points.charge):
        return None
    chart = frame(
        height=270,
        y_label=f"{w.name_of(model.name)}, Ah a camp day",
        described="fridge",
    )
    chart.xaxis.axis_label = "mean air of the camp day, °C"
    inside = points.inside if np.isfinite(points.inside) else 0.0
    least = min(float(points.temp_air.min()), model.difference_min + inside)
    most = max(float(points.temp_air.max()), model.difference_max + inside)
    pad = max(1.0, 0.08 * (most - least))
    air = np.linspace(least - pad, most + pad, 40)
    fits = [model.charge_a_day(float(a) - inside) for a in air]
    if all(np.isfinite(f.value) for f in fits):
        chart.varea(
            x=air,
            y1=[f.lo for f in fits],
            y2=[f.hi for f in fits],
            fill_color=style.BAND,
            fill_alpha=0.9,
        )
        chart.line(
            air, [f.value for f in fits], line_color=style.MEASURED, line_width=2
        )
    chart.scatter(
        points.temp_air,
        points.charge,
        size=9,
        fill_color=style.PAPER,
        line_color=style.INK,
        line_width=1.6,
    )
    top = max(float(points.charge.max()), max((f.hi for f in fits), default=0.0))
    chart.y_range = Range1d(
        start=0, end=1.1 * top if np.isfinite(top) and top > 0 else 1.0
    )
    chart.x_range = Range1d(start=float(air[0]), end=float(air[-1]))
    return Chart(
        model=chart,
        title=f"{w.name_of(model.name)} against the air",
        see=_fridge_sentence(model, points),
        key=style.key(
            [
                (style.mark("day"), "a camp day"),
                (style.mark("line"), "fitted line"),
                (style.mark("band"), "where 9 new days in 10 should fall"),
            ]
        ),
        figures=_fridge_table(data, model, points),
    )


def _fridge_sentence(model: FridgeModel, points: FridgePoints) -> str:
    name = w.name_of(model.name)
    low, high = float(points.temp_air.min()), float(points.temp_air.max())
    spread = 1.645 * float(np.sqrt(max(model.covariance[1, 1], 0.0)))
    days = w.plural(len(points.charge), "camp day")
    span = f"of {w.number(low, 0)} to {w.number(high, 0)} °C"
    if not np.isfinite(spread) or spread >= abs(model.slope):
        return (
            f"{name} used {w.about(float(points.charge.mean()))} Ah a day on the mean "
            f"of {days} {span}; too few or too alike to tell how it grows with heat."
        )
    return (
        f"Each degree of warmer air costs {name.lower()} "
        f"{w.number(model.slope, 2)} Ah a day, give or take {w.number(spread, 2)} "
        f"(learned over {w.plural(model.days, 'day')}; shown: {days} {span}); hotter "
        "days are beyond what was measured."
    )


def _fridge_table(data: ReportData, model: FridgeModel, points: FridgePoints) -> str:
    rows = []
    for at, index in enumerate(points.day):
        air = float(points.temp_air[at])
        fit = model.charge_a_day(air - points.inside)
        rows.append(
            Row(
                name=w.day_short(data.statement.days[index].dawn_utc, data.offset),
                cells=(
                    w.number(air),
                    w.number(float(points.charge[at])),
                    w.number(fit.value),
                    f"{w.number(fit.lo)} to {w.number(fit.hi)}",
                ),
            )
        )
    heads = ("Camp day", "air, °C", "used, Ah", "line, Ah", "9 in 10, Ah")
    return table(heads, rows)


DETAIL_WORDS = {
    "voltage_house_v": ("House battery volts", "volts", "V", 2),
    "current_house_a": ("House battery current", "amps, + into the battery", "A", 1),
}
"""Channels that get a chart: title, axis, unit, digits."""


def detail_chart(data: ReportData, trace: Trace) -> Chart | None:
    """Draw one channel over the whole trip; spikes shorter than a pixel stay."""
    if trace.name not in DETAIL_WORDS or not np.isfinite(trace.value).any():
        return None
    title, label, _, _ = DETAIL_WORDS[trace.name]
    statement = data.statement
    chart = frame(height=230, y_label=label, described=trace.name)
    origin = time_axis(
        chart, statement.start_utc, statement.end_utc, statement.utc_offset
    )
    low, high = float(np.nanmin(trace.value)), float(np.nanmax(trace.value))
    pad = max(0.05 * (high - low), 0.05)
    chart.y_range = Range1d(start=low - pad, end=high + pad)
    bands(
        chart,
        data.nights,
        origin,
        bottom=low - pad,
        top=high + pad,
        colour=style.SHADE,
    )
    chart.line(
        x=days_since(trace.time_utc, origin),
        y=trace.value,
        line_color=style.MEASURED,
        line_width=0.9,
    )
    entries = [(style.mark("line"), "least and most of each moment")]
    if data.nights:
        entries.append((style.mark("night"), "night"))
    if trace.name == "voltage_house_v" and low - pad < data.rig.house.voltage_cutoff:
        floor_span(chart, data.rig.house.voltage_cutoff)
        entries.append((style.mark("floor"), "disconnects here"))
    return Chart(
        model=chart,
        title=title,
        see=_detail_sentence(data, trace),
        key=style.key(entries),
        figures=_detail_table(data, data.ranges[trace.name]),
    )


def _detail_sentence(data: ReportData, trace: Trace) -> str:
    _, _, unit, digits = DETAIL_WORDS[trace.name]
    low, high = int(np.nanargmin(trace.value)), int(np.nanargmax(trace.value))

    def at(index: int) -> str:
        value = float(trace.value[index])
        size = w.number(abs(value) if unit == "A" else value, digits)
        return f"{size} {unit} on {w.day_clock(trace.time_utc[index], data.offset)}"

    if trace.name == "current_house_a":
        return f"The hardest draw was {at(low)}; the strongest charge {at(high)}."
    text = f"Least {at(low)}; most {at(high)}"
    house = data.rig.house
    if trace.name == "voltage_house_v":
        reached = float(trace.value[high]) >= house.voltage_absorption - 0.15
        word = " (assumed)" if "house.absorption_v" in data.rig.assumed else ""
        text += (
            f"; the absorption volts of {w.number(house.voltage_absorption)}{word} "
            f"{'were' if reached else 'were never'} reached"
        )
    return text + "."


def _detail_table(data: ReportData, spread: DayRange) -> str:
    _, _, unit, digits = DETAIL_WORDS[spread.name]
    rows = [
        Row(
            name=w.day_short(day.dawn_utc, data.offset),
            cells=(
                w.number(float(spread.low[i]), digits),
                w.number(float(spread.mean[i]), digits),
                w.number(float(spread.high[i]), digits),
            ),
        )
        for i, day in enumerate(data.statement.days)
    ]
    heads = ("Camp day", f"least, {unit}", f"mean, {unit}", f"most, {unit}")
    return table(heads, rows)
