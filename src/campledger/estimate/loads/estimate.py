"""All loads of a trip: metered ones as read, the rest worked out from the remainder."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from campledger.estimate.loads.censored import Censored, find_censored
from campledger.estimate.loads.metered import SECONDS_PER_HOUR, metered_load
from campledger.model.estimates import Estimate, LoadUse
from campledger.model.series import MINUTE
from campledger.model.words import Word

if TYPE_CHECKING:
    from campledger.model.estimates import BatteryEstimate, SourceUse
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray, TripRecord


class LoadsEstimate(NamedTuple):
    """
    What the loads used.

    ``not_itemised`` (m,) is out but in no load, A, may be negative, NaN where unknown.
    """

    loads: tuple[LoadUse, ...]
    not_itemised: FloatArray
    censored: Censored
    notes: tuple[str, ...]


def missing_load(name: str, minutes: int, reason: str) -> LoadUse:
    """
    Say that a load's use cannot be told, and why.

    Parameters
    ----------
    name : str
        Load.
    minutes : int
        Length of the minute grid.
    reason : str
        Why.

    Returns
    -------
    use : LoadUse
        All NaN, word missing.

    References
    ----------
    Common practice, no source.
    """
    nan = np.full(minutes, np.nan)
    return LoadUse(
        name=name,
        word=Word.MISSING,
        power=nan,
        power_lo=nan,
        power_hi=nan,
        charge=nan,
        on_share=nan,
        energy=Estimate.missing(reason),
        current_running=float("nan"),
        current_standing=float("nan"),
        starts=0,
        notes=(reason,),
    )


def current_out(battery: BatteryEstimate, sources: tuple[SourceUse, ...]) -> FloatArray:
    """
    All that left: what the sources gave minus what went into the battery.

    Parameters
    ----------
    battery : BatteryEstimate
        With the corrected battery current. [A]
    sources : tuple of SourceUse
        Charge of each minute. [A.h]

    Returns
    -------
    out : (m,) float64
        Mean of each minute, NaN where the battery or a source is unknown. [A]

    References
    ----------
    .. [1] Charge balance at the house bus. Common practice, no source.
    """
    out: FloatArray = -battery.current_corrected
    for source in sources:
        out = out + source.charge * (SECONDS_PER_HOUR / MINUTE)
    return out


def estimate_loads(
    record: TripRecord,
    rig: Rig,
    battery: BatteryEstimate,
    sources: tuple[SourceUse, ...],
    *,
    quick: bool = False,
) -> LoadsEstimate:
    """
    Account for every load of the rig, and for what is in none.

    Parameters
    ----------
    record : TripRecord
        The trip.
    rig : Rig
        Its load list.
    battery : BatteryEstimate
        The house battery of that trip.
    sources : tuple of SourceUse
        What charged it.
    quick : bool, optional
        Leave out the loads without a meter (they come out as missing).

    Returns
    -------
    result : LoadsEstimate
        Loads in the order of the rig file.

    References
    ----------
    Common practice, no source.
    """
    m = len(record.minute_utc)
    out = current_out(battery, sources)
    found = {x.name: metered_load(record, x.name) for x in rig.loads}
    reason = "not asked for" if quick else "no meter of its own"
    loads = tuple(found[x.name] or missing_load(x.name, m, reason) for x in rig.loads)
    rest = out
    for use in loads:
        if use.word is not Word.MISSING:
            rest = rest - np.nan_to_num(use.charge) * (SECONDS_PER_HOUR / MINUTE)
    censored = find_censored(record, rig, loads, out)
    return LoadsEstimate(loads, rest, censored, ())
