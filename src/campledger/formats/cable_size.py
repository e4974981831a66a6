"""Cable sizes in the words printed on reels, to square millimetres of copper."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

AUTO_AREA: Mapping[float, float] = {
    2.0: 0.55,
    2.5: 0.64,
    3.0: 0.85,
    4.0: 1.85,
    5.0: 2.9,
    6.0: 4.6,
}
"""
Copper [mm2] of automotive cable by outside size [mm].

A touring couple's published cable table; only the outside is defined, copper varies by
maker.
"""

_METRIC = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*mm(?:2|²|\^2)\s*$", re.IGNORECASE)
_AUTO = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*mm\s*auto\s*$", re.IGNORECASE)
_BARE = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*mm\s*$", re.IGNORECASE)
_GAUGE = re.compile(
    r"^\s*(\d{1,2}|0{2,4}|[1-4]/0)\s*(?:AWG|B\s*&\s*S)\s*$", re.IGNORECASE
)

AREA_MIN, AREA_MAX = 0.05, 400.0


def copper_area(size: str) -> float | None:
    """
    Give the copper of a cable. [mm2]

    Gauge numbers (American wire gauge, the same as Brown & Sharpe) follow ASTM B258:
    diameter = 0.127 mm * 92 ** ((36 - n) / 39), 2/0 counting as -1.

    Returns
    -------
    area : float or None
        None if the words name no size.
    """
    metric, auto, gauge = _METRIC.match(size), _AUTO.match(size), _GAUGE.match(size)
    area: float | None = None
    if metric:
        area = float(metric[1])
    elif auto:
        area = AUTO_AREA.get(float(auto[1]))
    elif gauge:
        diameter = 0.127 * 92.0 ** ((36 - _gauge_number(gauge[1])) / 39)
        area = math.pi / 4 * diameter**2
    if area is None or not AREA_MIN <= area <= AREA_MAX:
        return None
    return area


def _gauge_number(text: str) -> int:
    if text.endswith("/0"):
        return 1 - int(text[0])
    if set(text) == {"0"}:
        return 1 - len(text)
    return int(text)


def size_expected(size: str) -> str:
    """Say how a size must be written, taking up what was meant."""
    bare = _BARE.match(size) or _AUTO.match(size)
    number = bare[1] if bare else "6"
    copper = AUTO_AREA.get(float(number))
    if copper is None:
        known = ", ".join(f"{n:g}" for n in AUTO_AREA)
        outside = f'"N mm auto" (outside size, N one of {known})'
    else:
        outside = f'"{number} mm auto" (outside size, about {copper:g} mm2)'
    if bare:
        return f'"{number} mm2" (copper) or {outside}'
    return f'"{number} mm2" (copper), {outside}, "10 AWG" or "8 B&S"'
