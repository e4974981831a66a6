"""
Where the sun stands, and when it rises and sets.

The low-accuracy series of Meeus with nutation, aberration and parallax: about 0.01 deg,
which is 2 to 3 s of sunrise at middle latitudes. Azimuth is clockwise from north
everywhere. Angles are geometric (no refraction) unless a name says apparent.
"""

from __future__ import annotations

from datetime import date as Date  # noqa: N812 - `date` names an argument here
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from campledger.model.series import FloatArray

DAY = 86400.0
JULIAN_DATE_1970 = 2440587.5
"""Julian date of 1970-01-01T00:00Z. Meeus, chapter 7."""
DELTA_T = 69.2
"""Terrestrial time minus UT. IERS, about 69 s since 2017; 1 s is 1e-5 deg. [s]"""
PARALLAX = 8.794 / 3600.0
"""Horizontal parallax of the sun at one astronomical unit. Meeus, chapter 40. [deg]"""
RISE_ALTITUDE = -0.8333
"""Centre of the sun with its upper limb on a level horizon. Meeus, ch. 15. [deg]"""
SCAN_STEP = 600.0
"""Steps of the search for the horizon. Common practice, no source. [s]"""


def _ecliptic(century: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Apparent longitude, true obliquity (rad), nutation in right ascension (deg)."""
    t = century
    mean = 280.46646 + t * (36000.76983 + 0.0003032 * t)
    anomaly = np.radians(357.52911 + t * (35999.05029 - 0.0001537 * t))
    centre = (
        (1.914602 - t * (0.004817 + 0.000014 * t)) * np.sin(anomaly)
        + (0.019993 - 0.000101 * t) * np.sin(2 * anomaly)
        + 0.000289 * np.sin(3 * anomaly)
    )
    node = np.radians(125.04452 - 1934.136261 * t)
    moon = np.radians(218.3165 + 481267.8813 * t)
    sun = np.radians(mean)
    nutation = (
        -17.20 * np.sin(node)
        - 1.32 * np.sin(2 * sun)
        - 0.23 * np.sin(2 * moon)
        + 0.21 * np.sin(2 * node)
    ) / 3600.0
    tilt = (
        9.20 * np.cos(node)
        + 0.57 * np.cos(2 * sun)
        + 0.10 * np.cos(2 * moon)
        - 0.09 * np.cos(2 * node)
    ) / 3600.0
    obliquity = np.radians(
        23.4392911 - t * (0.0130042 + t * (1.64e-7 - 5.04e-7 * t)) + tilt
    )
    longitude = np.radians(mean + centre + nutation - 0.00569)
    return longitude, obliquity, nutation * np.cos(obliquity)


def sun_position(
    time_utc: FloatArray, latitude: float, longitude: float
) -> tuple[FloatArray, FloatArray]:
    """
    Give zenith and azimuth of the centre of the sun, without refraction.

    Good to about 0.01 deg for 1950 to 2100.

    Parameters
    ----------
    time_utc : (n,) float64
        Instants. [s]
    latitude : float
        North positive. [deg]
    longitude : float
        East positive. [deg]

    Returns
    -------
    zenith : (n,) float64
        0 overhead, 90 on the horizon, topocentric. [deg]
    azimuth : (n,) float64
        From north clockwise, 0 to 360. [deg]

    References
    ----------
    .. [1] Meeus, "Astronomical Algorithms", 2nd ed., 1998: chapters 12 (sidereal
       time), 13 (horizon), 22 (nutation), 25 (sun, low accuracy), 40 (parallax).
    """
    day = np.asarray(time_utc, dtype=np.float64) / DAY + (JULIAN_DATE_1970 - 2451545.0)
    century = (day + DELTA_T / DAY) / 36525.0
    lam, eps, equinox = _ecliptic(century)
    t = day / 36525.0
    sidereal = 280.46061837 + 360.98564736629 * day + 0.000387933 * t * t + equinox
    ascension = np.arctan2(np.cos(eps) * np.sin(lam), np.cos(lam))
    sin_dec = np.sin(eps) * np.sin(lam)
    cos_dec = np.sqrt(1.0 - sin_dec**2)
    hour = np.radians(np.mod(sidereal + longitude, 360.0)) - ascension
    phi = np.radians(latitude)
    up = np.sin(phi) * sin_dec + np.cos(phi) * cos_dec * np.cos(hour)
    east = -cos_dec * np.sin(hour)
    north = np.cos(phi) * sin_dec - np.sin(phi) * cos_dec * np.cos(hour)
    flat = np.hypot(east, north)
    zenith = np.degrees(np.arctan2(flat, up)) + PARALLAX * flat
    return zenith, np.mod(np.degrees(np.arctan2(east, north)), 360.0)


def refraction(elevation: FloatArray) -> FloatArray:
    """
    Give by how much standard air lifts the sun.

    Parameters
    ----------
    elevation : (n,) float64
        Geometric elevation; below -1 deg nothing is added. [deg]

    Returns
    -------
    lift : (n,) float64
        At 1010 hPa and 10 Cel. [deg]

    References
    ----------
    .. [1] Saemundsson, Sky and Telescope 72, 1986, 70; Meeus, equation 16.4.
    """
    h = np.maximum(elevation, -1.0)
    lift = 1.02 / np.tan(np.radians(h + 10.3 / (h + 5.11))) / 60.0
    return np.where(elevation > -1.0, lift, 0.0)


def solar_noon(date: Date, longitude: float) -> float:
    """
    Give the mean solar noon that belongs to a date.

    Parameters
    ----------
    date : date
        The date as people at that longitude count it.
    longitude : float
        East positive. [deg]

    Returns
    -------
    noon_utc : float
        12:00 local mean solar time. [s]

    References
    ----------
    .. [1] One hour for 15 degrees. Common practice, no source.
    """
    midnight = (date - Date(1970, 1, 1)).days * DAY
    return midnight + DAY / 2 - longitude * DAY / 360.0


def sunrise_sunset(
    date: Date, latitude: float, longitude: float
) -> tuple[float, float]:
    """
    Give sunrise and sunset of a date: upper limb, standard refraction, level horizon.

    The day is the one around the mean solar noon of that date at that longitude, so
    both events belong to the date that a person there has on the calendar.

    Parameters
    ----------
    date : date
        Local date.
    latitude : float
        North positive. [deg]
    longitude : float
        East positive. [deg]

    Returns
    -------
    rise_utc, set_utc : float
        NaN where the sun does not cross the horizon in that half of the day. [s]

    References
    ----------
    .. [1] Meeus, "Astronomical Algorithms", 2nd ed., 1998, chapter 15 (altitude of
       -0.8333 deg); the search itself: common practice, no source.
    """
    noon = solar_noon(date, longitude)
    return (
        _crossing(noon - DAY / 2, noon, latitude, longitude, rising=True),
        _crossing(noon, noon + DAY / 2, latitude, longitude, rising=False),
    )


def _crossing(
    start: float, end: float, latitude: float, longitude: float, *, rising: bool
) -> float:
    """Bracket the last rise or the first set on a grid, then halve twice with 20."""
    time = np.linspace(start, end, int((end - start) / SCAN_STEP) + 1)
    above = _above(time, latitude, longitude)
    change = np.flatnonzero(above[1:] != above[:-1])
    change = change[above[change + 1] == rising]
    if change.size == 0:
        return float("nan")
    k = int(change[-1 if rising else 0])
    low, high = float(time[k]), float(time[k + 1])
    for _ in range(4):
        fine = np.linspace(low, high, 21)
        side = _above(fine, latitude, longitude)
        j = int(np.argmax(side == rising))
        low, high = float(fine[max(j - 1, 0)]), float(fine[j])
    return 0.5 * (low + high)


def _above(time: FloatArray, latitude: float, longitude: float) -> np.ndarray:
    zenith, _ = sun_position(time, latitude, longitude)
    return zenith <= 90.0 - RISE_ALTITUDE
