"""The start battery beside the daemon: is it being drained while nobody looks?"""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.car import judge_start
from campledger.judge.enough_urgent import start_drain

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.rig import Rig
    from campledger.model.series import FloatArray

CHANNELS = ("voltage_start_v", "voltage_house_v", "state_isolator", "state_engine")
KEPT = 24 * 60
"""Minutes that are remembered; a longer rest reads as a day."""
LOOK_EVERY = 10
"""Minutes between two looks. Common practice, no source."""
NOW = 5


class StartWatch:
    """
    Condenses readings to minutes and judges them as the answer at camp does.

    What it learned is gone with the power: it then waits until the battery has rested
    two hours under its eyes.
    """

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self._minutes: deque[tuple[float, ...]] = deque(maxlen=KEPT)
        self._sum = dict.fromkeys(CHANNELS, 0.0)
        self._count = dict.fromkeys(CHANNELS, 0)
        self._minute = -1
        self._looked = 0

    def take(self, end: float, values: Mapping[str, float]) -> str:
        """Take one interval that ends at an uptime [s]; give what is urgent, or ""."""
        minute = math.floor(end / 60.0)
        said = ""
        if minute != self._minute:
            said = self._close(minute)
        for name in CHANNELS:
            value = values.get(name, math.nan)
            if not math.isnan(value):
                self._sum[name] += value
                self._count[name] += 1
        return said

    def _close(self, minute: int) -> str:
        """End a minute; skipped ones are unknown."""
        if self._minute >= 0:
            self._minutes.append(
                tuple(
                    self._sum[n] / self._count[n] if self._count[n] else math.nan
                    for n in CHANNELS
                )
            )
            missed = min(minute - self._minute - 1, KEPT)
            self._minutes.extend([(math.nan,) * len(CHANNELS)] * max(missed, 0))
        self._minute = minute
        self._sum = dict.fromkeys(CHANNELS, 0.0)
        self._count = dict.fromkeys(CHANNELS, 0)
        if minute - self._looked < LOOK_EVERY or not self._minutes:
            return ""
        self._looked = minute
        return self._look()

    def _look(self) -> str:
        table = np.array(self._minutes)
        start, house, isolator, engine = (_column(table, k) for k in range(4))
        if start is None:
            return ""
        good = start[-NOW:][np.isfinite(start[-NOW:])]
        if not good.size:
            return ""
        said = judge_start(
            self.rig, start, house, isolator, engine, volts=float(np.median(good))
        )
        urgent = start_drain(said)
        return "" if urgent is None else urgent.text


def _column(table: FloatArray, k: int) -> FloatArray | None:
    return table[:, k] if np.isfinite(table[:, k]).any() else None
