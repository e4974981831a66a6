"""The clear sky over a trip, minute by minute, and over any time to come."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.clear_sky import (
    ClearSky,
    cell_temperature,
    ineichen,
    linke_turbidity,
    sun_vector,
)
from campledger.estimate.solar_position import refraction, sun_position

if TYPE_CHECKING:
    from collections.abc import Sequence

    from campledger.estimate.sun_camps import Camp
    from campledger.model.series import FloatArray

HALF_MINUTE = 30.0
"""A minute's mean belongs to its middle, not to its end. [s]"""
GAMMA = -0.004
"""Power of a silicon panel, share a kelvin. Common practice, no source. [1/K]"""
AIR_DEFAULT = 22.0
"""Where the air is not measured. Common practice, no source. [Cel]"""
NOCT_ROOF = 55.0
"""45 Cel and ten for the poor air behind a roof panel; Sandia guide, 2 to 18. [Cel]"""


@dataclass(frozen=True, kw_only=True)
class SunReference:
    """
    Sun and clear sky on the minute grid, at the middle of each minute.

    ``elevation`` and ``azimuth`` (m,) deg, elevation with refraction; ``beam`` (m, 3)
    is the clear beam along east, north, up and ``diffuse`` (m,) the clear sky's light,
    both in kW/m2 and already lowered by the heat of the cells: a flat panel of 1 W
    gives ``beam[:, 2] + diffuse``. ``ghi`` (m,) W/m2. NaN without a position.
    """

    elevation: FloatArray
    azimuth: FloatArray
    beam: FloatArray
    diffuse: FloatArray
    ghi: FloatArray

    @property
    def flat(self) -> FloatArray:
        """Output of a flat panel of 1 W under a cloudless sky. [W]"""
        flat: FloatArray = self.beam[:, 2] + self.diffuse
        return flat

    def panel(self, facing: FloatArray) -> FloatArray:
        """
        Give the output of a panel under a cloudless sky.

        Parameters
        ----------
        facing : (3,) float64
            Normal of the panel times its power: east, north, up. [W]

        Returns
        -------
        power : (m,) float64
            Never negative. [W]
        """
        size = float(np.linalg.norm(facing))
        seen = 0.5 * (size + facing[2])
        beam: FloatArray = np.maximum(self.beam @ facing, 0.0) + seen * self.diffuse
        return beam


def clear_reference(
    time_utc: FloatArray,
    latitude: float,
    longitude: float,
    temp_air: FloatArray | float = AIR_DEFAULT,
) -> SunReference:
    """
    Give sun and clear sky at one place.

    Parameters
    ----------
    time_utc : (n,) float64
        Instants (middles of the periods that are meant). [s]
    latitude, longitude : float
        NaN gives NaN. [deg]
    temp_air : (n,) float64 or float
        Air. [Cel]

    Returns
    -------
    reference : SunReference
        Arrays (n,).

    References
    ----------
    .. [1] `clear_sky` names the models; no altitude, turbidity of the latitude.
    """
    zenith, azimuth = sun_position(time_utc, latitude, longitude)
    seen = zenith - refraction(90.0 - zenith)
    middle = float(time_utc[len(time_utc) // 2]) if len(time_utc) else 0.0
    haze = linke_turbidity(middle, 0.0 if np.isnan(latitude) else latitude)
    sky: ClearSky = ineichen(time_utc, seen, haze)
    heat = 1.0 + GAMMA * (
        cell_temperature(sky.ghi, _air(temp_air), noct=NOCT_ROOF) - 25
    )
    beam = sky.dni[:, None] * sun_vector(seen, azimuth) * (heat / 1000.0)[:, None]
    lost = np.isnan(latitude)
    return SunReference(
        elevation=90.0 - seen,
        azimuth=azimuth,
        beam=np.full_like(beam, np.nan) if lost else beam,
        diffuse=sky.dhi * heat / 1000.0,
        ghi=sky.ghi,
    )


def _air(temp_air: FloatArray | float) -> FloatArray:
    air = np.asarray(temp_air, dtype=np.float64)
    return np.where(np.isfinite(air), air, AIR_DEFAULT)


def trip_reference(
    minute_utc: FloatArray,
    camps: Sequence[Camp],
    shifts: Sequence[float],
    temp_air: FloatArray,
) -> SunReference:
    """
    Join the references of the camps of a trip.

    Parameters
    ----------
    minute_utc : (m,) float64
        Ends of the minutes. [s]
    camps : sequence of Camp
        Without holes.
    shifts : sequence of float
        How much later than at the named longitude the sun comes in each camp. [s]
    temp_air : (m,) float64
        Air, NaN where unknown. [Cel]

    Returns
    -------
    reference : SunReference
        Arrays (m,).

    References
    ----------
    .. [1] As `clear_reference`.
    """
    parts = [
        clear_reference(
            minute_utc[c.first : c.last] - HALF_MINUTE,
            c.latitude,
            c.longitude - shift / 240.0,
            temp_air[c.first : c.last],
        )
        for c, shift in zip(camps, shifts, strict=True)
    ]
    return SunReference(
        elevation=np.concatenate([p.elevation for p in parts]),
        azimuth=np.concatenate([p.azimuth for p in parts]),
        beam=np.concatenate([p.beam for p in parts]),
        diffuse=np.concatenate([p.diffuse for p in parts]),
        ghi=np.concatenate([p.ghi for p in parts]),
    )
