"""
What a cloudless sky gives, on the flat and on a tilted panel.

The Ineichen-Perez model with a turbidity that is a climatological mean of the latitude
and the month, not of the day: a reference to compare with, good to several percent, and
never by itself a proof that a panel gave too little.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from campledger.model.series import FloatArray

SOLAR_CONSTANT = 1366.1
"""ASTM E490. [W/m2]"""
YEAR = 31556926.0
"""Mean tropical year. [s]"""
ALBEDO = 0.2
"""Common practice, no source."""
PRESSURE_SCALE = 8434.5
"""Height in which pressure falls by e, standard atmosphere near the ground. [m]"""

TURBIDITY_LATITUDES = np.arange(-55.0, 66.0, 10.0)
"""Middles of the bands of ``TURBIDITY``. [deg]"""
TURBIDITY = np.array(
    [
        [2.7, 2.5, 2.1, 2.2, 2.1, 2.1, 2.0, 2.0, 2.2, 2.2, 2.5, 2.6],
        [3.1, 2.9, 2.4, 2.6, 2.2, 2.2, 2.1, 2.1, 2.6, 2.6, 3.0, 3.0],
        [3.3, 3.3, 2.9, 2.9, 2.6, 2.5, 2.5, 2.3, 2.9, 3.0, 3.2, 3.2],
        [3.7, 3.7, 3.4, 3.2, 2.9, 2.9, 2.8, 2.7, 3.2, 3.3, 3.5, 3.6],
        [3.9, 3.9, 3.6, 3.4, 3.0, 3.2, 3.0, 3.1, 3.7, 3.9, 3.9, 3.8],
        [3.9, 4.1, 4.1, 3.8, 3.5, 3.7, 3.4, 3.5, 3.9, 4.1, 4.0, 4.0],
        [3.7, 3.9, 4.2, 4.1, 4.1, 4.1, 4.0, 4.0, 4.3, 4.1, 3.8, 3.9],
        [3.3, 3.4, 3.8, 4.1, 4.2, 4.2, 4.3, 4.4, 4.3, 3.9, 3.5, 3.5],
        [2.9, 3.1, 3.4, 3.7, 4.0, 4.0, 4.2, 4.2, 3.9, 3.6, 3.2, 3.1],
        [2.4, 2.6, 2.8, 3.2, 3.5, 3.6, 3.8, 3.7, 3.5, 3.0, 2.7, 2.5],
        [2.3, 2.4, 2.6, 3.0, 3.4, 3.5, 3.7, 3.6, 3.3, 2.8, 2.4, 2.3],
        [2.1, 2.1, 2.2, 2.4, 2.9, 3.2, 3.4, 3.3, 2.9, 2.5, 2.2, 2.1],
        [2.0, 2.0, 2.0, 2.1, 2.3, 2.7, 3.1, 2.9, 2.5, 2.1, 2.0, 1.9],
    ]
)
"""Linke turbidity, mean over a band of 10 degrees for each month, from the worldwide
maps of Remund et al., "Worldwide Linke turbidity information", ISES 2003, as shipped
with pvlib 0.16.1 (BSD-3); one place differs from its band by about 0.4."""


@dataclass(frozen=True, kw_only=True)
class ClearSky:
    """Irradiance under a cloudless sky, arrays (n,), W/m2: global, beam, diffuse."""

    ghi: FloatArray
    dni: FloatArray
    dhi: FloatArray


def extraterrestrial(time_utc: FloatArray) -> FloatArray:
    """
    Give the irradiance above the air, square to the sun.

    Parameters
    ----------
    time_utc : (n,) float64
        Instants. [s]

    Returns
    -------
    irradiance : (n,) float64
        Follows the distance of the sun. [W/m2]

    References
    ----------
    .. [1] Spencer, "Fourier series representation of the position of the sun",
       Search 2(5), 1971, 172.
    """
    turn = 2.0 * np.pi * day_of_year(time_utc) / 365.0
    return SOLAR_CONSTANT * (
        1.00011
        + 0.034221 * np.cos(turn)
        + 0.00128 * np.sin(turn)
        + 0.000719 * np.cos(2 * turn)
        + 7.7e-05 * np.sin(2 * turn)
    )


def day_of_year(time_utc: FloatArray) -> FloatArray:
    """
    Give whole days since New Year.

    Parameters
    ----------
    time_utc : (n,) float64
        Instants. [s]

    Returns
    -------
    day : (n,) float64
        0 on the first of January. [1]

    References
    ----------
    .. [1] Common practice, no source.
    """
    days = np.floor(np.asarray(time_utc, dtype=np.float64) / 86400.0)
    dates = days.astype("datetime64[D]")
    number: FloatArray = (dates - dates.astype("datetime64[Y]")).astype(np.float64)
    return number


def airmass(zenith: FloatArray) -> FloatArray:
    """
    Give the relative airmass.

    Parameters
    ----------
    zenith : (n,) float64
        Apparent zenith of the sun; NaN comes back from the horizon down. [deg]

    Returns
    -------
    airmass : (n,) float64
        1 overhead. [1]

    References
    ----------
    .. [1] Kasten and Young, "Revised optical air mass tables and approximation
       formula", Applied Optics 28, 1989, 4735-4738.
    """
    z = np.where(zenith < 90.0, zenith, np.nan)
    return 1.0 / (np.cos(np.radians(z)) + 0.50572 * (96.07995 - z) ** -1.6364)


def linke_turbidity(time_utc: float, latitude: float) -> float:
    """
    Give the usual turbidity of a latitude and season.

    Parameters
    ----------
    time_utc : float
        An instant; the middles of the months are joined by straight lines. [s]
    latitude : float
        North positive. [deg]

    Returns
    -------
    turbidity : float
        Linke turbidity at airmass 2; about +-0.6 from place to place. [1]

    References
    ----------
    .. [1] See ``TURBIDITY``.
    """
    day = float(day_of_year(np.array([time_utc]))[0])
    month = (np.arange(-1, 13) + 0.5) * 365.25 / 12.0
    column = np.array(
        [
            np.interp(day + 0.5, month, np.concatenate((row[-1:], row, row[:1])))
            for row in TURBIDITY
        ]
    )
    return float(np.interp(latitude, TURBIDITY_LATITUDES, column))


def haurwitz(zenith: FloatArray) -> FloatArray:
    """
    Give the simplest clear-sky irradiance on the flat: zenith angle only.

    Parameters
    ----------
    zenith : (n,) float64
        Apparent zenith. [deg]

    Returns
    -------
    ghi : (n,) float64
        0 from the horizon down. [W/m2]

    References
    ----------
    .. [1] Haurwitz, "Insolation in relation to cloudiness and cloud density", Journal
       of Meteorology 2, 1945, 154-166; with 0.059 as in Reno et al., SAND2012-2389.
    """
    cos_z = np.cos(np.radians(np.asarray(zenith, dtype=np.float64)))
    up = cos_z > 0
    safe = np.where(up, cos_z, 1.0)
    return np.where(up, 1098.0 * safe * np.exp(-0.059 / safe), 0.0)


def ineichen(
    time_utc: FloatArray,
    zenith: FloatArray,
    turbidity: float,
    *,
    altitude: float = 0.0,
) -> ClearSky:
    """
    Give clear-sky irradiance after Ineichen and Perez.

    Parameters
    ----------
    time_utc : (n,) float64
        Instants. [s]
    zenith : (n,) float64
        Apparent zenith of the sun. [deg]
    turbidity : float
        Linke turbidity, 2 (clean, cold) to 6 (hazy). [1]
    altitude : float
        Above the sea. [m]

    Returns
    -------
    sky : ClearSky
        All 0 from the horizon down.

    References
    ----------
    .. [1] Ineichen and Perez, "A new airmass independent formulation for the Linke
       turbidity coefficient", Solar Energy 73, 2002, 151-157.
    .. [2] Perez et al., "A new operational model for satellite-derived irradiances",
       Solar Energy 73, 2002, 307-317.
    """
    cos_z = np.maximum(np.cos(np.radians(zenith)), 0.0)
    mass = np.nan_to_num(airmass(zenith) * np.exp(-altitude / PRESSURE_SCALE), nan=99.0)
    fh1, fh2 = np.exp(-altitude / 8000.0), np.exp(-altitude / 1250.0)
    cg1 = 5.09e-05 * altitude + 0.868
    cg2 = 3.92e-05 * altitude + 0.0387
    above = extraterrestrial(time_utc)
    haze = np.exp(-cg2 * mass * (fh1 + fh2 * (turbidity - 1.0)))
    ghi = cg1 * above * cos_z * haze
    clean = 0.664 + 0.163 / fh1
    beam = above * clean * np.exp(-0.09 * mass * (turbidity - 1.0))
    share = 1.0 - (0.1 - 0.2 * np.exp(-turbidity)) / (0.1 + 0.882 / fh1)
    up = cos_z > 0
    limit = np.where(up, ghi * share / np.where(up, cos_z, 1.0), 0.0)
    dni = np.where(up, np.minimum(beam, np.maximum(limit, 0.0)), 0.0)
    ghi = np.where(up, ghi, 0.0)
    return ClearSky(ghi=ghi, dni=dni, dhi=np.maximum(ghi - dni * cos_z, 0.0))


def sun_vector(zenith: FloatArray, azimuth: FloatArray) -> FloatArray:
    """
    Give the direction of the sun.

    Parameters
    ----------
    zenith, azimuth : (n,) float64
        Azimuth clockwise from north. [deg]

    Returns
    -------
    vector : (n, 3) float64
        East, north, up; length 1. [1]

    References
    ----------
    .. [1] Common practice, no source.
    """
    z, a = np.radians(zenith), np.radians(azimuth)
    return np.stack((np.sin(z) * np.sin(a), np.sin(z) * np.cos(a), np.cos(z)), axis=-1)


def panel_normal(tilt: float, azimuth: float) -> FloatArray:
    """
    Give the direction a panel faces.

    Parameters
    ----------
    tilt : float
        0 flat. [deg]
    azimuth : float
        Downhill direction, clockwise from north. [deg]

    Returns
    -------
    vector : (3,) float64
        East, north, up; length 1. [1]

    References
    ----------
    .. [1] Common practice, no source.
    """
    vector: FloatArray = sun_vector(np.array([tilt]), np.array([azimuth]))[0]
    return vector


def plane_irradiance(sky: ClearSky, sun: FloatArray, normal: FloatArray) -> FloatArray:
    """
    Give the irradiance on a tilted panel: beam, even sky, even ground.

    Parameters
    ----------
    sky : ClearSky
        Arrays (n,).
    sun : (n, 3) float64
        From `sun_vector`. [1]
    normal : (3,) float64
        From `panel_normal`. [1]

    Returns
    -------
    poa_global : (n,) float64
        In the plane of the panel. [W/m2]

    References
    ----------
    .. [1] Liu and Jordan, "The long-term average performance of flat-plate solar
       energy collectors", Solar Energy 7, 1963, 53-74 (even sky).
    """
    beam = sky.dni * np.maximum(sun @ normal, 0.0)
    plane: FloatArray = (
        beam
        + sky.dhi * 0.5 * (1.0 + normal[2])
        + sky.ghi * ALBEDO * 0.5 * (1.0 - normal[2])
    )
    return plane


def cell_temperature(
    poa_global: FloatArray, temp_air: FloatArray, *, noct: float = 45.0
) -> FloatArray:
    """
    Give the temperature of the cells from their nominal operating temperature.

    Parameters
    ----------
    poa_global : (n,) float64
        In the plane of the panel. [W/m2]
    temp_air : (n,) float64
        Air. [Cel]
    noct : float
        Nominal operating cell temperature; add 18 for a panel on the roof skin. [Cel]

    Returns
    -------
    temp_cell : (n,) float64
        Steady state. [Cel]

    References
    ----------
    .. [1] Ross, "Interface design considerations for terrestrial solar cell modules",
       12th IEEE PVSC, 1976; stand-off additions: Sandia PV modelling guide.
    """
    return temp_air + (noct - 20.0) / 800.0 * poa_global


def panel_power(
    rated: float, poa_global: FloatArray, temp_cell: FloatArray, gamma: float = -0.004
) -> FloatArray:
    """
    Give the power of a panel at its best working point.

    Parameters
    ----------
    rated : float
        At 1000 W/m2 and 25 Cel. [W]
    poa_global : (n,) float64
        In the plane of the panel. [W/m2]
    temp_cell : (n,) float64
        Cells. [Cel]
    gamma : float
        Share of power a kelvin. [1/K]

    Returns
    -------
    power : (n,) float64
        Before regulator and cable. [W]

    References
    ----------
    .. [1] Dobos, "PVWatts version 5 manual", NREL/TP-6A20-62641, 2014.
    """
    return rated * poa_global / 1000.0 * (1.0 + gamma * (temp_cell - 25.0))
