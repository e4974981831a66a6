"""Channels, readings and minute summaries: what a trip looks like to the core."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from campledger.model.quantities import CHANNEL_QUANTITIES, QUALIFIERS

if TYPE_CHECKING:
    from collections.abc import Mapping

FloatArray: TypeAlias = NDArray[np.float64]
BoolArray: TypeAlias = NDArray[np.bool_]

MINUTE = 60.0
HOLE_FACTOR = 3.0
HOLE_LEAST = 5.0

_UNITLESS = {"state"}
_PATTERN = re.compile(
    r"^(?P<quantity>voltage|current|power|temp|state|speed)_"
    r"(?P<place>[a-z][a-z0-9]{0,23})"
    r"(?:_(?P<qualifier>[a-z][a-z0-9]*))?"
    r"(?:_(?P<unit>v|a|w|c|mps))?$"
)


@dataclass(frozen=True, kw_only=True)
class Channel:
    """A channel name taken apart: ``<quantity>_<place>[_<qualifier>]_<unit>``."""

    name: str
    quantity: str
    place: str
    qualifier: str = ""


def parse_channel(name: str) -> Channel | None:
    """
    Take a channel name apart.

    Parameters
    ----------
    name : str
        For instance ``voltage_solar_panel_v``.

    Returns
    -------
    channel : Channel or None
        None if the name does not follow the pattern.
    """
    match = _PATTERN.match(name)
    if match is None:
        return None
    quantity, unit = match["quantity"], match["unit"]
    wanted = CHANNEL_QUANTITIES[quantity]
    qualifier = match["qualifier"] or ""
    if unit is None and qualifier == wanted and quantity not in _UNITLESS:
        unit, qualifier = qualifier, ""
    if (unit or "") != wanted or (qualifier and qualifier not in QUALIFIERS):
        return None
    return Channel(
        name=name, quantity=quantity, place=match["place"], qualifier=qualifier
    )


@dataclass(frozen=True, kw_only=True)
class Series:
    """
    Readings of one channel, corrected and dated.

    ``time_utc`` (n,) increases strictly; a reading stands for the interval that ends
    there. NaN = bad or silent. ``sampling`` is ``point`` or ``mean``.
    """

    time_utc: FloatArray
    value: FloatArray
    sampling: str = "point"

    @property
    def interval(self) -> float:
        """Median interval between readings, NaN for fewer than two. [s]"""
        if len(self.time_utc) < 2:
            return float("nan")
        return float(np.median(np.diff(self.time_utc)))

    @property
    def hole(self) -> float:
        """Longest step that is still not a hole. [s]"""
        interval = self.interval
        if np.isnan(interval):
            return HOLE_LEAST
        return max(HOLE_FACTOR * interval, HOLE_LEAST)

    def between(self, start: float, end: float) -> Series:
        """Give the readings with start < time <= end."""
        a, b = np.searchsorted(self.time_utc, [start, end], side="right")
        return Series(
            time_utc=self.time_utc[a:b], value=self.value[a:b], sampling=self.sampling
        )


@dataclass(frozen=True, kw_only=True)
class Minutes:
    """
    One channel on the minute grid of a trip, all arrays (m,).

    ``charge`` is the integral of the value over the covered part (value x s, gaps
    excluded); ``covered`` how many seconds of the minute are covered; ``mean`` =
    charge / covered. ``low`` and ``high`` are the extremes of the readings. NaN (or 0
    s) where there is nothing.
    """

    mean: FloatArray
    low: FloatArray
    high: FloatArray
    charge: FloatArray
    covered: FloatArray


@dataclass(frozen=True, kw_only=True)
class Boot:
    """One run of the recorder; ``dated_by`` names the anchor or says assumed."""

    number: int
    recorder: str
    start_utc: float
    end_utc: float
    dated_by: str
    bound: float = 0.0


@dataclass(frozen=True, kw_only=True)
class TripRecord:
    """
    Everything recorded in one trip: what estimators and judges are given.

    ``channels`` and ``minutes`` may load on access; ask for a channel once and keep it
    only while it is needed. ``minute_utc`` (m,) holds the end of each minute, whole
    multiples of 60 s, shared by every array on the minute grid.
    """

    start_utc: float
    end_utc: float
    utc_offset: float
    minute_utc: FloatArray
    channels: Mapping[str, Series]
    minutes: Mapping[str, Minutes]
    boots: tuple[Boot, ...] = ()
    counters: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    notes: tuple[tuple[float, str], ...] = ()


def minute_grid(start: float, end: float) -> FloatArray:
    """
    Give the ends of all minutes that touch (start, end].

    Parameters
    ----------
    start, end : float
        Bounds of the trip. [s]

    Returns
    -------
    minute_utc : (m,) float64
        Multiples of 60. [s]
    """
    first = np.floor(start / MINUTE) + 1
    last = np.ceil(end / MINUTE)
    return np.arange(first, max(first, last) + 1) * MINUTE
