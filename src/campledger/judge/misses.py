"""
Where the plan missed: rate part and hours part of every line, and a cause word.

``rate part = (rate measured - rate planned) * hours planned`` and
``hours part = (hours measured - hours planned) * rate measured``: they add up exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.statement_types import Miss
from campledger.model.rig import COOLING
from campledger.model.words import Word

if TYPE_CHECKING:
    from campledger.model.estimates import LoadUse, SourceUse
    from campledger.model.plan import PlanLoad
    from campledger.model.rig import Rig

AS_PLANNED_SHARE = 0.05
"""A miss below this share of the plan is as planned. Common practice, no source."""
AS_PLANNED_CHARGE = 0.5
"""... or below this many A.h over the trip. Common practice, no source."""
HOTTER = 1.5
"""Mean air temperature off the plan by this counts as the cause. [K] Derived."""
OFF_SHARE = 0.02
"""Above this share of the trip without power a shortfall is not thrift. Derived."""


@dataclass(frozen=True, kw_only=True)
class Circumstances:
    """What happened around the loads; temperatures [Cel], drives [s], shares [1]."""

    temp_planned: float | None
    temp_measured: float | None
    censored_share: float
    drive_planned: float
    drive_measured: float
    held_back_share: float


def _typed_in_energy(load: PlanLoad | None) -> bool:
    return load is not None and load.energy is not None


def load_miss(
    name: str,
    planned: PlanLoad | None,
    planned_total: tuple[float, float] | None,
    use: LoadUse | None,
    rig: Rig,
    around: Circumstances,
    rate_planned: float | None,
    measured_total: tuple[float, float] | None = None,
) -> Miss:
    """
    Compare one load's plan with what it used over the trip.

    Parameters
    ----------
    name : str
        The load.
    planned : PlanLoad or None
        Its line of the plan.
    planned_total : (charge, energy) or None
        Planned over the camp days of the trip. [A.h], [W.h]
    use : LoadUse or None
        None if it was neither measured nor worked out.
    rig : Rig
        For its kind.
    around : Circumstances
        For the cause word.
    rate_planned : float or None
        Planned amps (or watts, where watt-hours were typed) while on; None where the
        plan has no split.
    measured_total : (charge, energy), optional
        As the statement prints it; else the sum of the minutes. [A.h], [W.h]

    Returns
    -------
    miss : Miss
        In the unit that was typed.
    """
    energy = _typed_in_energy(planned)
    unit = "Wh" if energy else "Ah"
    want = None if planned_total is None else planned_total[1 if energy else 0]
    have, lo, hi, hours = _measured(use, energy=energy)
    if have is not None and measured_total is not None:
        have = measured_total[1 if energy else 0]
    planned_hours = want / rate_planned if want is not None and rate_planned else None
    rate = have / hours if have is not None and hours else None
    parts: tuple[float | None, float | None] = (None, None)
    if (
        None not in (want, have, planned_hours, rate_planned, rate)
        and hours is not None
    ):
        parts = _split(rate, hours, rate_planned, planned_hours)
    word = Word.MISSING if use is None else use.word
    cause = _load_cause(name, want, have, parts, rig, around, unit)
    duty = None
    if use is not None and hours is not None:
        known = float(np.isfinite(use.on_share).sum()) / 60.0
        duty = hours / known if known else None
    return Miss(
        name=name,
        kind="load",
        unit=unit,
        planned=want,
        measured=have,
        rate_part=parts[0],
        hours_part=parts[1],
        rate_planned=rate_planned,
        hours_planned=planned_hours,
        rate_measured=rate,
        hours_measured=hours,
        lo=lo,
        hi=hi,
        duty=duty,
        cause=cause,
        word=word,
        figure=planned.figure if planned is not None else "",
    )


def _split(
    rate: float | None,
    hours: float,
    rate_planned: float | None,
    hours_planned: float | None,
) -> tuple[float | None, float | None]:
    if rate is None or rate_planned is None or hours_planned is None:
        return None, None
    return (rate - rate_planned) * hours_planned, (hours - hours_planned) * rate


def _measured(
    use: LoadUse | None, *, energy: bool
) -> tuple[float | None, float | None, float | None, float | None]:
    """Give total, interval and hours on in the wanted unit."""
    if use is None or use.word is Word.MISSING:
        return None, None, None, None
    charge = float(np.nansum(use.charge))
    watt_hours = float(np.nansum(use.power)) / 60.0
    total = watt_hours if energy else charge
    scale = total / use.energy.value if use.energy.value else 1.0
    hours = float(np.nansum(use.on_share)) / 60.0
    return total, use.energy.lo * scale, use.energy.hi * scale, hours


def _load_cause(
    name: str,
    want: float | None,
    have: float | None,
    parts: tuple[float | None, float | None],
    rig: Rig,
    around: Circumstances,
    unit: str,
) -> str:
    if have is None:
        return "not measured"
    if want is None:
        return "not planned"
    miss = have - want
    least = AS_PLANNED_CHARGE * (rig.house.voltage_nominal if unit == "Wh" else 1.0)
    if abs(miss) <= max(AS_PLANNED_SHARE * want, least):
        return "as planned"
    if miss < 0 and around.censored_share > OFF_SHARE:
        return "power was off"
    rate, hours = parts
    if rate is None or hours is None:
        return "wrong figure"
    if abs(rate) > abs(hours):
        return "draws more" if rate > 0 else "draws less"
    load = rig.load(name)
    temps = (around.temp_measured, around.temp_planned)
    if load is not None and load.kind in COOLING and None not in temps:
        difference = (around.temp_measured or 0.0) - (around.temp_planned or 0.0)
        if abs(difference) >= HOTTER and difference * hours > 0:
            return "hotter" if difference > 0 else "cooler"
    return "on longer" if hours > 0 else "on shorter"


def source_miss(
    name: str,
    planned_total: tuple[float, float] | None,
    use: SourceUse | None,
    around: Circumstances,
    measured_total: float | None = None,
) -> Miss:
    """
    Compare one source's plan with what it gave over the trip.

    A sun or drive that did not happen is a missed opportunity, not a load's miss.

    Parameters
    ----------
    name : str
        The source.
    planned_total : (charge, energy) or None
        Planned over the camp days of the trip. [A.h], [W.h]
    use : SourceUse or None
        None if it was not measured.
    around : Circumstances
        Drives and how long a full battery held it back.
    measured_total : float, optional
        As the statement prints it; else the sum of the minutes. [A.h]

    Returns
    -------
    miss : Miss
        In A.h; sources have no split.
    """
    want = None if planned_total is None else planned_total[0]
    have = None
    if use is not None and use.word is not Word.MISSING:
        have = float(np.nansum(use.charge))
        have = have if measured_total is None else measured_total
    cause = _source_cause(want, have, use, around)
    return Miss(
        name=name,
        kind="source",
        unit="Ah",
        planned=want,
        measured=have,
        rate_part=None,
        hours_part=None,
        rate_planned=None,
        hours_planned=None,
        rate_measured=None,
        hours_measured=None,
        lo=None,
        hi=None,
        duty=None,
        cause=cause,
        word=Word.MISSING if use is None else use.word,
    )


def _source_cause(
    want: float | None,
    have: float | None,
    use: SourceUse | None,
    around: Circumstances,
) -> str:
    if have is None:
        return "not measured"
    if want is None:
        return "not planned"
    miss = have - want
    if abs(miss) <= max(AS_PLANNED_SHARE * want, AS_PLANNED_CHARGE):
        return "as planned"
    solar = use is not None and use.kind == "solar"
    if miss < 0 and have < 0.02 * want:
        return "did not happen"
    if solar:
        if miss < 0 and around.held_back_share > 0.15:
            return "battery was full"
        return "less sun" if miss < 0 else "more sun"
    if around.drive_planned > 0:
        ratio = around.drive_measured / around.drive_planned
        if ratio < 0.9 and miss < 0:
            return "drove less"
        if ratio > 1.1 and miss > 0:
            return "drove more"
    return "battery was full" if miss < 0 else "more charge"


def sort_key(miss: Miss) -> tuple[int, float]:
    """Order misses: largest first, lines without a comparison last."""
    if miss.miss is None:
        return (1, -(miss.measured or 0.0))
    volts = 12.5 if miss.unit == "Wh" else 1.0
    return (0, -abs(miss.miss) / volts)
