"""All loads of a trip: metered ones as read, the rest worked out from the remainder."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from campledger.estimate.loads.censored import Censored, find_censored
from campledger.estimate.loads.metered import SECONDS_PER_HOUR, metered_load
from campledger.estimate.loads.teach import Lesson, learn_from_meter
from campledger.estimate.loads.unmetered import missing_load, unmetered_loads
from campledger.model.estimates import Estimate
from campledger.model.series import MINUTE
from campledger.model.words import Word, weakest

if TYPE_CHECKING:
    from campledger.model.estimates import BatteryEstimate, LoadUse, SourceUse
    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray, TripRecord

WHOLE = 0.9
"""A load metered for less of the trip is worked out for the rest. Common practice, no
source."""


class LoadsEstimate(NamedTuple):
    """
    What the loads used.

    ``not_itemised`` (m,) is out but in no load, A, may be negative, NaN where unknown.
    """

    loads: tuple[LoadUse, ...]
    not_itemised: FloatArray
    censored: Censored
    notes: tuple[str, ...]


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
    partly = {n for n, use in found.items() if use and _covered(record, use) < WHOLE}
    open_names = tuple(n for n, use in found.items() if use is None or n in partly)
    guessed: dict[str, LoadUse] = {}
    if quick:
        guessed = {n: missing_load(n, m, "not asked for") for n in open_names}
    elif open_names:
        lessons = tuple(x for x in (_lesson(record, n) for n in partly) if x)
        guessed = unmetered_loads(record, rig, battery, open_names, lessons)
    loads = tuple(_choose(x.name, found, guessed, partly) for x in rig.loads)
    rest = out
    for use in loads:
        if use.word is not Word.MISSING:
            rest = rest - np.nan_to_num(use.charge) * (SECONDS_PER_HOUR / MINUTE)
    censored = find_censored(record, rig, loads, out)
    return LoadsEstimate(loads, rest, censored, ())


def _covered(record: TripRecord, use: LoadUse) -> float:
    """Share of the recorded minutes in which a load was metered."""
    recorded = record.minutes["voltage_house_v"].covered > 0
    metered = np.isfinite(use.power)
    return float((metered & recorded).sum()) / max(1, int(recorded.sum()))


def _lesson(record: TripRecord, name: str) -> Lesson | None:
    channel = f"current_{name}_a"
    if channel not in record.channels:
        return None
    return learn_from_meter(name, record.channels[channel])


def _choose(
    name: str,
    found: dict[str, LoadUse | None],
    guessed: dict[str, LoadUse],
    partly: set[str],
) -> LoadUse:
    """Take the meter where there was one, what was worked out elsewhere."""
    metered, worked = found[name], guessed.get(name)
    if metered is None or worked is None:
        use = metered or worked
        if use is None:
            msg = f"loads: no use was found for {name}, expected one of the rig's loads"
            raise ValueError(msg)
        return use
    if name not in partly or worked.word is Word.MISSING:
        return metered
    return _join(metered, worked)


def _join(metered: LoadUse, worked: LoadUse) -> LoadUse:
    """Join what a meter saw for a while with what was worked out for the rest."""
    seen = np.isfinite(metered.power)

    def pick(a: FloatArray, b: FloatArray) -> FloatArray:
        return np.where(seen, a, b)

    hours = MINUTE / SECONDS_PER_HOUR
    power = pick(metered.power, worked.power)
    low = pick(metered.power_lo, worked.power_lo)
    high = pick(metered.power_hi, worked.power_hi)
    value = float(np.nansum(power)) * hours
    parts = (
        (float(np.nansum(metered.power)), metered.word),
        (float(np.nansum(worked.power[~seen])), worked.word),
    )
    word = weakest(parts)
    return replace(
        worked,
        word=word,
        power=power,
        power_lo=low,
        power_hi=high,
        charge=pick(metered.charge, worked.charge),
        on_share=pick(metered.on_share, worked.on_share),
        energy=Estimate(
            value=value,
            lo=float(np.nansum(low)) * hours,
            hi=float(np.nansum(high)) * hours,
            word=word,
        ),
        starts=metered.starts + worked.starts,
        notes=(*worked.notes, "metered for part of the trip"),
    )
