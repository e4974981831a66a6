"""Kilograms and money, only from what the owner typed; there is no price list."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.options.engine import HOURS

if TYPE_CHECKING:
    from campledger.judge.options.engine import Walked
    from campledger.judge.options.replay import Days
    from campledger.judge.options.types import Change
    from campledger.model.rig import PriceOption, Rig

SPECIFIC = {"flooded": 3.6, "agm": 3.3, "gel": 3.3, "lfp": 8.0}
"""A.h of 12 V battery a kilogram (27.5 kg and 13.8 kg a 100 A.h are published masses of
lead and lithium; rounded). A comparison page, second-hand; assumed where not typed."""
PANEL_SPECIFIC = 0.075
"""Kilograms a watt of a framed panel with its mounts. Common practice, no source."""


def words_of(change: Change) -> str:
    """Spell a change as the options of the command are spelt, comma = together."""
    parts = []
    if change.capacity:
        parts.append(f"battery_ah={change.capacity:g}")
    if change.chemistry:
        parts.append(f"chemistry={change.chemistry}")
    if change.power_panel is not None:
        parts.append(f"solar_w={change.power_panel:g}")
    if change.current_charger:
        parts.append(f"charger_a={change.current_charger:g}")
    if change.without:
        parts.append("without=" + "+".join(change.without))
    if change.inverter_12v:
        parts.append("replace=inverter:12v")
    parts += [f"hours={k}:{v:g}" for k, v in change.hours.items()]
    parts += [f"set_point={k}:{v:g}" for k, v in change.set_point.items()]
    if change.panel_position:
        parts.append("panel_position")
    if change.fixed:
        parts.append(f"fixed={change.fixed}")
    return ",".join(parts + _weather_words(change))


def _weather_words(change: Change) -> list[str]:
    asked = {"temp_mean_c": change.temp_air, "sun_share": change.sun_share}
    return [f"{k}={v:g}" for k, v in asked.items() if v is not None]


def mass_of(change: Change, rig: Rig) -> float | None:
    """
    Give the change of mass.

    Parameters
    ----------
    change, rig : Change, Rig
        Typed masses scale with size; a chemistry without one is assumed by its kind.

    Returns
    -------
    mass : float or None
        None if the present part has no typed mass. [kg]

    References
    ----------
    .. [1] See ``SPECIFIC`` and ``PANEL_SPECIFIC``.
    """
    total = 0.0
    house = rig.house
    if change.capacity or change.chemistry:
        if house.mass is None:
            return None
        rated = change.capacity or house.capacity_rated
        if change.chemistry and change.chemistry != house.chemistry:
            total += rated / SPECIFIC[change.chemistry] - house.mass
        else:
            total += house.mass * (rated / house.capacity_rated - 1.0)
    if change.power_panel is not None:
        suns = [s for s in rig.sources if s.kind == "solar"]
        now = sum(s.power_panel or 0.0 for s in suns)
        each = PANEL_SPECIFIC
        masses = [s.mass for s in suns if s.mass is not None]
        if masses and now > 0:
            each = sum(masses) / now
        total += each * (change.power_panel - now)
    return total


def price_of(
    change: Change, rig: Rig, paths: Walked, capacity: float, days: Days
) -> float | None:
    """
    Give money a night over the life, the shorter of years and cycles.

    Parameters
    ----------
    change, rig : Change, Rig
        Prices and nights a year as typed.
    paths, capacity, days : Walked, float, Days
        For cycles a night. [A.h]

    Returns
    -------
    price : float or None
        None if the owner typed no price for just this change, or no nights.

    References
    ----------
    .. [1] Arithmetic: (price / life) / nights.
    """
    found = _priced(change, rig)
    if found is None or not rig.nights_per_year:
        return None
    years = found.life_years
    out = -np.minimum(paths.current[0], 0.0).sum() * HOURS
    nights = max(len(days.sun) * HOURS / 24.0, 1e-9)
    per_night = out / nights / max(capacity, 1e-9)
    if found.life_cycles and per_night > 0:
        by_cycles = found.life_cycles / per_night / rig.nights_per_year
        years = by_cycles if years is None else min(years, by_cycles)
    if not years:
        return None
    return night_price(found.amount, years, rig.nights_per_year)


def night_price(amount: float, years: float, nights: float) -> float:
    """Spread an amount over the nights of its life."""
    return amount / years / nights


def _priced(change: Change, rig: Rig) -> PriceOption | None:
    wanted = frozenset(words_of(change).split(","))
    for option in rig.prices:
        if frozenset(w.strip() for w in option.change.split(",")) == wanted:
            return option
    return None
