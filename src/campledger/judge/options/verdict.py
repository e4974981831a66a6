"""One code and one sentence: nothing, a habit, a fix, a purchase, or can't tell."""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.judge.options.types import (
    BUY,
    CANNOT_TELL,
    FIX,
    HABIT,
    NOTHING,
    Change,
    OptionResult,
    Outcome,
    Validation,
    Verdict,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from campledger.model.rig import Rig

MOSTLY = 0.5
"""More than half. [1]"""
TIE_PRICE = 0.1
"""Prices a night closer than this share are a tie. Common practice, no source. [1]"""
TIE_KG = 2.0
"""Options closer than this in mass are a tie. [kg]"""


def describe(change: Change, rig: Rig) -> str:
    """Say a change in plain words."""
    parts = []
    if change.chemistry and change.capacity:
        parts.append(
            f"a {change.chemistry.upper()} battery of {change.capacity:.0f} Ah"
        )
    elif change.capacity:
        parts.append(f"a battery of {change.capacity:.0f} Ah")
    elif change.chemistry:
        parts.append(f"a {change.chemistry.upper()} battery")
    if change.power_panel is not None:
        parts.append(f"{change.power_panel:.0f} W of panel")
    if change.current_charger:
        parts.append(f"a {change.current_charger:.0f} A charger")
    parts += [f"no {name}" for name in change.without]
    if change.inverter_12v:
        parts.append("12 V charging instead of the inverter")
    parts += [f"{k} {v:g} h a day" for k, v in change.hours.items()]
    parts += [f"{k} set to {v:g} degC" for k, v in change.set_point.items()]
    if change.panel_position:
        parts.append("the panel out of the shade")
    if change.fixed:
        parts.append(f"the fault {change.fixed} mended")
    return " and ".join(parts + _weather(change)) or f"{rig.name} as driven"


def _weather(change: Change) -> list[str]:
    parts = []
    if change.temp_air is not None:
        parts.append(f"air of {change.temp_air:g} degC on the mean")
    if change.sun_share is not None:
        parts.append(f"{change.sun_share:g} times this trip's sun")
    return parts


def rank(change: Change) -> int:
    """Give the place in the contract's order: habit, fix, 12 V, panel, purchase."""
    if change.kind == BUY:
        return 4
    if change.panel_position:
        return 3
    if change.inverter_12v:
        return 2
    return 1 if change.kind == FIX else 0


def _order(result: OptionResult) -> tuple[int, float]:
    """Fewest kilograms first among purchases."""
    place = rank(result.change)
    mass = result.outcome.mass if result.outcome is not None else None
    return place, (mass if mass is not None else 1e6) if place == 4 else 0.0


def code_of(change: Change) -> str:
    """Give the verdict's code of a change."""
    if change.kind == BUY:
        return BUY
    return HABIT if change.panel_position else change.kind


def decide(
    baseline: Outcome,
    results: Sequence[OptionResult],
    validation: Validation,
    rig: Rig,
    faults: Mapping[str, str],
) -> Verdict:
    """
    Choose the verdict by the contract's order.

    Parameters
    ----------
    baseline : Outcome
        The trip as driven.
    results : sequence of OptionResult
        Every change.
    validation : Validation
        Of the replay.
    rig : Rig
        For words.
    faults : mapping
        Found faults, named where a fix is asked for.

    Returns
    -------
    verdict : Verdict
        "nothing" is judged on the value of the trip as driven.

    References
    ----------
    .. [1] The contract, section 7.
    """
    ranged = [r for r in results if r.ranged]
    if ranged:
        return _only_a_range(ranged[0])
    driven = "As driven"
    if results and results[0].change.only_weather and results[0].outcome is not None:
        baseline = results[0].outcome
        driven = f"In {describe(results[0].change, rig)}"
        results = results[1:]
    low = baseline.soc_min.value * baseline.capacity
    if baseline.met:
        floor = baseline.floor * baseline.capacity
        text = (
            f"Nothing to buy. Lowest point was {low:.0f} Ah of "
            f"{baseline.capacity:.0f}, above your floor of {floor:.0f}."
        )
        return Verdict(
            code=NOTHING, met=True, change=None, text=text + _wasted(baseline, results)
        )
    if not validation.accepted:
        return Verdict(
            code=CANNOT_TELL,
            met=False,
            change=None,
            text=f"Can't tell what would have helped: {validation.reason}.",
        )
    told = sorted((r for r in results if r.outcome is not None), key=_order)
    short = (
        f"{driven}: {baseline.hours_below_floor.value:.1f} h below your floor, "
        f"{baseline.hours_without_power.value:.1f} h without power."
    )
    allowed = [r for r in told if r.outcome and r.outcome.met and r.over_limit <= 0]
    if allowed:
        best = allowed[0]
        words = describe(best.change, rig)
        why = f" ({faults[best.change.fixed]})" if best.change.fixed in faults else ""
        text = f"{short} This would have been enough: {words}{why}."
        return Verdict(
            code=code_of(best.change),
            met=True,
            change=best.change,
            text=text,
            tie=_tie(allowed, rig),
        )
    if not told:
        refused = next((r.refused for r in results if r.refused), "nothing was asked")
        return Verdict(
            code=CANNOT_TELL,
            met=False,
            change=None,
            text=f"{short} Can't tell what would have helped: {refused}.",
        )
    best = min(told, key=_hours_short)
    text = f"{short} Nothing looked at meets the need; nearest: "
    text += f"{describe(best.change, rig)}."
    return Verdict(code=code_of(best.change), met=False, change=best.change, text=text)


def _hours_short(result: OptionResult) -> tuple[float, float]:
    """Fewest hours below the floor, then without power."""
    made = result.outcome
    if made is None:
        return float("inf"), float("inf")
    return made.hours_below_floor.value, made.hours_without_power.value


def _only_a_range(result: OptionResult) -> Verdict:
    """Say a range and no verdict where the asked weather was never measured."""
    made = result.outcome
    text = f"Can't tell: {result.ranged}."
    if made is not None:
        low, scale = made.soc_min, made.capacity
        text += (
            f" The lowest point would lie between {low.lo * scale:.0f} and "
            f"{low.hi * scale:.0f} Ah; your floor is {made.floor * scale:.0f}."
        )
    return Verdict(code=CANNOT_TELL, met=False, change=None, text=text)


def _wasted(baseline: Outcome, results: Sequence[OptionResult]) -> str:
    """Say so where more panel would mostly have been wasted."""
    more = [
        r for r in results if r.change.power_panel is not None and r.outcome is not None
    ]
    if not more:
        return ""
    best = max(more, key=lambda r: r.change.power_panel or 0.0)
    lift = best.difference.value * baseline.capacity
    text = (
        f" {best.change.power_panel:.0f} W of panel would have lifted the lowest point "
        f"by {max(lift, 0.0):.0f} Ah"
    )
    if best.wasted >= MOSTLY:
        return f"{text}: more panel would mostly be wasted."
    return f"{text}."


def _tie(allowed: Sequence[OptionResult], rig: Rig) -> str:
    """Name a close second and what would break the tie."""
    if len(allowed) < 2:
        return ""
    first, second = allowed[0], allowed[1]
    if rank(first.change) != rank(second.change) or first.change.kind != BUY:
        return ""
    made = [r.outcome for r in (first, second) if r.outcome is not None]
    prices = [x.price_per_night for x in made if x.price_per_night is not None]
    if len(prices) == 2 and abs(prices[0] - prices[1]) <= TIE_PRICE * max(prices):
        return (
            f"About the same money a night: {describe(second.change, rig)}. Kilograms "
            "and charge speed would break the tie."
        )
    masses = [x.mass for x in made]
    if None in masses or abs((masses[0] or 0) - (masses[1] or 0)) > TIE_KG:
        return ""
    return (
        f"About the same: {describe(second.change, rig)}. Kilograms, charge speed or "
        "your own prices would break the tie."
    )
