"""
Sun that was typed in a plan, for a trip that recorded none.

A panel asked of such a trip can only be told from sun hours that the owner typed.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.campday import camp_days
from campledger.judge.options.minutes import PANEL_DERATE

if TYPE_CHECKING:
    from campledger.judge.options.replay import Days
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig
    from campledger.model.series import TripRecord

TYPED_LO, TYPED_HI = 0.6, 1.3
"""What a typed sun hour may have been worth, 5 and 95 %: cloud, heat, tilt and shade.
Common practice, no source. [1]"""
DAYLIGHT = 43200.0


def with_typed_sun(days: Days, plan: Plan | None, record: TripRecord, rig: Rig) -> Days:
    """
    Give a trip without recorded sun the sun of its plan, for each watt of panel.

    Parameters
    ----------
    days : Days
        The measured days.
    plan : Plan or None
        Its ``sun_hours`` count; without any the days stay as they are.
    record, rig : TripRecord, Rig
        For dawn and dusk of each day.

    Returns
    -------
    days : Days
        ``sun`` W for 1 W of panel, and ``sun_typed``.

    References
    ----------
    .. [1] Half a sine between sunrise and sunset. Common practice, no source.
    """
    if days.sun_known or plan is None:
        return days
    made = np.zeros(len(days.step_utc))
    for day in camp_days(
        record.start_utc, record.end_utc, rig, plan, record.utc_offset
    ):
        planned = plan.day(day.date)
        if planned is None or not planned.sun_hours:
            continue
        dusk = day.sunset if np.isfinite(day.sunset) else day.dawn + DAYLIGHT
        inside = (days.step_utc > day.dawn) & (days.step_utc <= dusk)
        phase = (days.step_utc[inside] - day.dawn) / (dusk - day.dawn)
        length = (dusk - day.dawn) / 3600.0
        height = planned.sun_hours / (2.0 / np.pi * length) * PANEL_DERATE
        made[inside] = height * np.sin(np.pi * phase)
    if not made.any():
        return days
    lit = made > 0.0
    return replace(
        days,
        sun=made,
        sun_lo=TYPED_LO * made,
        sun_hi=TYPED_HI * made,
        fresh_sun=lit & ~np.concatenate(([False], lit[:-1])),
        sun_typed=True,
    )
