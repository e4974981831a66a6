"""
What the bytes on a wire mean.

`make_driver` gives the driver of a ``[[sensor]]`` table. A chip is one file in
``drivers/chips`` named as in the rig file, with a ``build`` function; a meter on Modbus
is a register map and no code.
"""

from __future__ import annotations

import importlib
import pkgutil
from typing import TYPE_CHECKING, cast

from campledger.acquire.drivers import chips
from campledger.errors import Fault, InputError

if TYPE_CHECKING:
    from campledger.model.ports import Bus, Driver, FileBus, WordBus
    from campledger.model.rig import Sensor


def driver_names() -> tuple[str, ...]:
    """Name every driver that a rig file may ask for."""
    found = (module.name for module in pkgutil.iter_modules(chips.__path__))
    return (*sorted(found), "modbus", "w1")


def make_driver(sensor: Sensor, bus: Bus) -> Driver:
    """
    Make the driver of a sensor on an open bus; nothing is asked on the wire yet.

    Raises
    ------
    InputError
        No such driver, or its settings do not fit it.
    """
    if sensor.driver == "modbus":
        from campledger.acquire.drivers.meter import build_meter  # noqa: PLC0415

        return build_meter(sensor, cast("WordBus", bus))
    if sensor.driver == "w1":
        from campledger.acquire.drivers.onewire import OneWire  # noqa: PLC0415

        return OneWire(sensor, cast("FileBus", bus))
    if sensor.driver not in driver_names():
        raise InputError(
            Fault(
                file="rig.toml",
                field="sensor.driver",
                got=f'"{sensor.driver}"',
                expected=", ".join(driver_names()),
                effect="Sensor not used.",
            )
        )
    module = importlib.import_module(f"{chips.__name__}.{sensor.driver}")
    return cast("Driver", module.build(sensor, bus))
