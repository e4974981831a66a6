"""Minutes of solar current beside the daemon, for a boot that nothing else dates."""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.sun_clock import date_by_noon, panel_noons

if TYPE_CHECKING:
    from campledger.acquire.condense import Interval
    from campledger.model.rig import Rig
    from campledger.store import Store

MINUTE = 60.0
KEPT = 3 * 1440
"""Minutes that are remembered."""


class SunWatch:
    """Remember three days of minute means of the solar current, by uptime."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        solar = next((s.name for s in rig.sources if s.kind == "solar"), None)
        self.channel = None if solar is None else f"current_{solar}_a"
        self.minutes: deque[tuple[float, float]] = deque(maxlen=KEPT)
        self._sum = self._count = 0.0
        self._minute = -1
        self.first = math.nan
        self.done = False

    def take(self, interval: Interval) -> None:
        """Take one interval."""
        if self.channel is None or self.channel not in interval.values:
            return
        value = interval.values[self.channel]
        minute = int(interval.end // MINUTE)
        if math.isnan(self.first):
            self.first = interval.end
        if minute != self._minute:
            if self._count:
                self.minutes.append((self._minute * MINUTE, self._sum / self._count))
            self._minute, self._sum, self._count = minute, 0.0, 0.0
        if not math.isnan(value):
            self._sum += value
            self._count += 1.0

    def offer(self, store: Store, boot: int) -> bool:
        """
        Date the boot by the sun if nothing else does and only one date fits.

        The clock now bounds the boot from above only if it is plausible at all.
        """
        rig = self.rig
        if self.done or rig.latitude is None or rig.longitude is None:
            return False
        info = next(b for b in store.boots() if b.id == boot)
        if info.dated or not self.minutes:
            return False
        table = np.array(self.minutes)
        noons = panel_noons(table[:, 0], table[:, 1])
        before = info.before_utc
        if math.isnan(before) and not math.isnan(info.after_utc):
            # The newest boot has no later neighbour: the first date that fits.
            before = info.after_utc + 86400.0 + (info.uptime_last - info.uptime_first)
        if not noons.size:
            return False
        found = date_by_noon(
            float(noons[0]),
            after_utc=info.after_utc,
            before_utc=before,
            first=info.uptime_first,
            last=info.uptime_last,
            latitude=rig.latitude,
            longitude=rig.longitude,
        )
        self.done = found is not None
        if found is None:
            return False
        store.add_anchor(
            boot,
            uptime=float(noons[0]),
            time_utc=found[0],
            kind="sun",
            bound=found[1],
        )
        return True
