"""The account of today on ruled paper, and the low point of each dawn as dots."""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.present import text as t
from campledger.present import wording as w
from campledger.present.phone.markup import how, items, paragraphs, text

if TYPE_CHECKING:
    from collections.abc import Iterable

    from campledger.judge.statement_types import Amount, Statement, StatementDay

WIDE, TALL, EDGE = 320.0, 132.0, 18.0
"""The strip's own units; it is drawn as wide as the screen."""
DAYS_SHOWN = 14
DOT = 6.0


def _row(
    label: str, planned: str | None, measured: str, word: str, *, kind: str = ""
) -> str:
    middle = "" if planned is None else f'<td class="n">{text(planned)}</td>'
    mark = f' class="{kind}"' if kind else ""
    return (
        f'<tr{mark}><th scope="row">{text(label)}</th>{middle}'
        f'<td class="n">{text(measured)}</td><td class="w">{text(word)}</td></tr>'
    )


def _amounts(lead: str, amounts: Iterable[Amount], *, two: bool) -> str:
    out = ""
    for amount in amounts:
        planned = w.number(amount.charge_planned) if two else None
        out += _row(
            f"{lead} {w.name_of(amount.name)}",
            "" if two and amount.charge_planned is None else planned,
            w.number(amount.charge_measured),
            str(amount.word),
        )
    return out


def _table(day: StatementDay, *, two: bool) -> str:
    gap = "" if two else None
    planned = '<th scope="col">planned</th>' if two else ""
    in_hand = w.number(day.in_hand_planned) if two else None
    rows = _row(
        "Brought forward", gap, w.number(day.brought_forward), "worked out", kind="rule"
    )
    rows += _amounts("In:", day.sources, two=two)
    rows += _amounts("Out:", day.loads, two=two)
    rows += _row("Out: Not itemised", gap, w.number(day.not_itemised), "worked out")
    rows += _row(
        "Less charging loss",
        gap,
        w.number(day.charging_loss),
        str(day.charging_loss_word),
    )
    limit = f"limit {w.number(day.not_accounted_limit)}"
    rows += _row("Not accounted for", gap, w.number(day.not_accounted), limit)
    rows += _row(
        "Carried forward",
        gap,
        w.number(day.carried_forward),
        str(day.carried_word),
        kind="rule",
    )
    rows += _row(
        "of which your floor", gap, w.number(day.floor_charge), str(day.floor_word)
    )
    rows += _row("In hand", in_hand, w.number(day.in_hand), "worked out", kind="total")
    return (
        f'<div class="paper"><table><thead><tr><th scope="col">Ah</th>{planned}'
        '<th scope="col">so far</th><th scope="col">word</th></tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
    )


def today(statement: Statement) -> str:
    """Set the camp day that is running."""
    if not statement.days:
        return "<p>No camp day yet.</p>"
    day = statement.days[-1]
    offset = statement.utc_offset
    end = w.day_clock(day.end_utc, offset)
    heading = f"{w.day_full(day.dawn_utc, offset)}, from "
    heading += f"{w.clock(day.dawn_utc, offset)} to {end}"
    sums = t.pencil_sum(day)
    known = [
        f"The sum, to check with a pencil: {sums}." if sums else "",
        "Measured: from a sensor. Worked out: from the readings and the battery's "
        "behaviour. Assumed: nothing on this rig said so. Typed by you: in the rig "
        "file or the plan.",
        f"{w.share(day.coverage)} of this time was recorded.",
        *[w.sentence(n) for n in day.notes],
    ]
    nights = (
        ""
        if day.nights_in_hand is None
        else f'<p class="total">Nights in hand: '
        f"{text(w.nights(day.nights_in_hand))}</p>"
    )
    return (
        f'<p class="quiet">{text(heading)}</p>{_table(day, two=t.has_plan(statement))}'
        f"{nights}{how(paragraphs(known))}"
    )


def _low_days(statement: Statement) -> list[StatementDay]:
    days = [d for d in statement.days if d.low_point is not None]
    return days[-DAYS_SHOWN:]


def _low_line(day: StatementDay, offset: float) -> str:
    low = day.low_point
    if low is None:
        return ""
    side = "above" if low.spare >= 0 else "below"
    when = w.day_clock(low.time_utc, offset)
    return f"{when}: {w.about(abs(low.spare))} Ah {side} your floor"


def strip(statement: Statement) -> str:
    """Draw the low point of each camp day as a dot against the floor."""
    days = _low_days(statement)
    if not days:
        return "<p>No low point yet.</p>"
    lows = [0.0 if d.low_point is None else d.low_point.spare for d in days]
    top, bottom = max(*lows, 1.0, 0.0), min(*lows, 0.0)
    scale = (TALL - 2 * EDGE - 14.0) / (top - bottom)
    step = (WIDE - 2 * EDGE) / max(len(days), 2)

    def across(k: int) -> float:
        return EDGE + step * (k + 0.5)

    def down(spare: float) -> float:
        return EDGE + (top - spare) * scale

    floor = down(0.0)
    marks = f'<path class="floor" d="M0 {floor:.1f}H{WIDE:.0f}"/>'
    lowest = min(range(len(lows)), key=lows.__getitem__)
    for k, (day, spare) in enumerate(zip(days, lows, strict=True)):
        x, y = across(k), down(spare)
        kind = "dot" if spare >= 0 else "dot under"
        marks += f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="{DOT:.0f}"/>'
        if len(days) <= 5 or k % 2 == (len(days) - 1) % 2:
            name = w.day_short(day.end_utc, statement.utc_offset)
            marks += f'<text x="{x:.1f}" y="{TALL - 3:.0f}">{text(name)}</text>'
        if k in {lowest, len(lows) - 1}:
            above = y - DOT - 3 if y > EDGE + DOT else y + DOT + 11
            marks += f'<text x="{x:.1f}" y="{above:.1f}">{text(w.about(spare))}</text>'
    said = f"Lowest of {w.plural(len(days), 'day')}: " + _low_line(
        days[lowest], statement.utc_offset
    )
    listed = items([_low_line(d, statement.utc_offset) for d in days])
    behind = (
        "<p>Each dot is the least charge between two dawns, in Ah above (filled) "
        "or below (open) the dashed line, which is your floor. Worked out from the "
        "battery estimate.</p>" + listed
    )
    return (
        f'<svg class="strip" viewBox="0 0 {WIDE:.0f} {TALL:.0f}" role="img" '
        f'aria-label="{text(said)}">{marks}</svg>'
        f"<p>{text(said)}.</p>{how(behind)}"
    )
