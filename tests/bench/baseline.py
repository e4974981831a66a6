"""
The baseline that the forecast must beat.

Net charge of all earlier windows of the same clock hours of this trip, equally likely,
from the same state of charge. Before 24 h of record, the plan. Where no earlier window
is long enough, earlier days of the same clock hours are laid end to end.
"""

from __future__ import annotations

import numpy as np

from campledger.judge.campday import rig_date
from campledger.judge.forecast_history import SLOTS, STEP, clear_of_rig
from campledger.judge.forecast_plan import mean_current

HOUR = 3600.0


def plan_net(history, rig, plan, steps):
    """Net current that the plan expects, half hour by half hour. [A]"""
    use = sum(mean_current(load, rig) for load in plan.loads)
    net = np.full(steps, -use)
    ends = history.at + STEP * np.arange(1, steps + 1)
    clear = clear_of_rig(ends, rig, history.utc_offset)
    rated = sum(s.current_rated or 0.0 for s in rig.sources if s.kind == "dcdc")
    for k, end in enumerate(ends):
        day = plan.day(rig_date(end - 1.0, history.utc_offset))
        if day is None:
            continue
        clock = np.mod(end - STEP + history.utc_offset, 86400.0) / HOUR
        if day.sun_hours is not None and clear.max() > 0:
            whole = clear[max(0, k - 24) : k + 24].sum() * STEP / HOUR
            watts = sum(s.power_panel or 0.0 for s in rig.sources if s.kind == "solar")
            wanted = watts * day.sun_hours * 0.75 / 13.6
            net[k] += clear[k] * min(1.0, wanted / max(whole, 1e-6))
        if day.drive:
            driven = np.clip(10.0 + day.drive / HOUR - clock, 0.0, 0.5) / 0.5
            net[k] += rated * driven * (clock >= 10.0)
    return net[None, :]


def windows(history, rig, plan, steps):
    """
    Equally likely net currents of the next ``steps`` half hours, (windows, steps).

    NaN bins take the mean of the same clock hours.
    """
    net = history.net
    if history.hours < 24.0 and plan is not None:
        return plan_net(history, rig, plan, steps)
    n = len(net)
    known = np.isfinite(net)
    slot = (np.arange(n) - n) % SLOTS
    usual = np.array(
        [
            net[(slot == s) & known].mean() if ((slot == s) & known).any() else np.nan
            for s in range(SLOTS)
        ]
    )
    usual = np.where(np.isfinite(usual), usual, np.nanmean(usual))
    filled = np.where(known, net, usual[slot])
    days = -(-steps // SLOTS)
    out = []
    back = days * SLOTS
    while back <= n:
        first = n - back
        if first + steps <= n:
            out.append(filled[first : first + steps])
        back += SLOTS
    if not out:
        whole = n // SLOTS
        rows = [filled[n - (k + 1) * SLOTS : n - k * SLOTS] for k in range(whole)]
        out = [np.tile(row, days)[:steps] for row in rows]
    if not out:
        out = [usual[np.arange(steps) % SLOTS]]
    return np.array(out)


def baseline(history, rig, plan, soc, capacity, steps):
    """
    Paths of the baseline.

    Returns
    -------
    soc (steps + 1, p), net (steps + 1, p): equally likely; soc never above full.
    """
    current = windows(history, rig, plan, steps).T
    hours = STEP / HOUR
    net = np.vstack([np.zeros(current.shape[1]), np.cumsum(current, axis=0) * hours])
    path = np.empty_like(net)
    path[0] = soc
    for k in range(steps):
        path[k + 1] = np.clip(path[k] + current[k] * hours / capacity, 0.0, 1.0)
    return path, net
