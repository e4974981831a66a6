"""Charts per camp day: what came in and went out, and each load against its plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from bokeh.models import FixedTicker, Range1d

from campledger.present import style
from campledger.present import wording as w
from campledger.present.figures import frame, place_axis
from campledger.present.report_html import Chart, Row, table
from campledger.present.text import add_up

if TYPE_CHECKING:
    from collections.abc import Sequence

    from campledger.judge.statement_types import Amount, StatementDay
    from campledger.model.series import FloatArray
    from campledger.model.words import Word
    from campledger.present.report_data import ReportData

WHOLE_CLOCK = 20
"""Hours of the clock that a trip must have seen before they are drawn."""
PIECES = 7
"""Most lines that a stacked bar keeps apart; the rest are drawn together."""


@dataclass(frozen=True, kw_only=True)
class Stack:
    """One line of a stacked bar: (days,) A.h, NaN where missing."""

    name: str
    values: FloatArray
    fill: style.Fill


def _lines(day: StatementDay, side: str) -> tuple[Amount, ...]:
    return day.sources if side == "in" else day.loads


def _values(days: Sequence[StatementDay], side: str, name: str) -> FloatArray:
    out = np.full(len(days), np.nan)
    for i, day in enumerate(days):
        for amount in _lines(day, side):
            if amount.name == name and amount.charge_measured is not None:
                out[i] = amount.charge_measured
    return out


def _stacks(data: ReportData, side: str) -> list[Stack]:
    days = data.statement.days
    names = [a.name for a in _lines(data.statement.total, side)]
    found = [(n, _values(days, side, n)) for n in names]
    found = [(n, v) for n, v in found if np.isfinite(v).any()]
    found.sort(key=lambda item: -float(np.nansum(np.abs(item[1]))))
    kept, rest = found[:PIECES], found[PIECES:]
    stacks = [
        Stack(name=w.name_of(n), values=v, fill=style.fill(i))
        for i, (n, v) in enumerate(kept)
    ]
    if rest:
        together = np.nansum([v for _, v in rest], axis=0)
        stacks.append(
            Stack(name=f"{len(rest)} smaller ones", values=together, fill=style.fill(7))
        )
    if side == "out":
        left = np.array(
            [np.nan if d.not_itemised is None else d.not_itemised for d in days]
        )
        if np.isfinite(left).any():
            stacks.append(Stack(name="Not itemised", values=left, fill=style.OPEN))
    return stacks


def _planned(days: Sequence[StatementDay], side: str) -> list[tuple[int, float]]:
    found = []
    for i, day in enumerate(days):
        parts = [a.charge_planned for a in _lines(day, side)]
        if any(p is not None for p in parts):
            found.append((i, add_up(parts)))
    return found


def bars_chart(data: ReportData, side: str) -> Chart | None:
    """Draw what came in or went out on each camp day, stacked, and the plan's total."""
    days, stacks = data.statement.days, _stacks(data, side)
    if not stacks:
        return None
    words = "in" if side == "in" else "out"
    chart = frame(height=270, y_label=f"{words}, Ah a camp day", described=words)
    place_axis(chart, [w.day_short(d.dawn_utc, data.offset) for d in days])
    x = np.arange(len(days), dtype=float)
    above, below = np.zeros(len(days)), np.zeros(len(days))
    for stack in stacks:
        value = np.nan_to_num(stack.values)
        base = np.where(value >= 0, above, below)
        chart.vbar(
            x=x,
            width=0.66,
            bottom=base,
            top=base + value,
            fill_color=stack.fill.ground,
            line_color=style.INK,
            line_width=0.8,
            hatch_pattern=stack.fill.hatch or None,
            hatch_color=stack.fill.ink,
            hatch_scale=7,
            hatch_weight=1.1,
        )
        above = np.where(value >= 0, base + value, above)
        below = np.where(value < 0, base + value, below)
    planned = _planned(days, side)
    if planned:
        chart.segment(
            x0=[i - 0.42 for i, _ in planned],
            x1=[i + 0.42 for i, _ in planned],
            y0=[p for _, p in planned],
            y1=[p for _, p in planned],
            line_color=style.PLANNED,
            line_width=3.5,
        )
    top = max(float(above.max()), max((p for _, p in planned), default=0.0), 0.1)
    chart.y_range = Range1d(start=min(0.0, 1.08 * float(below.min())), end=1.08 * top)
    entries = [(style.swatch(s.fill), s.name) for s in stacks]
    if planned:
        entries.append((style.mark("tick"), "planned, in all"))
    return Chart(
        model=chart,
        title="What came in" if side == "in" else "What went out",
        see=_bars_sentence(data, side, stacks, planned),
        key=style.key(entries),
        figures=_bars_table(data, side, stacks, planned),
    )


def _biggest(stacks: list[Stack]) -> str:
    totals = [(float(np.nansum(s.values)), s.name) for s in stacks]
    whole = sum(t for t, _ in totals)
    if whole <= 0:
        return ""
    size, name = max(totals)
    return f"{name} makes up {w.share(size / whole)} of it"


def _bars_sentence(
    data: ReportData,
    side: str,
    stacks: list[Stack],
    planned: list[tuple[int, float]],
) -> str:
    days = data.statement.days
    sums = np.nansum([s.values for s in stacks], axis=0)
    whole = [i for i, d in enumerate(days) if d.whole] or list(range(len(days)))
    verb = "came" if side == "in" else "went"
    most = max(whole, key=lambda i: float(sums[i]))
    least = min(whole, key=lambda i: float(sums[i]))
    text = f"In all {w.about(float(sums.sum()))} Ah {verb} {side}"
    biggest = _biggest(stacks)
    text += f"; {biggest}" if biggest and len(stacks) > 1 else ""
    if most != least:
        text += (
            f"; the most was {w.about(float(sums[most]))} Ah on "
            f"{w.day_short(days[most].dawn_utc, data.offset)}, the least "
            f"{w.about(float(sums[least]))} on "
            f"{w.day_short(days[least].dawn_utc, data.offset)}"
        )
    if planned:
        want = sum(p for _, p in planned)
        off = float(sums.sum()) - want
        more = "more" if off >= 0 else "less"
        text += f". That is {w.about(abs(off))} Ah {more} than planned"
    return text + "."


def _bars_table(
    data: ReportData,
    side: str,
    stacks: list[Stack],
    planned: list[tuple[int, float]],
) -> str:
    days, wanted = data.statement.days, dict(planned)
    rows = []
    for i, day in enumerate(days):
        parts = ", ".join(
            f"{s.name} {w.number(s.values[i])}" for s in stacks if s.values[i] != 0
        )
        measured = add_up(float(s.values[i]) for s in stacks)
        extra = _possible_words(data, i) if side == "in" else ""
        rows.append(
            Row(
                name=w.day_short(day.dawn_utc, data.offset),
                cells=(w.number(wanted.get(i)), w.number(measured)),
                below=parts + extra,
            )
        )
    return table(("Camp day", "planned, Ah", "measured, Ah"), rows)


def _possible_words(data: ReportData, index: int) -> str:
    texts = []
    for name, values in data.possible.items():
        if np.isfinite(values[index]):
            texts.append(
                f"{w.name_of(name).lower()} could have given about "
                f"{w.number(float(values[index]), 0)} Wh"
            )
    return "; " + ", ".join(texts) if texts else ""


@dataclass(frozen=True, kw_only=True)
class LoadDays:
    """One load's camp days: whole days only, A.h a day."""

    name: str
    planned: float | None
    measured: FloatArray
    word: Word

    @property
    def mean(self) -> float:
        """Mean of the whole days, NaN if there is none."""
        return float(np.mean(self.measured)) if len(self.measured) else float("nan")


def load_days(data: ReportData) -> list[LoadDays]:
    """Gather each load's planned and measured whole days, the largest first."""
    days = [d for d in data.statement.days if d.whole] or list(data.statement.days)
    found = []
    for line in data.statement.total.loads:
        amounts = [a for d in days for a in d.loads if a.name == line.name]
        planned = [a.charge_planned for a in amounts if a.charge_planned is not None]
        measured = [a.charge_measured for a in amounts if a.charge_measured is not None]
        found.append(
            LoadDays(
                name=line.name,
                planned=float(np.mean(planned)) if planned else None,
                measured=np.array(measured, dtype=float),
                word=line.word,
            )
        )
    found.sort(key=lambda x: -max(np.nan_to_num(x.mean), x.planned or 0.0))
    return found


def load_days_chart(data: ReportData) -> Chart | None:
    """Draw each load's planned day beside its measured days."""
    loads = [x for x in load_days(data) if len(x.measured) or x.planned is not None]
    if not loads:
        return None
    chart = frame(height=70 + 34 * len(loads), y_label="", described="load days")
    y = {x.name: float(len(loads) - 1 - i) for i, x in enumerate(loads)}
    chart.y_range = Range1d(start=-0.6, end=len(loads) - 0.4)
    axis = chart.yaxis[0]
    axis.ticker = FixedTicker(ticks=list(y.values()))
    axis.major_label_overrides = {v: w.name_of(n) for n, v in y.items()}
    chart.xaxis.axis_label = "Ah a whole camp day"
    most = max(
        max(x.planned or 0.0, float(x.measured.max()) if len(x.measured) else 0.0)
        for x in loads
    )
    chart.x_range = Range1d(start=0, end=1.06 * max(most, 0.1))
    dots = [(v, y[x.name]) for x in loads for v in x.measured]
    if dots:
        chart.scatter(
            x=[float(d[0]) for d in dots],
            y=[d[1] for d in dots],
            size=6,
            fill_color=None,
            line_color=style.INK,
            line_alpha=0.65,
        )
    known = [x for x in loads if len(x.measured)]
    chart.scatter(
        x=[x.mean for x in known],
        y=[y[x.name] for x in known],
        size=10,
        fill_color=style.MEASURED,
        line_color=style.PAPER,
    )
    planned = [x for x in loads if x.planned is not None]
    if planned:
        chart.scatter(
            x=[float(x.planned or 0.0) for x in planned],
            y=[y[x.name] + 0.26 for x in planned],
            marker="diamond",
            size=12,
            fill_color=style.PAPER,
            line_color=style.PLANNED,
            line_width=2,
        )
    entries = [
        (style.mark("measured"), "measured, mean"),
        (style.mark("day"), "each camp day"),
    ]
    if planned:
        entries.append((style.mark("planned"), "planned"))
    return Chart(
        model=chart,
        title="Each load, a planned and a measured day",
        see=_load_sentence(loads),
        key=style.key(entries),
        figures=_load_table(loads, data),
    )


def _load_sentence(loads: list[LoadDays]) -> str:
    both = [x for x in loads if x.planned is not None and len(x.measured)]
    if not both:
        known = [x for x in loads if len(x.measured)]
        if not known:
            return "No load was measured on this trip."
        top = max(known, key=lambda x: x.mean)
        return (
            f"{w.name_of(top.name)} takes the most, {w.about(top.mean)} Ah a day; "
            "nothing was planned to compare it with."
        )
    worst = max(both, key=lambda x: abs(x.mean - (x.planned or 0.0)))
    off = worst.mean - (worst.planned or 0.0)
    more = "more" if off >= 0 else "less"
    text = (
        f"{w.name_of(worst.name)} is furthest from its plan: "
        f"{w.about(worst.mean)} Ah a day against {w.about(worst.planned)}, "
        f"{w.about(abs(off))} {more}"
    )
    near = [
        x for x in both if abs(x.mean - (x.planned or 0)) <= 0.05 * (x.planned or 0)
    ]
    if near:
        names = w.listed([w.name_of(x.name) for x in near])
        text += f"; {names} went as planned"
    return text + "."


def _load_table(loads: list[LoadDays], data: ReportData) -> str:
    rows = []
    for x in loads:
        some = len(x.measured) > 0
        hours = data.on_hours.get(x.name)
        known = hours[np.isfinite(hours)] if hours is not None else np.zeros(0)
        words = [str(x.word)]
        if len(known):
            words.append(f"on {w.number(float(known.mean()))} h a day")
        use = data.estimates.load(x.name)
        if use is not None and np.isfinite(use.current_running):
            words.append(
                f"counted as on above {w.number(use.current_running / 2, 2)} A"
            )
        if use is not None and len(use.group) > 1:
            names = w.listed([w.name_of(n) for n in use.group])
            words.append(f"{names} cannot be told apart")
        rows.append(
            Row(
                name=w.name_of(x.name),
                cells=(
                    w.number(x.planned),
                    w.number(float(x.measured.min())) if some else w.BLANK,
                    w.number(x.mean),
                    w.number(float(x.measured.max())) if some else w.BLANK,
                ),
                below=", ".join(words),
            )
        )
    heads = ("Ah a day", "planned", "least", "mean", "most")
    return table(heads, rows)


def clock_chart(data: ReportData) -> Chart | None:
    """Draw what the loads draw by the hour of the rig's clock."""
    totals = {n: float(np.nansum(v)) for n, v in data.clock_hours.items()}
    names = sorted((n for n, t in totals.items() if t > 0), key=lambda n: -totals[n])
    seen = [np.isfinite(v).sum() for v in data.clock_hours.values()]
    if not names or max(seen) < WHOLE_CLOCK:
        return None
    chart = frame(height=230, y_label="watts, mean of the hour", described="hours")
    chart.x_range = Range1d(start=0, end=24)
    ticks = [0, 6, 12, 18]
    chart.xaxis.ticker = FixedTicker(ticks=ticks)
    chart.xaxis.major_label_overrides = {t: w.clock(3600 * t, 0) for t in ticks}
    kept, base, hours = names[:PIECES], np.zeros(24), np.arange(24.0)
    entries = []
    groups = [
        (w.name_of(n), data.clock_hours[n], style.fill(i)) for i, n in enumerate(kept)
    ]
    if names[PIECES:]:
        rest = np.nansum([data.clock_hours[n] for n in names[PIECES:]], axis=0)
        groups.append((f"{len(names) - PIECES} smaller ones", rest, style.fill(7)))
    for name, values, fill in groups:
        top = base + np.nan_to_num(values)
        chart.quad(
            left=hours,
            right=hours + 1,
            bottom=base,
            top=top,
            fill_color=fill.ground,
            line_color=style.INK,
            line_width=0.6,
            hatch_pattern=fill.hatch or None,
            hatch_color=fill.ink,
            hatch_scale=7,
            hatch_weight=1.1,
        )
        entries.append((style.swatch(fill), name))
        base = top
    chart.y_range = Range1d(start=0, end=1.08 * max(0.1, float(base.max())))
    most = int(np.argmax(base))
    night = float(np.mean(base[[23, 0, 1, 2, 3, 4]]))
    see = (
        f"The loads draw most around {w.clock(most * 3600, 0)} "
        f"({w.number(float(base[most]), 0)} W) and {w.number(night, 0)} W through the "
        f"night; {w.number(float(base.mean()), 0)} W on the mean."
    )
    return Chart(
        model=chart,
        title="When they draw",
        see=see,
        key=style.key(entries),
        figures=_clock_table(groups),
    )


def _clock_table(groups: list[tuple[str, FloatArray, style.Fill]]) -> str:
    parts = [(0, 6), (6, 12), (12, 18), (18, 24)]
    rows = [
        Row(
            name=name,
            cells=tuple(
                w.number(float(np.mean(np.nan_to_num(values[a:b])))) for a, b in parts
            ),
        )
        for name, values, _ in groups
    ]
    heads = ("Mean watts", "0-6 h", "6-12 h", "12-18 h", "18-24 h")
    return table(heads, rows)
