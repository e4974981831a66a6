"""Limits that keep one client from starving the others; bounded in memory."""

from __future__ import annotations

import time
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

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


class Guest(Protocol):
    """An open connection."""

    def closed(self) -> bool:
        """Tell whether it is gone."""

    def close(self) -> None:
        """End it."""


@dataclass(kw_only=True)
class Doors:
    """Bound open connections: of one address, of all, and how long one lives."""

    each: int = EACH
    all: int = ALL
    life: float = LIFE
    now: Callable[[], float] = time.monotonic
    inside: dict[str, list[tuple[Guest, float]]] = field(default_factory=dict)

    def enter(self, address: str, guest: Guest) -> bool:
        """Let a connection in, or not."""
        if self.count() >= self.all:
            self.sweep()
        here = [(g, end) for g, end in self.inside.get(address, []) if not g.closed()]
        if len(here) >= self.each or self.count() >= self.all:
            return False
        self.inside[address] = [*here, (guest, self.now() + self.life)]
        return True

    def count(self) -> int:
        """Count connections, those gone since the last sweep too."""
        return sum(len(found) for found in self.inside.values())

    def sweep(self) -> None:
        """End those that have lived too long, forget those that are gone."""
        now = self.now()
        for address, found in list(self.inside.items()):
            for guest, end in found:
                if now >= end and not guest.closed():
                    guest.close()
            left = [(g, end) for g, end in found if not g.closed()]
            if left:
                self.inside[address] = left
            else:
                del self.inside[address]
