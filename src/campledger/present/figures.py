"""
A bare frame for charts: ruled like a ledger, no tools, days along the foot.

A chart has no toolbar and no active tool: a thumb that scrolls the page passes over it.
Nothing a person typed is ever drawn inside a chart, so that no text can be taken for a
formula and no request can leave the page.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from bokeh.models import FixedTicker, InlineStyleSheet, Range1d
from bokeh.plotting import figure

from campledger.present import style
from campledger.present import wording as w

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bokeh.models import BaseText

    from campledger.model.series import FloatArray

DAY = 86400.0
LABELS = 6
"""Most date labels that stand side by side at 390 px."""


def days_since(time_utc: FloatArray | float, origin: float) -> FloatArray:
    """Give days since a local midnight, the x of all time charts."""
    return (np.asarray(time_utc, dtype=np.float64) - origin) / DAY


def local_midnight(time_utc: float, utc_offset: float) -> float:
    """Give the midnight in rig time at or before a moment."""
    return float(np.floor((time_utc + utc_offset) / DAY)) * DAY - utc_offset


def frame(*, height: int, y_label: str, described: str) -> figure:
    """
    Make an empty chart: ruled like a ledger, no tools, as wide as the column.

    Parameters
    ----------
    height : int
        In CSS pixels.
    y_label : str
        Quantity and unit.
    described : str
        What a screen reader says of it.
    """
    chart = figure(
        height=height,
        sizing_mode="stretch_width",
        toolbar_location=None,
        tools="",
        background_fill_color=style.PAPER,
        border_fill_color=style.PAPER,
        outline_line_color=None,
        min_border_left=2,
        min_border_right=8,
        min_border_top=6,
        min_border_bottom=2,
        match_aspect=False,
        name=described,
        stylesheets=[InlineStyleSheet(css=".bk-events{touch-action:auto !important}")],
    )
    chart.yaxis.axis_label = y_label
    for axis in (*chart.xaxis, *chart.yaxis):
        axis.axis_label_text_font = style.FACE
        axis.axis_label_text_font_size = style.SIZE
        axis.axis_label_text_font_style = "normal"
        axis.axis_label_text_color = style.INK
        axis.axis_label_standoff = 4
        axis.major_label_text_font = style.FACE
        axis.major_label_text_font_size = style.SIZE
        axis.major_label_text_color = style.INK
        axis.axis_line_color = style.INK
        axis.major_tick_line_color = style.INK
        axis.major_tick_in = 0
        axis.minor_tick_line_color = None
    chart.xgrid.grid_line_color = None
    chart.ygrid.grid_line_color = style.HAIR
    chart.yaxis.axis_line_color = None
    chart.yaxis.major_tick_line_color = None
    return chart


def time_axis(chart: figure, start: float, end: float, utc_offset: float) -> float:
    """
    Lay days along the foot, a tick at each midnight in rig time.

    Returns
    -------
    origin : float
        The midnight that is x = 0. [s]
    """
    origin = local_midnight(start, utc_offset)
    a, b = float(days_since(start, origin)), float(days_since(end, origin))
    chart.x_range = Range1d(start=a, end=max(b, a + 1e-3))
    if b - a < 1.5:
        _hour_ticks(chart, a, b)
        return origin
    days = np.arange(np.ceil(a), np.floor(b) + 1)
    step = max(1, int(np.ceil(len(days) / LABELS)))
    labels = {
        float(d): w.day_short(origin + float(d) * DAY, utc_offset) for d in days[::step]
    }
    _label(chart, labels)
    chart.xgrid.ticker = FixedTicker(ticks=[float(d) for d in days])
    chart.xgrid.grid_line_color = style.HAIR
    return origin


def _hour_ticks(chart: figure, a: float, b: float) -> None:
    hours = np.arange(np.ceil(a * 8), np.floor(b * 8) + 1) / 8.0
    step = max(1, int(np.ceil(len(hours) / LABELS)))
    labels = {
        float(h): w.clock(round(float(h) * DAY) % DAY, 0.0) for h in hours[::step]
    }
    _label(chart, labels)


def _label(chart: figure, labels: dict[float, str]) -> None:
    axis = chart.xaxis[0]
    axis.ticker = FixedTicker(ticks=list(labels))
    overrides: dict[float | str, str | BaseText] = dict(labels.items())
    axis.major_label_overrides = overrides


def place_axis(chart: figure, names: Sequence[str]) -> None:
    """Lay names along the foot at 0, 1, 2 ...; as many as fit."""
    count = len(names)
    chart.x_range = Range1d(start=-0.6, end=count - 0.4)
    step = max(1, int(np.ceil(count / LABELS)))
    _label(chart, {float(i): names[i] for i in range(0, count, step)})
