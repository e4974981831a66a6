"""The computer itself: warmth, supply, room on the disk; no file, no answer."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

SYS = Path("/sys")
HOT = 75.0
"""Board temperature from which heavy work is refused. [Cel] Common practice, no
source; boards throttle at 80 to 85."""
COOL = 70.0
"""Below this it is allowed again. [Cel]"""
DAY = 86400.0
MEGABYTE = 1e6


def board_temp(root: Path = SYS) -> float | None:
    """Read the hottest thermal zone of the board. [Cel]"""
    found = []
    for path in sorted(root.glob("class/thermal/thermal_zone*/temp")):
        try:
            value = float(path.read_text()) / 1000.0
        except (OSError, ValueError):
            continue
        if -60.0 < value < 150.0:
            found.append(value)
    return max(found, default=None)


def supply_low(root: Path = SYS) -> bool | None:
    """Tell whether the board flags its supply as too low; None if it has no flag."""
    flags = []
    for pattern in ("class/hwmon/*/in*_lcrit_alarm", "class/hwmon/*/in*_min_alarm"):
        for path in root.glob(pattern):
            try:
                flags.append(int(path.read_text()) != 0)
            except (OSError, ValueError):
                continue
    return any(flags) if flags else None


def heat_reason(root: Path = SYS) -> str:
    """Say why heavy work is refused now, or nothing. Job text X6."""
    temp = board_temp(root)
    if temp is None or temp < HOT:
        return ""
    return f"Logger hot ({temp:.0f} degC): move or vent"


def free_room(folder: Path) -> float:
    """Give the room left for us on a file system. [byte]"""
    found = os.statvfs(folder)
    return float(found.f_bavail * found.f_frsize)


@dataclass(frozen=True, kw_only=True)
class Room:
    """
    Room on the disk, and what is done about it.

    ``mode`` is ``all``, ``warn`` or ``low`` (only minutes and events are stored);
    ``days`` left at the pace of the store so far, None if that cannot be told.
    """

    free: float
    mode: str
    days: float | None

    def sentence(self) -> str:
        """Say it in a line."""
        text = f"{self.free / MEGABYTE:.0f} MB free"
        if self.days is not None:
            text += f", about {self.days:.0f} days"
        if self.mode == "low":
            text += "; only minutes and events are stored now"
        return text


def judge_room(
    free: float, *, warn: float, low: float, grown: float, seconds: float
) -> Room:
    """
    Decide what is stored. Job text X5.

    ``grown`` bytes in ``seconds`` is the pace of the store.
    """
    mode = "low" if free < low else "warn" if free < warn else "all"
    days = None
    if grown > 0.0 and seconds >= 600.0:
        days = free / (grown / seconds * DAY)
    return Room(free=free, mode=mode, days=days)
