"""
The trip report: one HTML file that reads offline, on a phone and on paper.

The chart library is inside the file; a content policy in its head forbids any request.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bokeh.embed import components
from bokeh.embed.bundle import bundle_for_objs_and_resources
from bokeh.resources import INLINE

from campledger.present import style
from campledger.present.cautions import PAGE_LINE
from campledger.present.report_html import Chart, esc, para
from campledger.present.report_sections import all_sections, contents, head

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from bokeh.models import Model

    from campledger.present.report_data import ReportData
    from campledger.present.report_html import Section

POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
    "img-src data: blob:; font-src data:"
)
"""Nothing may be fetched, whatever a script wants."""

MOST_CHARTS = 12
"""More figures make a page slow to open (bokeh issue 6294)."""

SHARP = (
    "if(window.devicePixelRatio<2)"
    "Object.defineProperty(window,'devicePixelRatio',{get:()=>2});"
)
"""Charts are drawn finely enough for paper on any screen."""


def page(title: str, body: str, models: Sequence[Model], divs: str = "") -> str:
    """
    Put a body and its charts into one page that needs nothing else.

    Parameters
    ----------
    title : str
        Plain text.
    body : str
        HTML with a comment ``<!--chart:N-->`` where the N-th chart goes.
    models : sequence of Model
        The charts.
    divs : str, optional
        More HTML at the end.
    """
    named = {f"chart{i}": m for i, m in enumerate(models)}
    script, places = components(named) if named else ("", {})
    for i in range(len(named)):
        body = body.replace(f"<!--chart:{i}-->", places[f"chart{i}"])
    library = ""
    if named:
        bundle = bundle_for_objs_and_resources(list(models), INLINE)
        library = "".join(f"<script>{js}</script>\n" for js in bundle.js_raw)
    css = style.sheet().replace("@PAGE_LINE@", PAGE_LINE.replace('"', "'"))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light only">\n'
        '<link rel="icon" href="data:,">\n'
        f"<title>{esc(title)}</title>\n<style>\n{css}</style>\n</head>\n<body>\n"
        f"{body}{divs}\n<script>{SHARP}</script>\n{library}{script}\n"
        f"<script>{style.print_script()}</script>\n</body>\n</html>\n"
    )


def section_html(section: Section, models: list[Model]) -> str:
    """Set a section; its charts are appended to ``models``."""
    parts = "".join(
        chart_html(block, models) if isinstance(block, Chart) else block
        for block in section.blocks
    )
    slug, title = esc(section.slug), esc(section.title)
    return f'<section id="{slug}"><h2>{title}</h2>{parts}</section>\n'


def chart_html(chart: Chart, models: list[Model]) -> str:
    """
    Set a chart between its key and the sentence that says what to see.

    Once the page holds as many charts as a small phone can bear, the sentence and the
    figures stand alone.
    """
    title = f"<h3>{esc(chart.title)}</h3>" if chart.title else ""
    if len(models) >= MOST_CHARTS:
        return f"{title}{para(chart.see, kind='see')}{chart.figures}"
    models.append(chart.model)
    return (
        f'<div class="figure">{title}{chart.key}'
        f'<div class="chart" role="img" aria-label="{esc(chart.see)}">'
        f"<!--chart:{len(models) - 1}--></div>"
        f"{para(chart.see, kind='see')}</div>{chart.figures}"
    )


def report_html(data: ReportData) -> str:
    """Give the whole report as one page."""
    models: list[Model] = []
    sections = all_sections(data)
    body = head(data) + contents(sections)
    for section in sections:
        body += section_html(section, models)
    body += para(PAGE_LINE, kind="small foot")
    return page(f"{data.statement.trip_name} - trip report", body, models)


def write_report(out_path: Path, data: ReportData) -> int:
    """
    Write the report beside its final place and move it there whole.

    Parameters
    ----------
    out_path : Path
        The file; it is replaced.
    data : ReportData
        What it shows.

    Returns
    -------
    size : int
        Bytes written.
    """
    content = report_html(data).encode()
    beside = out_path.with_name(f".{out_path.name}.part")
    beside.write_bytes(content)
    beside.replace(out_path)
    return len(content)
