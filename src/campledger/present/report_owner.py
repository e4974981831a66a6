"""The owner's part of the report: would more have helped, and the pictures of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.options import describe
from campledger.present import style
from campledger.present import wording as w
from campledger.present.figures import days_since, frame, time_axis
from campledger.present.report_html import (
    Block,
    Chart,
    Row,
    Section,
    bullets,
    para,
    table,
)
from campledger.present.text_options import hours_words, money_words, span_words

if TYPE_CHECKING:
    from campledger.judge.options import Options
    from campledger.judge.options.types import Grid, OptionResult, Outcome
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray

LEVELS = np.array([0.2, 0.4, 0.6, 0.8])
"""Contours of the low point, shares."""
SHOWN = (0, 6, 12, 19)
"""Rows and columns of the grid that the table below the contours repeats."""
HEADS = ("", "lowest Ah", "below floor h", "no power h", "kg")
ROUND = 100.0


def _percent(share: float) -> str:
    return f"{w.number(share * ROUND, 0)} %"


def _outcome_cells(outcome: Outcome, *, priced: bool) -> tuple[str, ...]:
    low, scale = outcome.soc_min, outcome.capacity
    mass = "--" if outcome.mass is None else f"{outcome.mass:+.0f}"
    cells = (
        f"{low.value * scale:.0f} ± {low.give_or_take * scale:.0f}"
        if np.isfinite(low.value)
        else span_words(low, scale, 0),
        hours_words(outcome.hours_below_floor),
        hours_words(outcome.hours_without_power),
        mass,
    )
    if not priced:
        return cells
    price = outcome.price_per_night
    return (*cells, "--" if price is None else money_words(price))


def _below(option: OptionResult) -> str:
    parts = []
    if option.over_limit > 0:
        parts.append(f"struck: over your weight limit by {option.over_limit:.0f} kg")
    if option.ranged:
        parts.append(f"{option.ranged}: a range only")
    elif not option.shows:
        parts.append("no difference that this trip can show")
    return "; ".join((*parts, *option.notes))


def options_table(options: Options, rig: Rig) -> str:
    """Set the trip as driven and every change; money only where prices were typed."""
    told = [(o, o.outcome) for o in options.options if o.outcome is not None]
    priced = any(x.price_per_night is not None for _, x in told)
    heads = (*HEADS, f"{rig.currency} a night".strip()) if priced else HEADS
    rows = [
        Row(
            name="As driven, measured",
            cells=_outcome_cells(options.baseline, priced=priced),
            kind="sum",
        )
    ]
    rows += [
        Row(
            name=describe(o.change, rig),
            cells=_outcome_cells(outcome, priced=priced),
            below=_below(o),
        )
        for o, outcome in told
    ]
    return table(heads, rows)


def grid_chart(grid: Grid, floor: float) -> Chart:
    """Draw the low point over battery and panel size, rig and floor marked."""
    chart = frame(height=300, y_label="Panel, W", described="lowest point")
    chart.xaxis.axis_label = "Battery, rated Ah"
    chart.contour(
        grid.capacities,
        grid.panels,
        grid.soc_min.T,
        levels=LEVELS,
        line_color=style.MEASURED,
        line_width=[1.0 + 2.0 * float(x) for x in LEVELS],
    )
    if grid.soc_min.min() < floor < grid.soc_min.max():
        chart.contour(
            grid.capacities,
            grid.panels,
            grid.soc_min.T,
            levels=[floor],
            line_color=style.INK,
            line_width=2,
            line_dash=[2, 4],
        )
    for level in LEVELS:
        _name_level(chart, grid, float(level))
    chart.scatter(
        [grid.capacity_now],
        [grid.panel_now],
        marker="square_x",
        size=13,
        fill_color=style.PAPER,
        line_color=style.INK,
        line_width=2,
    )
    least, most = float(grid.soc_min.min()), float(grid.soc_min.max())
    return Chart(
        model=chart,
        title="Lowest point by battery and panel",
        see=(
            f"From {_percent(least)} to {_percent(most)} of the battery's charge; the "
            f"crossed square is the rig of this trip, {grid.capacity_now:.0f} Ah and "
            f"{grid.panel_now:.0f} W. Dotted: your floor of {_percent(floor)}; sizes "
            "above it would have stayed out of it."
        ),
        figures=_grid_table(grid),
    )


def _name_level(chart: object, grid: Grid, level: float) -> None:
    """Write the per cent where its line leaves the picture to the right."""
    for k in range(len(grid.capacities) - 1, -1, -1):
        low = grid.soc_min[k]
        at = np.flatnonzero((low[:-1] < level) & (low[1:] >= level))
        if len(at):
            break
    else:
        return
    j = int(at[0])
    share = (level - low[j]) / max(low[j + 1] - low[j], 1e-9)
    y = grid.panels[j] + share * (grid.panels[j + 1] - grid.panels[j])
    chart.text(  # type: ignore[attr-defined]
        [float(grid.capacities[k])],
        [float(y)],
        text=[_percent(level)],
        text_color=style.INK,
        text_font_size="12px",
        text_align="right",
        text_baseline="middle",
        background_fill_color=style.PAPER,
        padding=2,
    )


def _grid_table(grid: Grid) -> str:
    heads = ("", *(f"{grid.capacities[i]:.0f} Ah" for i in SHOWN))
    rows = [
        Row(
            name=f"{grid.panels[j]:.0f} W",
            cells=tuple(_percent(float(grid.soc_min[i, j])) for i in SHOWN),
        )
        for j in SHOWN
    ]
    return table(heads, rows)


def path_chart(options: Options, rig: Rig, utc_offset: float) -> Chart | None:
    """Draw charge by hour for the chosen change against the trip."""
    path = options.path
    if path is None or not np.isfinite(path.driven).any():
        return None
    chart = frame(height=240, y_label="Charge, %", described="charge by hour")
    time: FloatArray = path.time_utc
    origin = time_axis(chart, float(time[0]), float(time[-1]), utc_offset)
    x = days_since(time, origin)
    chart.line(x, path.driven * ROUND, line_color=style.MEASURED, line_width=2)
    chart.line(
        x,
        path.changed * ROUND,
        line_color=style.PLANNED,
        line_width=2,
        line_dash=[7, 4],
    )
    floor = options.baseline.floor
    chart.line(
        [x[0], x[-1]],
        [floor * ROUND] * 2,
        line_color=style.INK,
        line_width=1.4,
        line_dash=[2, 4],
    )
    name = describe(path.change, rig)
    low, then = float(np.nanmin(path.driven)), float(np.nanmin(path.changed))
    return Chart(
        model=chart,
        title="Charge by hour",
        see=(
            f"The lowest point was {_percent(low)} as driven (solid) and would have "
            f"been about {_percent(then)} with {name} (dashed); your floor is "
            f"{_percent(floor)} (dotted)."
        ),
    )


def owner_section(options: Options, rig: Rig, utc_offset: float) -> Section:
    """
    Set the owner's answer: the verdict first, then pictures and the table.

    Parameters
    ----------
    options : Options
        The replayed trip.
    rig : Rig
        For words and currency.
    utc_offset : float
        Rig time minus UTC. [s]

    Returns
    -------
    section : Section
        With at most two pictures.
    """
    check = options.validation
    blocks: list[Block] = [para(options.verdict.text), para(options.verdict.tie)]
    path = path_chart(options, rig, utc_offset)
    if path is not None:
        blocks.append(path)
    if options.grid is not None:
        blocks.append(grid_chart(options.grid, options.baseline.floor))
    blocks.append(options_table(options, rig))
    refused = [
        f"{describe(o.change, rig)}: can't tell, {o.refused}."
        for o in options.options
        if o.refused
    ]
    blocks.append(bullets(refused))
    if np.isfinite(check.rmse_hourly):
        blocks.append(
            para(
                f"Replaying the unchanged rig: daily bias {check.bias_daily:+.1%} of "
                f"the charge out, hourly error {check.rmse_hourly:.0%} of the mean "
                f"hourly net charge, {check.rmse_held_out:.0%} on days held out.",
                kind="small",
            )
        )
    blocks += [para(note, kind="small") for note in options.notes]
    return Section(slug="owner", title="Would more have helped?", blocks=tuple(blocks))
