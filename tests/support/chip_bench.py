"""One reading of a chip whose registers are given: what a new driver's test needs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.acquire.buses import open_bus
from campledger.acquire.drivers import make_driver
from campledger.acquire.drivers.chip import Chip as Driver
from campledger.model.rig import Sensor
from support.i2c_world import Chip, World

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.ports import Reading

ADDRESS = 0x48


def one_reading(
    world: World,
    driver: str,
    registers: Mapping[int, int],
    channels: Mapping[str, str],
    *,
    shunt: float | None = None,
) -> Reading:
    """Start a driver on 16-bit registers and read once its first conversion is due."""
    held = {r: value.to_bytes(2, "big") for r, value in registers.items()}
    world.chips[ADDRESS] = Chip(held)
    sensor = Sensor(
        driver=driver,
        bus="i2c:1",
        address=ADDRESS,
        shunt=shunt,
        channels=tuple(channels.items()),
    )
    made = make_driver(sensor, open_bus("i2c:1"))
    assert isinstance(made, Driver)
    made.start()
    made.clock = lambda: float("inf")
    return made.read()
