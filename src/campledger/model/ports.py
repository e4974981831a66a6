"""The few things outside the core, each a small Protocol with a fake in the tests."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Mapping


class Clock(Protocol):
    """Two clocks: what the wall says, and what only ever runs forward."""

    def wall(self) -> float:
        """Give seconds since 1970 UTC as the system believes them."""
        ...

    def uptime(self) -> float:
        """Give seconds since boot; never steps, runs on in sleep."""
        ...

    def synchronised(self) -> bool:
        """Tell whether something trusted set the wall clock in this boot."""
        ...

    def sleep_until(self, uptime: float) -> None:
        """Wait for an uptime."""
        ...


class Bus(Protocol):
    """
    A wire with devices on it.

    A bus moves bytes; what they mean is the driver's. Every failure is a `BusError`.
    One thread at a time may use a bus.
    """

    name: str

    def close(self) -> None:
        """Let go of the device."""
        ...


class RegisterBus(Bus, Protocol):
    """A wire with byte registers behind addresses (I2C)."""

    def read(self, address: int, register: int, size: int) -> bytes:
        """Read ``size`` bytes in the order in which the chip sends them."""
        ...

    def write(self, address: int, register: int, data: bytes) -> None:
        """Write bytes to a register."""
        ...


class WordBus(Bus, Protocol):
    """A wire with 16-bit registers behind unit ids (Modbus)."""

    def read_words(
        self, unit: int, function: int, start: int, count: int
    ) -> tuple[int, ...]:
        """Read registers with function 3 or 4; exactly ``count`` come back."""
        ...


class FileBus(Bus, Protocol):
    """A wire whose kernel driver shows readings as small files (1-wire)."""

    def read_text(self, address: str) -> str:
        """Read the text of a device."""
        ...


@dataclass(frozen=True, kw_only=True)
class Reading:
    """
    What one poll of a sensor gave.

    ``values``: channel to value in the core's unit, NaN = missing; every channel of the
    driver is there. ``counts``: channel to what was noticed, ``bad`` (the word was
    refused, the value is NaN), ``clipped`` (kept, the chip is at its full scale) and
    ``repeat`` (the raw word is the same as last time; only counted). ``notes``: why
    words were refused, a line each.
    """

    values: Mapping[str, float]
    counts: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


class Driver(Protocol):
    """
    A sensor on a bus.

    A `BusError` from either call means no reading at all: the next poll calls ``start``
    again, since a chip that was pulled has forgotten what was written to it.
    """

    name: str
    channels: tuple[str, ...]
    interval: float

    def start(self) -> None:
        """Check the identity, write the settings and read them back."""
        ...

    def read(self) -> Reading:
        """Read every channel once."""
        ...
