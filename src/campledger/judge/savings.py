"""What each switch brings by the deadline; the fridge by its heat leak, last."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.fridge_warming import saving_share, warming
from campledger.judge.cooling import time_constant_of
from campledger.judge.enough_types import Saving
from campledger.judge.forecast_draws import Prior, slot_means
from campledger.judge.forecast_history import SLOTS, STEP, rows_of
from campledger.model.rig import COOLING
from campledger.model.words import Word

if TYPE_CHECKING:
    from campledger.judge.forecast_history import History
    from campledger.model.estimates import LoadUse, TripEstimates
    from campledger.model.rig import Load, Rig
    from campledger.model.series import FloatArray

NEVER_LISTED = frozenset({"standby", "logger"})
"""Nothing to switch off, or nothing would be counted any more."""
LEAST_LISTED = 0.3
"""Savings below this by the deadline are not worth a line. Common practice. [A.h]"""
NIGHT_START, NIGHT_END = 22.0, 6.0
"""The off period that people ask about. Job map B11."""
HOURS_NIGHT = 8.0


def load_profile(history: History, name: str) -> FloatArray:
    """
    Give a load's mean current at each coming clock slot.

    Parameters
    ----------
    history : History
        Holds the loads' half hours.
    name : str
        Which load.

    Returns
    -------
    current : (48,) float64
        Zeros where it was not measured. [A]
    """
    values = history.loads.get(name)
    if values is None or not np.isfinite(values).any():
        return np.zeros(SLOTS)
    mean = slot_means(rows_of(values), Prior())
    return np.maximum(np.nan_to_num(mean), 0.0)


def charge_until(profile: FloatArray, hours: float) -> float:
    """
    Add a profile up to a deadline.

    Parameters
    ----------
    profile : (48,) float64
        Current at each coming half hour, repeating daily. [A]
    hours : float
        Until the deadline. [h]

    Returns
    -------
    charge : float
        [A.h]
    """
    whole = int(hours * 3600.0 // STEP)
    slots = np.arange(whole) % SLOTS
    rest = hours * 3600.0 - whole * STEP
    total = float(profile[slots].sum()) * STEP + rest * float(profile[whole % SLOTS])
    return total / 3600.0


def fridge_night(
    current: float, time_constant: float, inside: float, air: float
) -> tuple[float, float]:
    """
    Give what a fridge switched off from 22 to 6 saves and how warm it gets.

    Parameters
    ----------
    current : float
        Its mean draw. [A]
    time_constant : float
        Of warming. [s]
    inside, air : float
        Now, and at night. [Cel]

    Returns
    -------
    charge : float
        Saved, after pulling it down again. [A.h]
    temp : float
        Inside at six. [Cel]

    References
    ----------
    .. [1] Job map B11, story T5.
    """
    night = HOURS_NIGHT * 3600.0
    share = saving_share(night, time_constant)
    after = float(warming(np.array([night]), inside, air, time_constant)[0])
    return current * HOURS_NIGHT * share, after


def idle_profile(profile: FloatArray, use: LoadUse, load: Load) -> FloatArray:
    """Give the part of an inverter's draw that it takes with nothing plugged in. [A]"""
    idle = load.current_idle
    if use.current_standing > 0.05:
        idle = use.current_standing
    return np.minimum(profile, idle) if idle else profile


def list_savings(
    history: History, rig: Rig, estimates: TripEstimates, hours: float
) -> tuple[Saving, ...]:
    """
    List what can be switched off, largest saving first, the fridge last.

    Loads marked never to be listed, loads whose draw is unknown, and this logger itself
    (nothing would be counted then) do not appear.

    Parameters
    ----------
    history, rig, estimates : History, Rig, TripEstimates
        The trip.
    hours : float
        Until the deadline. [h]

    Returns
    -------
    savings : tuple of Saving
        Charges by the deadline and a day.
    """
    out = []
    for load in rig.loads:
        use = estimates.load(load.name)
        if use is None or load.never_list or use.word >= Word.ASSUMED:
            continue
        if load.kind in COOLING or load.kind in NEVER_LISTED:
            continue
        out += _plain(history, use, load, hours)
    out.sort(key=lambda s: -s.charge)
    kept = [s for s in out if s.charge >= LEAST_LISTED]
    return (*kept, *_cold(history, rig, estimates, hours))


def _plain(history: History, use: LoadUse, load: Load, hours: float) -> list[Saving]:
    profile = load_profile(history, load.name)
    note = ""
    if load.kind == "inverter":
        profile = idle_profile(profile, use, load)
    charge = charge_until(profile, hours)
    if use.group and len(use.group) > 1:
        note = "together with " + ", ".join(n for n in use.group if n != load.name)
    return [
        Saving(
            load=load.name,
            kind=load.kind,
            charge=charge,
            charge_a_day=float(profile.sum()) * STEP / 3600.0,
            text=f"{_label(load)}: {_amount(charge)} Ah",
            note=note,
        )
    ]


def _label(load: Load) -> str:
    return load.name[:1].upper() + load.name[1:]


def _amount(charge: float) -> str:
    return f"{charge:.0f}" if charge >= 9.95 else f"{charge:.1f}".removesuffix(".0")


def _cold(
    history: History, rig: Rig, estimates: TripEstimates, hours: float
) -> list[Saving]:
    """Say what the fridge off for a night would save, and what it would cost."""
    local = np.mod((history.at + history.utc_offset) / 3600.0, 24.0)
    begins = (NIGHT_START - local) % 24.0
    if NIGHT_END <= local < NIGHT_START and hours < begins + HOURS_NIGHT:
        return []
    out = []
    for load in rig.loads:
        use = estimates.load(load.name)
        if load.kind not in COOLING or load.never_list or load.contents == "medicine":
            continue
        if use is None or use.word >= Word.ASSUMED:
            continue
        current = float(load_profile(history, load.name).mean())
        inside = history.temp_inside[np.isfinite(history.temp_inside)]
        air = _night_air(history)
        if current <= 0 or not inside.size or np.isnan(air):
            continue
        constant, _ = time_constant_of(estimates.fridges, load.name)
        charge, warm = fridge_night(current, constant, float(inside[-6:].mean()), air)
        out.append(
            Saving(
                load=load.name,
                kind=load.kind,
                charge=charge,
                charge_a_day=charge,
                text=f"{_label(load)} off 22-06: {_amount(charge)} Ah",
                note=(
                    f"inside reaches {warm:.0f} degC, "
                    f"your limit is {load.temp_cold_line:.0f}"
                ),
            )
        )
    return out


def _night_air(history: History) -> float:
    """Give the mean night air of the trip, NaN if unknown. [Cel]"""
    n = len(history.temp_air)
    local = history.at + history.utc_offset - STEP * (np.arange(n - 1, -1, -1) + 0.5)
    clock = np.mod(local / 3600.0, 24.0)
    night = (clock >= NIGHT_START) | (clock < NIGHT_END)
    values = history.temp_air[night & np.isfinite(history.temp_air)]
    return float(values.mean()) if values.size else float("nan")
