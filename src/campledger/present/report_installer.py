"""The installer's part of the report: causes with the picture that proves each."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.finding import Verdict
from campledger.present import style
from campledger.present import wording as w
from campledger.present.figures import days_since, frame, time_axis
from campledger.present.report_html import (
    Block,
    Chart,
    Row,
    Section,
    bullets,
    esc,
    para,
    table,
)
from campledger.present.text_fitout import (
    NOT_A_CERTIFICATE,
    VERDICT_WORDS,
    digits_for,
    head_words,
    value_words,
)

if TYPE_CHECKING:
    from campledger.judge.finding import Finding, Fitout, Picture

PICTURES = 2
"""Most pictures, so that the page stays light."""
POINTS = 600
"""Most points of a picture."""


def _plain(text: str) -> str:
    """Keep letters that no formula reader could take for markup."""
    return "".join(c for c in text if c not in "$\\")


LABEL_LONG = 26
"""A longer axis label does not fit beside a chart; it stands above it."""


def _picture_sentence(picture: Picture, utc_offset: float) -> str:
    x, y = np.array(picture.x, dtype=float), np.array(picture.y, dtype=float)
    known = np.isfinite(x) & np.isfinite(y)
    x, y = x[known], y[known]
    if not len(y):
        return "Nothing to draw."
    digits = digits_for(float(np.abs(y).max()))
    low, high = w.number(float(y.min()), digits), w.number(float(y.max()), digits)
    if picture.kind == "series":
        at = w.day_clock(float(x[int(np.argmax(y))]), utc_offset)
        text = f"From {low} to {high}, the most on {at}"
    else:
        span = digits_for(float(np.abs(x).max()))
        left = w.number(float(x.min()), span)
        right = w.number(float(x.max()), span)
        text = f"{len(y)} points: {low} to {high} upwards, for {left} to {right} across"
    line = f"; the dashed line: {picture.line_label}" if picture.line_label else ""
    return w.sentence(text + line)


def picture_chart(picture: Picture, utc_offset: float) -> Chart | None:
    """Draw the evidence of a finding; None if there is none."""
    if not picture.x:
        return None
    label, entries = _plain(picture.y_label), []
    if len(label) > LABEL_LONG:
        entries.append(("", f"upwards: {label}"))
        label = label.rpartition(", ")[2] if ", " in label else ""
    chart = frame(height=240, y_label=label, described=picture.kind)
    x, y = np.array(picture.x, dtype=float), np.array(picture.y, dtype=float)
    line_x = np.array(picture.line_x, dtype=float)
    if picture.kind == "series":
        origin = time_axis(chart, float(np.nanmin(x)), float(np.nanmax(x)), utc_offset)
        x, line_x = days_since(x, origin), days_since(line_x, origin)
        chart.line(x, y, line_color=style.MEASURED, line_width=1.2)
    else:
        chart.xaxis.axis_label = _plain(picture.x_label)
        step = max(1, len(x) // POINTS)
        chart.scatter(
            x[::step],
            y[::step],
            size=6,
            fill_color=None,
            line_color=style.INK,
            line_alpha=0.7,
        )
    if len(line_x):
        chart.line(
            line_x,
            np.array(picture.line_y, dtype=float),
            line_color=style.PLANNED,
            line_width=2,
            line_dash=[7, 4],
        )
        if picture.line_label:
            entries.append((style.mark("floor"), picture.line_label))
    return Chart(
        model=chart,
        title=picture.title,
        see=_picture_sentence(picture, utc_offset),
        key=style.key(entries),
        figures=_picture_table(picture),
    )


def _picture_table(picture: Picture) -> str:
    y = np.array(picture.y, dtype=float)
    y = y[np.isfinite(y)]
    if not len(y):
        return ""
    cells = tuple(w.number(float(v), 2) for v in (y.min(), np.median(y), y.max()))
    row = Row(name=picture.y_label, cells=cells)
    heads = (f"{len(y)} points", "least", "middle", "most")
    return table(heads, [row])


def _cause_block(finding: Finding, utc_offset: float, *, drawn: bool) -> list[Block]:
    parts = [
        f"<h3>{esc(head_words(finding))}</h3>",
        para(w.sentence(finding.reads)),
        para(w.sentence(value_words(finding)), kind="small"),
    ]
    if finding.cause_of:
        parts.append(para(f"Explains {w.listed(finding.cause_of)}."))
    if finding.next:
        parts.append(para(f"Next: {w.sentence(finding.next)}"))
    if finding.care:
        parts.append(para(f"Care: {w.sentence(finding.care)}", kind="small"))
    blocks: list[Block] = ["".join(parts)]
    if drawn and finding.picture is not None:
        chart = picture_chart(finding.picture, utc_offset)
        if chart is not None:
            blocks.append(chart)
    return blocks


def installer_section(fitout: Fitout, utc_offset: float) -> Section:
    """
    Set the installer's findings: causes first, then a list of all verdicts.

    Parameters
    ----------
    fitout : Fitout
        Judged findings.
    utc_offset : float
        Rig time minus UTC. [s]

    Returns
    -------
    section : Section
        With at most two pictures.
    """
    roots = list(fitout.causes)
    roots += [
        f for f in fitout.findings if f.is_alarm and not f.cause and f not in roots
    ]
    blocks: list[Block] = [
        para(w.sentence(fitout.summary)),
        para(NOT_A_CERTIFICATE, kind="small"),
    ]
    pictured = [f.id for f in roots if f.picture is not None][:PICTURES]
    for finding in roots:
        blocks += _cause_block(finding, utc_offset, drawn=finding.id in pictured)
    blocks.append("<h3>All findings</h3>")
    blocks.append(_all_findings(fitout))
    if fitout.corrections:
        blocks.append("<h3>Corrections offered, not applied</h3>")
        blocks += [
            f"{para(w.sentence(c.reason))}<pre>{esc(c.text)}</pre>"
            for c in fitout.corrections
        ]
    if fitout.next_sensor is not None:
        blocks.append(para(w.sentence(fitout.next_sensor.text)))
    blocks.append(bullets([w.sentence(t) for t in fitout.aged]))
    return Section(slug="installer", title="For the installer", blocks=tuple(blocks))


def _all_findings(fitout: Fitout) -> str:
    rows = []
    for finding in fitout.findings:
        if finding.verdict is Verdict.NOT_FITTED:
            continue
        below = ""
        if finding.needs and finding.verdict is Verdict.CANNOT_TELL:
            below = f"needs {w.listed(finding.needs)}"
        elif finding.cause:
            below = f"explained by {finding.cause}"
        rows.append(
            Row(
                name=f"{finding.id} {finding.title}",
                cells=(VERDICT_WORDS[finding.verdict].lower(),),
                below=below,
            )
        )
    return table(("Finding", "verdict"), rows)
