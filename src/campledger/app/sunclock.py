"""
The sun as clock of last resort: noons are remembered while logging, and used later.

A noon tells the time of day, never the date. A boot that nothing dated is dated by its
noon once both its neighbours are dated and only one date fits between them.
"""

from __future__ import annotations

import math
import struct
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
        self._told = False

    def take(self, interval: Interval) -> None:
        """Take one interval."""
        if self.channel is None or self.channel not in interval.values:
            return
        value = interval.values[self.channel]
        minute = int(interval.end // MINUTE)
        if minute != self._minute:
            if self._count:
                self.minutes.append((self._minute * MINUTE, self._sum / self._count))
            self._minute, self._sum, self._count = minute, 0.0, 0.0
        if not math.isnan(value):
            self._sum += value
            self._count += 1.0

    def offer(self, store: Store, boot: int) -> None:
        """Keep the noon of the first whole day of a boot, and use what was kept."""
        if not self._told and len(self.minutes) > 1:
            table = np.array(self.minutes)
            noons = panel_noons(table[:, 0], table[:, 1])
            if noons.size:
                store.save_state(f"noon:{boot}", struct.pack("<d", float(noons[0])))
                self._told = True
        date_by_sun(store, self.rig)


def date_by_sun(store: Store, rig: Rig) -> int:
    """Date boots that only the sun can date; gives how many."""
    if rig.latitude is None or rig.longitude is None:
        return 0
    done = 0
    for boot in store.boots():
        if boot.dated or boot.number is None or not boot.rows:
            continue
        kept = store.state(f"noon:{boot.id}")
        if kept is None:
            continue
        (noon,) = struct.unpack("<d", kept)
        found = date_by_noon(
            noon,
            after_utc=boot.after_utc,
            before_utc=boot.before_utc,
            first=boot.uptime_first,
            last=boot.uptime_last,
            latitude=rig.latitude,
            longitude=rig.longitude,
        )
        if found is not None:
            store.add_anchor(
                boot.id, uptime=noon, time_utc=found[0], kind="sun", bound=found[1]
            )
            done += 1
    return done
