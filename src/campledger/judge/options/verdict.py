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
    return " and ".join(parts) or f"{rig.name} as driven"


def _rank(result: OptionResult) -> tuple[int, float]:
    change = result.change
    if change.kind == BUY:
        mass = result.outcome.mass if result.outcome is not None else None
        return (4, mass if mass is not None else 1e6)
    if change.panel_position:
        return (3, 0.0)
    if change.inverter_12v:
        return (2, 0.0)
    return (1 if change.kind == FIX else 0, 0.0)


def _code(change: Change) -> str:
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
    told = sorted((r for r in results if r.outcome is not None), key=_rank)
    short = (
        f"As driven: {baseline.hours_below_floor.value:.1f} h below your floor, "
        f"{baseline.hours_without_power.value:.1f} h without power."
    )
    allowed = [r for r in told if r.outcome and r.outcome.met and r.over_limit <= 0]
    if allowed:
        best = allowed[0]
        words = describe(best.change, rig)
        why = f" ({faults[best.change.fixed]})" if best.change.fixed in faults else ""
        text = f"{short} Enough with {words}{why}."
        return Verdict(
            code=_code(best.change),
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
    best = min(
        told, key=lambda r: r.outcome.hours_below_floor.value if r.outcome else 0
    )
    text = f"{short} Nothing looked at meets the need; nearest: "
    text += f"{describe(best.change, rig)}."
    return Verdict(code=_code(best.change), met=False, change=best.change, text=text)


def _wasted(baseline: Outcome, results: Sequence[OptionResult]) -> str:
    """Say so where more panel would mostly have been wasted."""
    more = [
        r for r in results if r.change.power_panel is not None and r.outcome is not None
    ]
    if not more:
        return ""
    best = max(more, key=lambda r: r.change.power_panel or 0.0)
    lift = best.difference.value * baseline.capacity
    return (
        f" {best.change.power_panel:.0f} W of panel would have lifted the lowest point "
        f"by {max(lift, 0.0):.0f} Ah."
    )


def _tie(allowed: Sequence[OptionResult], rig: Rig) -> str:
    """Name a close second and what would break the tie."""
    if len(allowed) < 2:
        return ""
    first, second = allowed[0], allowed[1]
    if _rank(first)[0] != _rank(second)[0] or first.change.kind != BUY:
        return ""
    masses = [r.outcome.mass for r in (first, second) if r.outcome is not None]
    if None in masses or abs((masses[0] or 0) - (masses[1] or 0)) > TIE_KG:
        return ""
    return (
        f"About the same: {describe(second.change, rig)}. Kilograms, charge speed or "
        "your own prices would break the tie."
    )
