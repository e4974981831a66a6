"""Chips made of functions: for tests and benchmarks, through the same path."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from campledger.errors import BusError
from campledger.model.ports import Reading

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


@dataclass(kw_only=True)
class FakeDriver:
    """
    A chip whose values are functions of uptime.

    ``pulled`` makes it silent, as if its plug were out.
    """

    uptime: Callable[[], float]
    values: Mapping[str, Callable[[float], float]]
    pulled: bool = False
    starts: int = 0
    name: str = "fake"
    interval: float = 1.0

    @property
    def channels(self) -> tuple[str, ...]:
        """Name what it reads."""
        return tuple(self.values)

    def start(self) -> None:
        """Set it up."""
        if self.pulled:
            msg = "starting: no answer at address 0x40, expected one; check its plug"
            raise BusError(msg)
        self.starts += 1

    def read(self) -> Reading:
        """Read once."""
        if self.pulled:
            msg = "reading: no answer at address 0x40, expected one; check its plug"
            raise BusError(msg)
        now = self.uptime()
        return Reading(values={name: f(now) for name, f in self.values.items()})
