"""
Which way the panel faced in each camp, and how strong it is.

In minutes that nothing held back, output is beam along the panel's normal plus the
light of the sky, which is linear in (power times normal). Clouds and shade only ever
lower it, so a fit that trusts the upper edge finds the panel. A heading that the record
cannot show stays at what the rig file says, or flat.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.clear_sky import panel_normal

if TYPE_CHECKING:
    from campledger.estimate.sun_camps import Camp
    from campledger.estimate.sun_reference import SunReference
    from campledger.model.rig import Source
    from campledger.model.series import BoolArray, FloatArray

LEAN_STD = 0.10
"""How far a parked roof leans (tangent), besides the typed tilt. Common practice."""
SCALE_STD = 0.06
"""How much the strength differs from camp to camp (haze, dust). Common practice."""
EDGE = 0.03
"""Scatter of clear minutes around a clear-sky model. Common practice."""
LOW_SUN = 12.0
"""Below this the horizon and the model are not trusted. [deg]"""
SMOOTH = 0.02
"""Change in five minutes against a clear sky: more is a cloud. Common practice."""
NOON_STD = 360.0
"""How far solar noon lies from the named longitude's after a drive: 1.5 deg. Lean to
east or west looks alike, so the two are weighed, not told apart. No source. [s]"""
NOON_LEAST = 60.0
"""Smaller shifts are left out. [s]"""
LINKED = 0.1
"""What a minute is worth beside its neighbours, which err alike. Common practice."""
DERATE = 0.8
"""Battery side over nameplate where no clear sun was seen. Common practice."""


@dataclass(frozen=True, kw_only=True)
class PanelFit:
    """
    The panel of a trip: ``facing`` (camps, 3) W, its strength ``scale`` W on the flat.

    ``noon`` (camps,) s is how much later the sun came than at the named longitude, 0
    where the position is known or the record cannot show it.
    ``smooth_minutes`` counts the clear minutes behind it, 0 = nameplate only (assumed).
    """

    facing: FloatArray
    noon: FloatArray
    scale: float
    scale_std: float
    smooth_minutes: int


def smooth_minutes(power: FloatArray, clear: FloatArray, free: BoolArray) -> BoolArray:
    """
    Find minutes whose output changes only as the clear sky does.

    Parameters
    ----------
    power : (m,) float64
        Output. [W]
    clear : (m,) float64
        Shape of a clear day, any scale. [W]
    free : (m,) bool
        Not held back. [1]

    Returns
    -------
    smooth : (m,) bool
        Steady index over eleven minutes. [1]

    References
    ----------
    .. [1] After Reno and Hansen, "Identification of periods of clear sky irradiance in
       time series of GHI measurements", Renewable Energy 90, 2016 (line length).
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        index = np.where(free & (clear > 0), power / clear, np.nan)
    smooth = np.zeros(len(power), dtype=np.bool_)
    if len(power) < 11:
        return smooth
    level = np.nanquantile(index, 0.95) if np.isfinite(index).any() else np.nan
    ahead = np.abs(index[10:] - index[:-10])
    mid = np.abs(index[5:-5] - 0.5 * (index[10:] + index[:-10]))
    with np.errstate(invalid="ignore"):
        good = (ahead < 3 * SMOOTH * level) & (mid < SMOOTH * level)
        smooth[5:-5] = good & (index[5:-5] > 0.35 * level)
    return smooth & free


def fit_panel(
    source: Source,
    reference: SunReference,
    camps: tuple[Camp, ...],
    power: FloatArray,
    free: BoolArray,
) -> PanelFit:
    """
    Fit strength and lean of the panel in each camp.

    Parameters
    ----------
    source : Source
        Nameplate, tilt and azimuth as typed.
    reference : SunReference
        Clear sky of the trip.
    camps : tuple of Camp
        Stays.
    power : (m,) float64
        Output. [W]
    free : (m,) bool
        Minutes that nothing held back. [1]

    Returns
    -------
    fit : PanelFit
        For each camp the normal times the power.

    References
    ----------
    .. [1] Iteratively reweighted least squares with weights that forgive low points
       (expectiles: Newey and Powell, Econometrica 55, 1987, 819-847).
    """
    typed = panel_normal(source.tilt, source.azimuth)
    clear = reference.panel(typed)
    high = reference.elevation > LOW_SUN
    smooth = smooth_minutes(power, clear, free & high & (clear > 0.02))
    scale, spread = _trip_scale(source, power, clear, smooth)
    fits = [
        _fit_camp(reference, power, smooth, camp, scale * typed, scale)
        for camp in camps
    ]
    return PanelFit(
        facing=np.array([f[:3] for f in fits]).reshape(-1, 3),
        noon=np.array(
            [0.0 if c.placed else f[3] for c, f in zip(camps, fits, strict=True)]
        ),
        scale=scale,
        scale_std=spread,
        smooth_minutes=int(smooth.sum()),
    )


def _trip_scale(
    source: Source, power: FloatArray, clear: FloatArray, smooth: BoolArray
) -> tuple[float, float]:
    """The trip's own best: upper edge of the smooth minutes, each hour one vote."""
    rated = 100.0 if source.power_panel is None else source.power_panel
    if smooth.sum() < 20:
        with np.errstate(invalid="ignore", divide="ignore"):
            index = np.where(clear > 0.1, power / clear, np.nan)
        best = np.nanmax(index) if np.isfinite(index).any() else 0.0
        return max(DERATE * rated, float(best)), 0.15
    index = power[smooth] / clear[smooth]
    weight = clear[smooth]
    order = np.argsort(index)
    rank = np.cumsum(weight[order]) / weight.sum()
    best = float(index[order][np.searchsorted(rank, 0.85)])
    return best, SCALE_STD / np.sqrt(1 + smooth.sum() / 240.0) + 0.01


def _fit_camp(
    reference: SunReference,
    power: FloatArray,
    smooth: BoolArray,
    camp: Camp,
    prior: FloatArray,
    scale: float,
) -> FloatArray:
    cut = slice(camp.first, camp.last)
    use = np.flatnonzero(smooth[cut]) + camp.first
    start = np.concatenate((prior, [0.0]))
    if use.size < 20:
        return start
    use = use[:: max(1, use.size // 400)]
    design = np.empty((len(use), 4))
    design[:, :3] = reference.beam[use]
    design[:, 2] += reference.diffuse[use]
    # a sun that comes later by d shows the output of d earlier
    design[:, 3] = -np.gradient(reference.panel(prior))[use] / 60.0
    y = power[use]
    noon = 1e-3 if camp.placed else NOON_STD
    std = np.concatenate((scale * np.array([LEAN_STD, LEAN_STD, SCALE_STD]), [noon]))
    theta = start.copy()
    for _ in range(15):
        model = np.maximum(design @ theta, 1e-6)
        gap = (y - model) / (EDGE * model)
        weight = np.where(gap > 0, 1.0, 1.0 / (1.0 + (gap / 2.0) ** 2) ** 2)
        weight = weight * LINKED / (EDGE * model) ** 2
        precision = (design * weight[:, None]).T @ design + np.diag(std**-2.0)
        pull = (design * weight[:, None]).T @ y + start / std**2
        theta = np.linalg.solve(precision, pull)
    return theta
