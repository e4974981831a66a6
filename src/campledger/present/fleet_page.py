"""Many rigs on one page: who comes back hungry, what ages, who is unlike the rest."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from bokeh.models import ColumnDataSource, Range1d

from campledger.judge.fleet import FIGURES, ageing_of
from campledger.present import figures, style
from campledger.present import wording as w
from campledger.present.cautions import PAGE_LINE
from campledger.present.report import page, section_html
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

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from bokeh.models import Model
    from bokeh.plotting import figure

    from campledger.judge.fleet import Ageing, Difference, Fleet, RigAccount
    from campledger.model.estimates import Estimate

BAR = 0.7
HEIGHT = 230
DIGITS = {"resistance": 1, "capacity_share": 0, "volts_min": 2}
KINDS = {
    "store": "store",
    "archive": "archive",
    "parquet": "export",
    "server": "pushed minutes",
}


def fleet_html(fleet: Fleet) -> str:
    """Give the whole page."""
    models: list[Model] = []
    parts = [_hungry(fleet), _energy(fleet), _unlike(fleet), _ageing(fleet)]
    parts += [_findings(fleet), _accounts(fleet), _missing(fleet)]
    sections = [p for p in parts if p is not None]
    body = f"<h1>Fleet</h1>{_when(fleet)}{para(verdict(fleet), kind='verdict')}"
    body += "".join(para(n) for n in fleet.notes)
    for section in sections:
        body += section_html(section, models)
    body += para(PAGE_LINE, kind="small foot")
    return page("Fleet", body, models)


def write_fleet(out_path: Path, fleet: Fleet) -> int:
    """Write the page beside its final place and move it there whole; gives its size."""
    content = fleet_html(fleet).encode()
    beside = out_path.with_name(f".{out_path.name}.part")
    beside.write_bytes(content)
    beside.replace(out_path)
    return len(content)


def verdict(fleet: Fleet) -> str:
    """Say in a sentence which rig comes back hungry."""
    if not fleet.known:
        return (
            "Can't tell which rig comes back hungriest, because no state of charge is "
            "in what was given; below they stand by the net charge of their trip."
        )
    top = fleet.rigs[0]
    text = f"{top.name} comes back hungriest: {_share(top.soc_end)} left"
    if math.isfinite(top.wanting):
        text += f", {w.number(top.wanting, 0)} Ah to put back"
    low = [
        r
        for r in fleet.rigs[: fleet.known]
        if math.isfinite(r.floor) and r.soc_end.value < r.floor
    ]
    rest = fleet.known - len(low)
    if low:
        return f"{text}. {len(low)} below the floor on return, {rest} not."
    return f"{text}. None known to be below its floor on return."


def _when(fleet: Fleet) -> str:
    start = min(r.start_utc for r in fleet.rigs)
    end = max(r.end_utc for r in fleet.rigs)
    span = f"{_date(start)} to {_date(end)} (dates UTC)"
    return f'<p class="when">{w.plural(len(fleet.rigs), "rig")}, {esc(span)}.</p>'


def _date(time_utc: float) -> str:
    return w.iso(time_utc, 0.0)[:10]


def _share(value: Estimate) -> str:
    if not math.isfinite(value.value):
        return w.BLANK
    text = w.share(value.value)
    if math.isfinite(value.give_or_take):
        text += f" give or take {100 * value.give_or_take:.0f}"
    return text


def _hungry(fleet: Fleet) -> Section:
    heads = ("", "left", "to put back, Ah", "lowest", "below floor, h")
    rows = [_hungry_row(i, rig) for i, rig in enumerate(fleet.rigs, 1)]
    blocks: list[Block] = []
    if fleet.known:
        blocks.append(_left_chart(fleet))
    blocks.append(table(heads, rows))
    if 0 < fleet.known < len(fleet.rigs):
        blocks.append(
            para(
                f"From number {fleet.known + 1} on no state of charge is known; those "
                "stand by net charge and may be hungrier than the ones above."
            )
        )
    return Section(slug="hungry", title="Which comes back hungry", blocks=tuple(blocks))


def _hungry_row(number: int, rig: RigAccount) -> Row:
    net = rig.into - rig.out
    days = f"{rig.days:.0f} days from {_date(rig.start_utc)}"
    words = [f"{KINDS.get(rig.kind, rig.kind)}, {days}"]
    if math.isfinite(rig.covered):
        words.append(f"{w.share(min(rig.covered, 1.0))} of the time recorded")
    if math.isfinite(net):
        words.append(f"net {w.signed(net, 0)} Ah")
    return Row(
        name=f"{number}. {rig.name}",
        cells=(
            _share(rig.soc_end).replace(" give or take ", " ±"),
            _number(rig.wanting, 0),
            w.share(rig.soc_min) if math.isfinite(rig.soc_min) else w.BLANK,
            _number(rig.hours_below_floor, 1),
        ),
        below="; ".join(words) + ".",
    )


def _number(value: float, digits: int) -> str:
    return w.number(value, digits) if math.isfinite(value) else w.BLANK


def _rank_axis(fleet: Fleet, label: str, described: str) -> figure:
    chart = figures.frame(height=HEIGHT, y_label=label, described=described)
    figures.place_axis(chart, [str(i) for i in range(1, len(fleet.rigs) + 1)])
    return chart


def _left_chart(fleet: Fleet) -> Chart:
    known = fleet.rigs[: fleet.known]
    see = (
        "Charge left on return, hungriest first; the numbers are those of the table. "
        "A bar that ends below its tick ended below its floor."
    )
    chart = _rank_axis(fleet, "left on return, %", see)
    chart.y_range = Range1d(start=0, end=100)
    data = {
        "x": [float(i) for i in range(len(known))],
        "top": [100 * r.soc_end.value for r in known],
        "lo": [100 * _or(r.soc_end.lo, r.soc_end.value) for r in known],
        "hi": [100 * _or(r.soc_end.hi, r.soc_end.value) for r in known],
        "floor": [100 * r.floor for r in known],
    }
    source = ColumnDataSource(data)
    chart.vbar(
        x="x",
        top="top",
        width=BAR,
        source=source,
        fill_color=style.BAND,
        line_color=style.INK,
    )
    chart.segment(x0="x", x1="x", y0="lo", y1="hi", source=source, line_color=style.INK)
    chart.rect(
        x="x",
        y="floor",
        width=0.9,
        height=1.2,
        source=source,
        fill_color=style.PLANNED,
        line_color=None,
    )
    key = style.key(
        [
            (style.mark("band"), "left on return"),
            (style.mark("tick"), "its floor"),
            (style.mark("spread"), "give or take"),
        ]
    )
    return Chart(model=chart, see=see, key=key)


def _or(value: float, other: float) -> float:
    return value if math.isfinite(value) else other


def _energy(fleet: Fleet) -> Section | None:
    rows = [
        (i, r)
        for i, r in enumerate(fleet.rigs)
        if math.isfinite(r.figure("out")) and math.isfinite(r.figure("into"))
    ]
    if not rows:
        return None
    see = (
        "Charge a day through the house battery: above the line what went in, below it "
        "what came out. Numbers as in the first table."
    )
    chart = _rank_axis(fleet, "Ah a day", see)
    x = [float(i) for i, _ in rows]
    chart.vbar(
        x=x,
        top=[r.figure("into") for _, r in rows],
        width=BAR,
        fill_color=style.BAND,
        line_color=style.INK,
    )
    chart.vbar(
        x=x,
        top=[-r.figure("out") for _, r in rows],
        width=BAR,
        fill_color=style.PAPER,
        line_color=style.INK,
    )
    median = fleet.medians
    words = (
        f"Middle of all: {w.number(median['into'], 0)} Ah a day in, "
        f"{w.number(median['out'], 0)} Ah a day out."
    )
    return Section(
        slug="charge",
        title="In and out",
        blocks=(Chart(model=chart, see=see), para(words)),
    )


def _told(name: str, value: float) -> str:
    _, unit = FIGURES[name]
    if name == "capacity_share":
        return f"{w.share(value)} {unit}"
    return f"{w.number(value, DIGITS.get(name, 0))} {unit}"


def _unlike(fleet: Fleet) -> Section:
    lines = [
        f"{rig.name}: {_difference(d)}"
        for rig, found in zip(fleet.rigs, fleet.differences, strict=True)
        for d in found
    ]
    none = (
        "No rig is unlike the rest."
        if fleet.medians and len(fleet.rigs) >= 5
        else "Can't tell: fewer than 5 rigs bring the same figures."
    )
    text = (
        "Told where a figure lies more than three scaled median deviations and a fifth "
        "away from the middle of all. Unlike is not wrong: other people, weather and "
        "gear use other amounts."
    )
    blocks = (bullets(lines) if lines else para(none), para(text, kind="small"))
    return Section(slug="unlike", title="What differs", blocks=blocks)


def _difference(found: Difference) -> str:
    words, _ = FIGURES[found.figure]
    return (
        f"{words} {_told(found.figure, found.value)}; middle of all "
        f"{_told(found.figure, found.median)}."
    )


def _ageing(fleet: Fleet) -> Section:
    rows = []
    for rig in fleet.rigs:
        found = {a.quantity: a for a in ageing_of(rig.ageing)}
        if not found and not math.isfinite(rig.capacity.value):
            continue
        rows.append(
            Row(
                name=rig.name,
                cells=(
                    _with_band(rig.capacity, 1),
                    w.share(rig.figure("capacity_share"))
                    if math.isfinite(rig.figure("capacity_share"))
                    else w.BLANK,
                    _with_band(rig.resistance, 1, 1000.0),
                ),
                below=" ".join(_aged(a) for a in found.values()),
            )
        )
    blocks: list[Block] = []
    if rows:
        heads = ("", "capacity now, Ah", "of rating", "resistance, milliohm")
        blocks.append(table(heads, rows))
    else:
        blocks.append(para("Can't tell, because no capacity is in what was given."))
    return Section(slug="ageing", title="Batteries", blocks=tuple(blocks))


def _with_band(value: Estimate, digits: int, scale: float = 1.0) -> str:
    if not math.isfinite(value.value):
        return w.BLANK
    text = w.number(scale * value.value, digits)
    if math.isfinite(value.give_or_take):
        text += f" ±{w.number(scale * value.give_or_take, digits)}"
    return text


def _aged(age: Ageing) -> str:
    scale, unit = (1.0, "Ah") if age.quantity == "capacity" else (1000.0, "milliohm")
    first, last = scale * age.first.value, scale * age.last.value
    text = (
        f"Over {w.plural(age.trips, 'trip')} {age.quantity} went from "
        f"{w.number(first, 1)} to {w.number(last, 1)} {unit}"
    )
    if age.sure:
        return f"{text}: more than the give-or-take."
    if math.isfinite(age.first.lo) and math.isfinite(age.last.lo):
        return f"{text}: within the give-or-take, no change is shown."
    return f"{text}; no give-or-take is in what was given."


def _findings(fleet: Fleet) -> Section:
    judged = [r for r in fleet.rigs if r.findings_judged]
    if not judged:
        text = (
            "Can't tell from minutes: findings need the store or an archive, with the "
            "rig file beside it."
        )
        return Section(slug="findings", title="Fit-out", blocks=(para(text),))
    blocks = []
    for rig in judged:
        lines = [
            f"{'Fault' if f.verdict == 'fault' else 'Worth a look'}: {f.title}. "
            f"{f.next}".strip()
            for f in rig.findings
        ]
        blocks.append(f"<h3>{esc(rig.name)}</h3>")
        blocks.append(bullets(lines) if lines else para("Nothing found."))
    return Section(slug="findings", title="Fit-out", blocks=tuple(blocks))


def _accounts(fleet: Fleet) -> Section | None:
    blocks: list[Block] = []
    for rig in fleet.rigs:
        if not rig.places and not rig.lines:
            continue
        lines = dict(rig.lines)
        rows = [_line("Brought forward", lines.pop("brought forward", math.nan))]
        rows += [
            _line(f"{w.name_of(p.name)}{_role(p.role)}", p.charge, p.word)
            for p in sorted(rig.places, key=lambda p: (p.role != "in", -p.charge))
        ]
        rows += [_line(w.sentence(n).rstrip("."), v) for n, v in lines.items()]
        kept = [r for r in rows if r.cells[0] != w.BLANK]
        blocks.append(table(("", "Ah", "word"), kept, caption=rig.name))
    if not blocks:
        return None
    return Section(slug="totals", title="Totals of each trip", blocks=tuple(blocks))


def _role(role: str) -> str:
    return {"in": ", in", "out": ", out"}.get(role, "")


def _line(name: str, value: float, word: str = "") -> Row:
    return Row(name=name, cells=(_number(value, 1), word))


def _missing(fleet: Fleet) -> Section | None:
    reasons: dict[str, list[str]] = {}
    for rig in fleet.rigs:
        for why in rig.missing:
            reasons.setdefault(why, []).append(rig.name)
    lines = [_who(why, names, len(fleet.rigs)) for why, names in reasons.items()]
    lines += list(fleet.refused)
    if not lines:
        return None
    return Section(
        slug="missing", title="What could not be told", blocks=(bullets(lines),)
    )


def _who(why: str, names: Sequence[str], count: int) -> str:
    if len(names) == count:
        return f"All: {why}."
    if len(names) > 3:
        return f"{len(names)} of {count}: {why}."
    return f"{w.listed(list(names))}: {why}."
