"""
The same trip in other weather: hotter or cloudier, as a range where nothing was seen.

Inside what the trip measured the fridge's own line against air holds; beyond it the
line goes on, and its upper end rises as compressors do worse in heat.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.options.engine import STEP
from campledger.model.rig import COOLING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.judge.options.replay import Days
    from campledger.judge.options.types import Change
    from campledger.model.estimates import FridgeModel, TripEstimates
    from campledger.model.rig import Rig

NINETY = 1.645
FURTHER = 5.0
"""Beyond the measured by more than this: another climate. Common practice. [K]"""
WORSE_PER_K = 0.03
"""What a compressor may need more a kelvin beyond what was seen: it pumps less heat and
draws more. Common practice, no source. [1/K]"""
INSIDE = 4.0
"""Inside temperature of a fridge without a typed one. Common practice. [Cel]"""
STEPS_DAY = int(86400.0 / STEP)
SUN_STD = 0.3
"""Scatter of a day's sun where too few days were seen. Common practice. [1]"""
DAYS_LEAST = 3


@dataclass(frozen=True, kw_only=True)
class Weather:
    """
    Factors for cooling loads and sun; ``ranged`` says why only a range can be told.

    ``cooling`` by load; ``cooling_std`` and ``sun_std`` relative (standard).
    """

    cooling: Mapping[str, float]
    cooling_std: float = 0.0
    sun: float = 1.0
    sun_std: float = 0.0
    ranged: str = ""
    refused: str = ""


def weather_of(
    change: Change, rig: Rig, estimates: TripEstimates, days: Days
) -> Weather:
    """
    Turn asked weather into factors.

    Parameters
    ----------
    change : Change
        Its ``temp_air`` and ``sun_share``; None as driven.
    rig, estimates, days : Rig, TripEstimates, Days
        The vehicle and what was measured.

    Returns
    -------
    weather : Weather
        All 1 where nothing is asked.

    References
    ----------
    .. [1] The fridge's line against air, fitted to this trip (`FridgeModel`).
    """
    made = Weather(cooling={})
    if change.temp_air is not None:
        made = _hot(change.temp_air, rig, estimates, days)
    if change.sun_share is None:
        return made
    cloud = _cloudy(change.sun_share, days)
    return Weather(
        cooling=made.cooling,
        cooling_std=made.cooling_std,
        sun=cloud.sun,
        sun_std=cloud.sun_std,
        ranged="; ".join(x for x in (made.ranged, cloud.ranged) if x),
        refused=made.refused or cloud.refused,
    )


def _hot(air: float, rig: Rig, estimates: TripEstimates, days: Days) -> Weather:
    wanted = [x for x in rig.loads if x.kind in COOLING and x.name in days.loads]
    models = {f.name: f for f in estimates.fridges}
    if not np.isfinite(days.air_mean):
        return Weather(cooling={}, refused="air temperature was not measured")
    missing = [x.name for x in wanted if x.name not in models]
    if missing:
        return Weather(
            cooling={}, refused=f"{', '.join(missing)}: no fitted line against air"
        )
    factors, stds, hottest = {}, [0.0], []
    for load in wanted:
        inside = load.temp_set if load.temp_set is not None else INSIDE
        model = models[load.name]
        middle, std = _factor(model, days.air_mean - inside, air - inside)
        factors[load.name] = middle
        stds.append(std)
        if air - inside > model.difference_max + FURTHER:
            hottest.append(inside + model.difference_max)
    ranged = ""
    if hottest:
        ranged = (
            f"{air:.0f} degC is hotter than anything you measured (up to "
            f"{max(hottest):.0f} degC on a day's mean)"
        )
    return Weather(cooling=factors, cooling_std=max(stds), ranged=ranged)


def _factor(model: FridgeModel, now: float, then: float) -> tuple[float, float]:
    """Charge of a day then over now, at most running on end; its relative standard."""
    most = 24.0 * model.current_running
    before, after = model.charge_a_day(now), model.charge_a_day(then)
    if before.value <= 0.0:
        return 1.0, 0.0
    beyond = max(then - model.difference_max, 0.0)
    middle = min(after.value, most)
    high = min(after.hi * (1.0 + WORSE_PER_K * beyond), most)
    spread = 0.5 * max(high - after.lo, 0.0) / NINETY
    return middle / before.value, spread / max(middle, 1e-9)


def _cloudy(share: float, days: Days) -> Weather:
    if not days.sun_known:
        return Weather(cooling={}, refused="no sun was recorded on this trip")
    n = len(days.sun) // STEPS_DAY
    daily = days.sun[: n * STEPS_DAY].reshape(n, STEPS_DAY).sum(axis=1)
    mean = float(daily.mean()) if n else 0.0
    if mean <= 0.0:
        return Weather(cooling={}, refused="no sun was recorded on this trip")
    scatter = float(np.std(daily)) / mean if n >= DAYS_LEAST else SUN_STD
    ranged = ""
    if share * mean < float(daily.min()):
        ranged = "that is cloudier than any day you measured"
    elif share * mean > float(daily.max()):
        ranged = "that is sunnier than any day you measured"
    return Weather(cooling={}, sun=share, sun_std=scatter, ranged=ranged)
