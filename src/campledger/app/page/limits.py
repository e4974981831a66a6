"""Limits that keep one client from starving the others; bounded in memory."""

from __future__ import annotations

import time
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

BURST, A_SECOND = 40.0, 10.0
"""Requests of one address: so many at once, then so many a second. Common practice, no
source; a phone needs four and then one in 20 s."""
ADDRESSES = 2000
EACH, ALL = 12, 200
"""Open connections of one address, and of all. Common practice, no source."""
LIFE = 60.0
"""A connection is closed after this, whatever it does; a browser opens another. [s]"""


@dataclass(kw_only=True)
class Rate:
    """A bucket for each address; the oldest make room for new ones."""

    burst: float = BURST
    a_second: float = A_SECOND
    now: Callable[[], float] = time.monotonic
    buckets: OrderedDict[str, tuple[float, float]] = field(default_factory=OrderedDict)

    def allow(self, address: str, cost: float = 1.0) -> bool:
        """Take from an address's bucket; False if it is empty."""
        now = self.now()
        level, then = self.buckets.pop(address, (self.burst, now))
        level = min(self.burst, level + (now - then) * self.a_second)
        good = level >= cost
        self.buckets[address] = (level - cost if good else level, now)
        while len(self.buckets) > ADDRESSES:
            self.buckets.popitem(last=False)
        return good


@dataclass(kw_only=True)
class Doors:
    """Count open connections by address."""

    each: int = EACH
    all: int = ALL
    open: dict[str, int] = field(default_factory=dict)

    def enter(self, address: str) -> bool:
        """Let a connection in, or not."""
        here = self.open.get(address, 0)
        if here >= self.each or sum(self.open.values()) >= self.all:
            return False
        self.open[address] = here + 1
        return True

    def leave(self, address: str) -> None:
        """A connection is gone."""
        left = self.open.get(address, 1) - 1
        if left > 0:
            self.open[address] = left
        else:
            self.open.pop(address, None)
