"""The sensors of a rig, read now: for commissioning, never beside the logger."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from campledger.acquire.buses import bus_key, open_bus
from campledger.acquire.drivers import make_driver
from campledger.errors import BusError, InputError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from campledger.model.ports import Bus, Driver
    from campledger.model.rig import Correction, Rig, Sensor

PACE = 1.0
"""Between two polls. [s]"""


@dataclass(frozen=True, kw_only=True)
class Answering:
    """What answers on one bus; ``found`` are addresses and a remark each."""

    bus: str
    found: tuple[tuple[str, str], ...]
    problem: str = ""


@dataclass(frozen=True, kw_only=True)
class Checked:
    """One sensor of the rig file after its start."""

    name: str
    channels: tuple[str, ...]
    problem: str = ""


@dataclass(kw_only=True)
class LiveSensors:
    """
    Open buses and started drivers.

    ``clock`` and ``pause`` are the running clock and the wait.
    """

    rig: Rig
    clock: Callable[[], float] = time.monotonic
    pause: Callable[[float], None] = time.sleep
    wall: Callable[[], float] = time.time
    _buses: dict[str, Bus] = field(default_factory=dict)
    _drivers: list[Driver] = field(default_factory=list)

    def open(self) -> tuple[Answering, ...]:
        """Open every bus of the rig and list what answers; only ever reads."""
        out = []
        for spec in dict.fromkeys(bus_key(s.bus) for s in self.rig.sensors):
            first = next(s.bus for s in self.rig.sensors if bus_key(s.bus) == spec)
            try:
                bus = open_bus(first)
            except BusError as error:
                out.append(Answering(bus=spec, found=(), problem=str(error)))
                continue
            self._buses[spec] = bus
            out.append(Answering(bus=spec, found=_scan(bus)))
        return tuple(out)

    def start(self) -> tuple[Checked, ...]:
        """Start every sensor: identity, settings, calibration."""
        return tuple(self._start(sensor) for sensor in self.rig.sensors)

    def close(self) -> None:
        """Let go of every bus."""
        for bus in self._buses.values():
            bus.close()
        self._buses.clear()
        self._drivers.clear()

    def channels(self) -> tuple[str, ...]:
        """Name what the started sensors give."""
        return tuple(c for driver in self._drivers for c in driver.channels)

    def collect(
        self, seconds: float, tell: Callable[[float], None]
    ) -> Mapping[str, list[float]]:
        """
        Read every sensor for so long, once a second.

        Returns
        -------
        readings : mapping of str to list of float
            By channel, corrected as the rig file says; NaN where a sensor was silent.
        """
        out: dict[str, list[float]] = {c: [] for c in self.channels()}
        end = self.clock() + seconds
        while (left := end - self.clock()) > 0.0:
            begun = self.clock()
            tell(left)
            for driver in self._drivers:
                self._poll(driver, out)
            self.pause(max(0.0, begun + PACE - self.clock()))
        return out

    def corrections(self) -> tuple[Correction, ...]:
        """Give the corrections that are in force now."""
        now = self.wall()
        return tuple(
            c
            for c in self.rig.corrections
            if (c.start_utc is None or c.start_utc <= now)
            and (c.end_utc is None or now <= c.end_utc)
        )

    def _start(self, sensor: Sensor) -> Checked:
        names = tuple(channel for _, channel in sensor.channels)
        bus = self._buses.get(bus_key(sensor.bus))
        if bus is None:
            name = f"{sensor.driver} on {sensor.bus}"
            return Checked(name=name, channels=names, problem="its bus is not open")
        try:
            driver = make_driver(sensor, bus)
            driver.start()
        except (BusError, InputError) as error:
            name = f"{sensor.driver} on {sensor.bus}"
            return Checked(name=name, channels=names, problem=str(error))
        self._drivers.append(driver)
        return Checked(name=driver.name, channels=driver.channels)

    def _poll(self, driver: Driver, out: dict[str, list[float]]) -> None:
        try:
            values = driver.read().values
        except BusError:
            values = {}
        for channel in driver.channels:
            value = values.get(channel, math.nan)
            for known in self.corrections():
                if known.channel == channel:
                    value = known.scale * value + known.offset
            out[channel].append(value)


def _scan(bus: Bus) -> tuple[tuple[str, str], ...]:
    """List what answers where a bus can be asked without knowing what is on it."""
    scan = getattr(bus, "scan", None)
    if scan is None:
        return ()
    return tuple(
        (x, "") if isinstance(x, str) else (f"0x{x[0]:02x}", x[1]) for x in scan()
    )
