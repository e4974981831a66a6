"""All estimates of one trip, in the order in which they need each other."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from campledger.estimate.battery import estimate_battery
from campledger.estimate.fridge import fit_fridges
from campledger.estimate.loads import estimate_loads
from campledger.estimate.loads.censored import fill_like_hours
from campledger.estimate.sources import estimate_sources
from campledger.model.estimates import TripEstimates

if TYPE_CHECKING:
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig
    from campledger.model.series import TripRecord


def estimate_trip(
    record: TripRecord,
    rig: Rig,
    *,
    opening: float | None = None,
    plan: Plan | None = None,
    quick: bool = False,
) -> TripEstimates:
    """
    Estimate battery, sources, loads and fridges of a trip, and its demand.

    Parameters
    ----------
    record : TripRecord
        The trip.
    rig : Rig
        The vehicle.
    opening : float, optional
        State of charge at the start as typed, 0..1. [1]
    plan : Plan, optional
        The plan of the trip, for the place of each camp.
    quick : bool, optional
        Leave out the loads without a meter of their own.

    Returns
    -------
    estimates : TripEstimates
        On the record's minute grid; ``demand`` holds each load with its hidden minutes
        filled from like hours.

    References
    ----------
    Common practice, no source.
    """
    battery = estimate_battery(record, rig, opening=opening)
    sources = estimate_sources(record, rig, battery, plan=plan)
    result = estimate_loads(record, rig, battery, sources, quick=quick)
    censored = result.censored
    loads = tuple(
        replace(use, censored=censored.loads[use.name]) for use in result.loads
    )
    demand = {
        use.name: fill_like_hours(
            use.power,
            censored.loads[use.name] | censored.dark,
            record.minute_utc,
            record.utc_offset,
        )
        for use in loads
    }
    return TripEstimates(
        battery=battery,
        loads=loads,
        sources=sources,
        not_itemised=result.not_itemised,
        fridges=fit_fridges(record, rig, loads),
        censored=censored.trip,
        demand=demand,
        notes=result.notes,
    )
