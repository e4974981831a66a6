"""A plan walked forward: each camp day on paper, its low point, and what it weighs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.judge.enough_judged import verdict_of
from campledger.judge.enough_words import VERDICTS, amount
from campledger.present.jsonout import num, when
from campledger.present.wording import (
    day_clock,
    day_full,
    name_of,
    number,
    signed,
    wrap,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from campledger.judge.campday import CampDay
    from campledger.judge.forecast_before import PlanForecast
    from campledger.judge.plan_walk import PlannedAmount, PlannedDay
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig

WIDTH = 30
PAGE = 79
ROUGH = (
    "Loads spread over the day, sun over its daylight, drives from mid-morning; a "
    "nearly full battery takes less. On paper only: assumed, until a trip is measured."
)


def masses(rig: Rig) -> tuple[float, tuple[str, ...]]:
    """Give the mass of the electrical parts [kg] and the parts without a figure."""
    parts = [("house battery", rig.house.mass)]
    parts += [(s.name, s.mass) for s in rig.sources]
    parts += [(x.name, x.mass) for x in rig.loads]
    parts += [(f"cable to {c.place_to}", c.mass) for c in rig.cables]
    known = sum(m for _, m in parts if m is not None)
    return known, tuple(name for name, m in parts if m is None)


def _row(label: str, value: float | None, word: str = "") -> str:
    return f"{label:<{WIDTH}}{number(value):>8}  {word}".rstrip()


def _rows(label: str, amounts: Mapping[str, PlannedAmount], word: str) -> list[str]:
    return [
        _row(f" {label:<4} {name_of(name)}", a.charge, word)
        for name, a in amounts.items()
    ]


def plan_text(
    plan: Plan,
    rig: Rig,
    days: Sequence[CampDay],
    planned: Sequence[PlannedDay],
    capacity: float,
    ahead: PlanForecast,
) -> str:
    """Write the planned statement, day by day, and its forecast. Charges in Ah."""
    offset = plan.utc_offset
    opening = 1.0 if plan.opening_soc is None else plan.opening_soc
    left = opening * capacity
    floor = rig.house.floor * capacity
    lines = [f"PLAN  {plan.name}", f"fingerprint {plan.fingerprint}", ROUGH, ""]
    for day, walked in zip(days, planned, strict=True):
        lines.append(f"{day_full(day.start, offset).upper()}{'':<2}Ah")
        lines.append(_row("Brought forward", left, "worked out"))
        lines += _rows("In", walked.sources, "typed by you")
        lines += _rows("Out", walked.loads, "typed by you")
        lines.append(_row("Carried forward", walked.carried_forward, "worked out"))
        lines.append(_row(" of which your floor", floor))
        low = walked.low_point
        at = day_clock(low.time_utc, offset)
        lines.append(f"Low point {at}: {signed(low.spare)} Ah against your floor.")
        if walked.unused > 0.5:
            lines.append(f"About {walked.unused:.0f} Ah would find the battery full.")
        lines.append("")
        left = walked.carried_forward
    lines += _closing(plan, rig, planned, floor)
    lines += wrap(forecast_words(ahead, offset), PAGE)
    return "\n".join(lines)


def forecast_words(ahead: PlanForecast, offset: float) -> str:
    """Say what the forecast of `enough` makes of the plan before the trip."""
    give = 0.5 * (ahead.spare_hi - ahead.spare_lo)
    side = "above" if ahead.spare >= 0 else "below"
    return (
        "Enough? Asked before the trip, with what weather, habits and guesses leave "
        f"open: {VERDICTS[verdict_of(ahead.chance_lasts)]} - lowest "
        f"{day_clock(ahead.low_utc, offset)}, {amount(ahead.spare)} Ah {side} your "
        f"floor, give or take {amount(give)}."
    )


def _closing(
    plan: Plan, rig: Rig, planned: Sequence[PlannedDay], floor: float
) -> list[str]:
    low = min((p.low_point for p in planned), key=lambda x: x.spare)
    at = day_clock(low.time_utc, plan.utc_offset)
    if low.spare >= 0:
        verdict = (
            f"On paper it works: lowest {at}, {low.spare:.0f} Ah above your floor."
        )
    else:
        verdict = (
            f"On paper it does not work: {at} lies {-low.spare:.0f} Ah below your "
            f"floor of {floor:.0f} Ah."
        )
    lines = [verdict]
    sources = {x.name: x.figure for x in plan.loads}
    guesses = [name_of(n) for n, f in sources.items() if f == "guess"]
    if guesses:
        lines.append(f"Guessed, not measured: {', '.join(guesses)}.")
    known, unknown = masses(rig)
    if known:
        text = f"Electrical parts with a typed mass: {known:.0f} kg"
        text += f"; without one: {', '.join(map(name_of, unknown))}" if unknown else ""
        lines.append(text + ".")
    if rig.mass_limit is not None and rig.mass_weighed is not None:
        margin = rig.mass_limit - rig.mass_weighed
        side = "under" if margin >= 0 else "OVER"
        lines.append(f"{abs(margin):.0f} kg {side} your weight limit (typed by you).")
    return lines


def plan_json(
    plan: Plan,
    rig: Rig,
    days: Sequence[CampDay],
    planned: Sequence[PlannedDay],
    capacity: float,
    ahead: PlanForecast,
) -> dict[str, object]:
    """Give the planned statement and its forecast as JSON."""
    offset = plan.utc_offset

    def amounts(table: Mapping[str, PlannedAmount]) -> dict[str, object]:
        return {
            n: {"planned_ah": num(a.charge), "planned_wh": num(a.energy)}
            for n, a in table.items()
        }

    known, _ = masses(rig)
    margin = None
    if rig.mass_limit is not None and rig.mass_weighed is not None:
        margin = num(rig.mass_limit - rig.mass_weighed)
    return {
        "plan": plan.name,
        "fingerprint": plan.fingerprint,
        "capacity_ah": num(capacity),
        "floor_ah": num(rig.house.floor * capacity),
        "mass_kg": num(known) if known else None,
        "payload_margin_kg": margin,
        "forecast": {
            "verdict": verdict_of(ahead.chance_lasts),
            "chance_lasts": num(ahead.chance_lasts),
            "low_point": {"time": when(ahead.low_utc, offset)},
            "spare_ah": {
                "value": num(ahead.spare),
                "lo": num(ahead.spare_lo),
                "hi": num(ahead.spare_hi),
            },
        },
        "days": [
            {
                "dawn": when(d.dawn, offset),
                "in": amounts(p.sources),
                "out": amounts(p.loads),
                "carried_forward_ah": num(p.carried_forward),
                "in_hand_ah": num(p.in_hand),
                "unused_ah": num(p.unused),
                "low_point": {
                    "time": when(p.low_point.time_utc, offset),
                    "soc": num(p.low_point.soc),
                    "spare_ah": num(p.low_point.spare),
                },
            }
            for d, p in zip(days, planned, strict=True)
        ],
    }
