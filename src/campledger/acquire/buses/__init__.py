"""
The wires: the only place that loads hardware libraries.

`open_bus` gives the bus of a rig file's ``bus = "..."``. Sensors whose `bus_key` is the
same share one bus, and one thread may use it at a time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from campledger.model.ports import Bus

TIMEOUT = 0.3
"""Longest wait for one answer. [s] Common practice, no source."""


def bus_key(spec: str) -> str:
    """Name the wire of a bus specification: all 1-wire sensors share one."""
    return "w1" if spec.startswith("w1:") else spec


def open_bus(spec: str, *, timeout: float = TIMEOUT) -> Bus:
    """
    Open a bus and become its only owner.

    Raises
    ------
    BusError
        It is not there, may not be opened, or another process owns it.
    """
    kind, _, rest = spec.partition(":")
    if kind == "i2c":
        from campledger.acquire.buses.i2c import I2cBus  # noqa: PLC0415

        return I2cBus(int(rest), timeout=timeout)
    if kind == "w1":
        from campledger.acquire.buses.onewire import OneWireBus  # noqa: PLC0415

        return OneWireBus()
    from campledger.acquire.buses.modbus import open_modbus  # noqa: PLC0415

    return open_modbus(spec, timeout=timeout)
