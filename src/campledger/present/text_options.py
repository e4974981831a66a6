"""The owner's answer: one sentence first, then a row for each change."""

from __future__ import annotations

import math
import textwrap
from decimal import ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING

from campledger.judge.options import describe
from campledger.present.jsonout import interval, num

if TYPE_CHECKING:
    from campledger.judge.options import Change, Options
    from campledger.judge.options.types import OptionResult, Outcome
    from campledger.model.estimates import Estimate
    from campledger.model.rig import Rig

WIDTH = 78
HEAD = (
    f"{'':<36}{'lowest':>10}{'below':>9}{'no power':>10}{'kg':>6}"
    f"\n{'':<36}{'Ah':>10}{'floor h':>9}{'h':>10}{'':>6}"
)


def _take(estimate: Estimate, scale: float = 1.0) -> str:
    if not math.isfinite(estimate.value):
        return span_words(estimate, scale, 0)
    return f"{estimate.value * scale:.0f}±{estimate.give_or_take * scale:.0f}"


def span_words(estimate: Estimate, scale: float = 1.0, digits: int = 1) -> str:
    """Write only the ends of what has no figure."""
    return f"{estimate.lo * scale:.{digits}f}..{estimate.hi * scale:.{digits}f}"


def hours_words(estimate: Estimate) -> str:
    """Write hours, as a range where there is no figure."""
    if not math.isfinite(estimate.value):
        return span_words(estimate, digits=0)
    return f"{estimate.value:.1f}"


def money_words(price: float) -> str:
    """Write money to two places, halves away from nought as bills do."""
    exact = Decimal(repr(price))
    return str(exact.quantize(Decimal("0.01"), rounding=ROUND_HALF_UP))


def _row(label: str, outcome: Outcome, *, struck: bool = False) -> str:
    mass = "--" if outcome.mass is None else f"{outcome.mass:+.0f}"
    shown = label if len(label) <= 35 else label[:34] + "…"
    if struck:
        shown = f"[{shown[:33]}]"
    return (
        f"{shown:<36}{_take(outcome.soc_min, outcome.capacity):>10}"
        f"{hours_words(outcome.hours_below_floor):>9}"
        f"{hours_words(outcome.hours_without_power):>10}{mass:>6}"
    )


def _remark(result: OptionResult) -> str:
    if result.over_limit > 0:
        return f"over your weight limit by {result.over_limit:.0f} kg"
    if result.ranged:
        return f"{result.ranged}: a range only"
    if not result.shows:
        return "no difference that this trip can show"
    return ""


def options_text(result: Options, rig: Rig) -> str:
    """Write the verdict, the table and what it rests on."""
    lines = textwrap.wrap(result.verdict.text, WIDTH)
    if result.verdict.tie:
        lines += textwrap.wrap(result.verdict.tie, WIDTH)
    lines += ["", HEAD, _row("as driven (measured)", result.baseline)]
    for option in result.options:
        label = describe(option.change, rig)
        if option.outcome is None:
            lines += textwrap.wrap(f"{label}: can't tell, {option.refused}.", WIDTH)
            continue
        lines.append(_row(label, option.outcome, struck=option.over_limit > 0))
        remark = _remark(option)
        if remark:
            lines += [f"    {x}" for x in textwrap.wrap(remark, WIDTH - 4)]
        if option.outcome.price_per_night is not None:
            price = money_words(option.outcome.price_per_night)
            money = f"{rig.currency} {price} a night"
            lines.append(f"    {money.strip()} over its life (prices typed by you)")
        for note in option.notes:
            lines += [f"    {x}" for x in textwrap.wrap(note, WIDTH - 4)]
    check = result.validation
    lines += [
        "",
        f"Replaying the unchanged rig: daily bias {check.bias_daily:+.1%} of the "
        f"charge out, hourly RMSE",
        f"{check.rmse_hourly:.0%} of the mean absolute hourly net charge (not "
        "ASHRAE's divisors);",
        f"on days held out of the learning {check.rmse_held_out:.0%}.",
        f"At least {result.spare_sun:.0f} Wh of sun found the battery full or had "
        "nowhere to go.",
    ]
    if not check.accepted and not result.baseline.met:
        lines.append(
            "That is too far off: take the rows as rough, the verdict is open."
        )
    for note in result.notes:
        lines += textwrap.wrap(note, WIDTH)
    return "\n".join(lines)


def change_json(change: Change) -> dict[str, object]:
    """Give a change in the words of the options."""
    return {
        "battery_ah": num(change.capacity),
        "chemistry": change.chemistry or None,
        "solar_w": num(change.power_panel),
        "charger_a": num(change.current_charger),
        "without": list(change.without),
        "replace": "inverter=12v" if change.inverter_12v else None,
        "hours": {k: num(v) for k, v in change.hours.items()},
        "set_point": {k: num(v) for k, v in change.set_point.items()},
        "panel_position": change.panel_position,
        "fixed": change.fixed or None,
        "new_battery": change.new_battery,
        "temp_mean_c": num(change.temp_air),
        "sun_share": num(change.sun_share),
    }


def _outcome(outcome: Outcome | None) -> dict[str, object] | None:
    if outcome is None:
        return None
    return {
        "soc_min": interval(outcome.soc_min),
        "hours_below_floor": interval(outcome.hours_below_floor),
        "hours_without_power": interval(outcome.hours_without_power),
        "unused_solar_wh": interval(outcome.unused_solar),
        "fridge_hours_lost": interval(outcome.fridge_hours_lost),
        "days_short_of_full": outcome.days_short_of_full,
        "mass_kg": num(outcome.mass),
        "payload_margin_kg": num(outcome.margin),
        "price_per_night": num(outcome.price_per_night),
    }


def options_json(result: Options, rig: Rig) -> dict[str, object]:
    """Give the JSON of the contract, section 7."""
    verdict, check, grid = result.verdict, result.validation, result.grid
    return {
        "baseline": _outcome(result.baseline),
        "validation": {
            "bias_daily": num(check.bias_daily),
            "rmse_hourly": num(check.rmse_hourly),
            "rmse_held_out": num(check.rmse_held_out),
            "held_out_days": check.held_out_days,
            "accepted": check.accepted,
            "reason": check.reason or None,
        },
        "options": [
            {
                "change": change_json(o.change),
                "text": describe(o.change, rig),
                "outcome": _outcome(o.outcome),
                "difference_soc_min": interval(o.difference),
                "shows_difference": o.shows,
                "refused": o.refused or None,
                "range_only": o.ranged or None,
                "over_limit_kg": num(o.over_limit),
                "notes": list(o.notes),
            }
            for o in result.options
        ],
        "verdict": {
            "code": verdict.code,
            "met": verdict.met,
            "change": None if verdict.change is None else change_json(verdict.change),
            "text": verdict.text,
            "tie": verdict.tie or None,
        },
        "grid": None
        if grid is None
        else {
            "battery_ah": [num(x) for x in grid.capacities],
            "solar_w": [num(x) for x in grid.panels],
            "soc_min": [[num(x) for x in row] for row in grid.soc_min],
        },
        "notes": list(result.notes),
    }
