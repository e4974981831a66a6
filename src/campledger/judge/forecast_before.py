"""The same forecast before the trip: from the plan alone, with all that is unknown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.chemistry import open_circuit_table
from campledger.estimate.battery.simulate import typical
from campledger.judge.enough_types import Question
from campledger.judge.forecast import PATHS, State, forecast, outlook_of
from campledger.judge.forecast_history import History

if TYPE_CHECKING:
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig

HOUR = 3600.0
HORIZON_MOST = 14 * 86400.0
OPENING_STD = 0.05
"""How well an opening state of charge is known that was typed. Common practice."""
CAPACITY_STD = 0.08
"""How far capacity now lies from its rating, as a share. Common practice."""


@dataclass(frozen=True, kw_only=True)
class PlanForecast:
    """
    What a plan comes to: chance to stay above the floor, and the low points.

    ``time_utc`` (k,) with ``soc``, ``soc_lo``, ``soc_hi`` (k,): median and the 5 % and
    95 % points. ``low_utc`` is when the middle future is lowest.
    """

    chance_lasts: float
    time_utc: tuple[float, ...]
    soc: tuple[float, ...]
    soc_lo: tuple[float, ...]
    soc_hi: tuple[float, ...]
    low_utc: float
    spare: float
    spare_lo: float
    spare_hi: float


def no_history(plan: Plan, rig: Rig) -> History:
    """Give the history of a trip that has not begun."""
    empty = np.zeros(0)
    return History(
        at=plan.start_utc,
        utc_offset=plan.utc_offset,
        net=empty,
        cooling=empty,
        rest=empty,
        loads={},
        sun=empty,
        clear=empty,
        engine=empty,
        drive=empty,
        temp_air=empty,
        temp_inside=empty,
        soc=empty,
        cut=empty,
        has_sun=any(s.kind == "solar" for s in rig.sources),
        apart=True,
    )


def forecast_plan(plan: Plan, rig: Rig, rng: np.random.Generator) -> PlanForecast:
    """
    Forecast a plan before its first reading.

    Parameters
    ----------
    plan : Plan
        The plan; its opening state of charge counts, else full.
    rig : Rig
        The vehicle.
    rng : numpy Generator
        Source of chance.

    Returns
    -------
    forecast : PlanForecast
        To the plan's end, at most fourteen days.
    """
    house = rig.house
    capacity = house.capacity_now or house.capacity_rated
    model = typical(house.chemistry, capacity, open_circuit_table(house))
    outlook = outlook_of(no_history(plan, rig), rig, plan, model)
    opening = 1.0 if plan.opening_soc is None else plan.opening_soc
    state = State(
        soc=opening,
        soc_std=OPENING_STD,
        capacity=capacity,
        capacity_std=CAPACITY_STD * capacity,
    )
    until = min(plan.end_utc, plan.start_utc + HORIZON_MOST)
    made = forecast(outlook, state, Question(), until=until, paths=PATHS, rng=rng)
    soc = made.paths.soc
    lo, middle, hi = np.quantile(soc, [0.05, 0.5, 0.95], axis=1)
    spare = (made.wanted.soc.min(axis=0) - house.floor) * made.capacity
    spare_lo, spare_middle, spare_hi = np.quantile(spare, [0.05, 0.5, 0.95])
    return PlanForecast(
        chance_lasts=float((soc.min(axis=0) >= house.floor).mean()),
        time_utc=tuple(made.paths.time_utc.tolist()),
        soc=tuple(middle.tolist()),
        soc_lo=tuple(lo.tolist()),
        soc_hi=tuple(hi.tolist()),
        low_utc=float(made.paths.time_utc[int(np.argmin(middle))]),
        spare=float(spare_middle),
        spare_lo=float(spare_lo),
        spare_hi=float(spare_hi),
    )
