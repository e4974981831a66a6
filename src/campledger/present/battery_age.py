"""The battery beside an earlier trip, in words and as JSON."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from campledger.present import wording as w
from campledger.present.jsonout import interval, when

if TYPE_CHECKING:
    from campledger.judge.ageing import Aged, BatteryAgeing
    from campledger.model.estimates import Estimate
    from campledger.present.jsonout import Json


def ageing_lines(ageing: BatteryAgeing, utc_offset: float) -> list[str]:
    """
    Say in plain sentences what the battery holds and resists against before.

    Parameters
    ----------
    ageing : BatteryAgeing
        Of this trip.
    utc_offset : float
        Of the rig's clock. [s]

    Returns
    -------
    lines : list of str
        Empty if this is the first trip.
    """
    if not ageing.trips:
        return []
    return [
        _line("What the battery holds:", ageing.capacity, utc_offset, 1.0, "Ah", 0),
        _line(
            "Battery and lugs at 25 degC:",
            ageing.resistance,
            utc_offset,
            1000.0,
            "milliohm",
            1,
        ),
    ]


def _line(
    head: str,
    aged: Aged,
    utc_offset: float,
    scale: float,
    unit: str,
    digits: int,
) -> str:
    date = (
        w.stamp(aged.then_utc, utc_offset)[:10] if math.isfinite(aged.then_utc) else ""
    )
    if not math.isfinite(aged.now.value):
        reason = aged.why.removeprefix("can't tell yet: ").removeprefix("can't tell: ")
        text = f"{head.removesuffix(':')}: can't tell yet, because {reason}"
        if date:
            text += f" ({_size(aged.then, scale, unit, digits)}, on {date})"
        return f"{text}."
    text = f"{head} {_size(aged.now, scale, unit, digits)}"
    if aged.now.reason:
        text += f", {aged.now.reason}"
    if not date:
        return f"{text}; not compared, because {aged.why}."
    text += f"; {_size(aged.then, scale, unit, digits)}, on {date}: "
    if not aged.changed:
        return f"{text}no change that can be told."
    more = aged.ratio.value > 1.0
    share = 100.0 * abs(aged.ratio.value - 1.0)
    give = 100.0 * aged.ratio.give_or_take
    text += f"{share:.0f} % {'more' if more else 'less'}, give or take {give:.0f}."
    return text


def _size(value: Estimate, scale: float, unit: str, digits: int) -> str:
    text = f"{w.number(scale * value.value, digits)} {unit}"
    return f"{text}, give or take {w.number(scale * value.give_or_take, digits)}"


def ageing_json(ageing: BatteryAgeing | None, utc_offset: float) -> Json:
    """Give capacity and resistance now, then and their ratio; None if not looked at."""
    if ageing is None:
        return None
    return {
        "earlier_trips": ageing.trips,
        "capacity_ah": _aged_json(ageing.capacity, utc_offset, 1.0),
        "resistance_mohm": _aged_json(ageing.resistance, utc_offset, 1000.0),
        "text": list(ageing_lines(ageing, utc_offset)),
    }


def _aged_json(aged: Aged, utc_offset: float, scale: float) -> Json:
    known = math.isfinite(aged.then_utc)
    return {
        "now": interval(_scaled(aged.now, scale)),
        "then": interval(_scaled(aged.then, scale)),
        "then_end": when(aged.then_utc, utc_offset) if known else None,
        "ratio": interval(aged.ratio),
        "changed": aged.changed,
        "why": aged.why,
    }


def _scaled(value: Estimate, scale: float) -> Estimate:
    return replace(
        value, value=scale * value.value, lo=scale * value.lo, hi=scale * value.hi
    )
