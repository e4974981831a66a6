"""From a rig's sensors, or a recording, to running threads."""

from __future__ import annotations

import hashlib
import queue
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from campledger.acquire.buses import bus_key, open_bus
from campledger.acquire.buses.replay import ReplayBus
from campledger.acquire.drivers import driver_names, make_driver
from campledger.acquire.poll import (
    HELD,
    BoardClock,
    BusPoller,
    Clock,
    Notice,
    Slot,
    Taken,
    polls_of,
)
from campledger.errors import BusError, Fault, InputError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from campledger.acquire.buses.replay import Recording
    from campledger.model.ports import Bus, Driver, Reading
    from campledger.model.rig import Rig, Sensor

AT_ONCE = 500
"""Intervals that are taken together, and most that a replay reads ahead."""


@dataclass(kw_only=True)
class Source:
    """Pollers and what they give; live or a replay."""

    pollers: list[BusPoller]
    out: queue.Queue[Taken | Notice]
    clock: Clock
    kind: str
    sampling: str
    stop: threading.Event
    tag: str = ""
    numbered: bool = True
    extra: dict[float, tuple[str, ...]] = field(default_factory=dict)

    def paces(self) -> dict[float, tuple[str, ...]]:
        """Name the channels that share rows, by interval."""
        out: dict[float, tuple[str, ...]] = {}
        for poller in self.pollers:
            for slot in poller.slots:
                known = out.get(slot.interval, ())
                fresh = tuple(n for n in slot.names if n not in known)
                out[slot.interval] = known + fresh
        for pace, names in self.extra.items():
            out[pace] = out.get(pace, ()) + names
        return out

    def start(self) -> None:
        """Start polling."""
        for poller in self.pollers:
            if poller.ident is None:
                poller.start()

    @property
    def ended(self) -> bool:
        """Tell whether every poller has ended."""
        return all(p.ended for p in self.pollers)

    def take(self, wait: float) -> list[Taken | Notice]:
        """Take what is there; waits at most so long for the first. [s]"""
        out: list[Taken | Notice] = []
        if self.kind == "live":
            self.stop.wait(wait)
        else:
            try:
                out.append(self.out.get(timeout=min(wait, 0.2)))
            except queue.Empty:
                return out
        while len(out) < AT_ONCE:
            try:
                out.append(self.out.get_nowait())
            except queue.Empty:
                break
        return out

    def counts(self) -> dict[str, dict[str, int]]:
        """Give and forget what was counted by sensor."""
        out = {}
        for poller in self.pollers:
            for label, count in poller.counts.items():
                found = {k: n for k, n in list(count.items()) if n}
                for key, n in found.items():
                    count[key] -= n
                if found:
                    out[label] = found
        return out


def live_source(
    rig: Rig, boot: str, connect: Callable[[Sensor], Driver] | None = None
) -> Source:
    """
    Make a poller for each bus of a rig.

    Parameters
    ----------
    rig : Rig
        With sensors.
    boot : str
        The kernel's name of this boot.
    connect : callable, optional
        Sensor to driver; the default opens the real buses.

    Raises
    ------
    InputError
        The rig has no sensor.
    """
    if not rig.sensors:
        raise InputError(
            Fault(
                file="rig",
                field="[[sensor]]",
                got="none",
                expected="at least one, or log --replay RECORDING",
                effect="Nothing logged.",
            )
        )
    unknown = [s for s in rig.sensors if s.driver not in driver_names()]
    if unknown and connect is None:
        raise InputError(
            *(
                Fault(
                    file="rig",
                    field="sensor.driver",
                    got=f'"{s.driver}"',
                    expected="one of " + ", ".join(driver_names()),
                    effect="Nothing logged.",
                )
                for s in unknown
            )
        )
    stop = threading.Event()
    out: queue.Queue[Taken | Notice] = queue.Queue(HELD)
    clock = BoardClock(boot)
    make = connect or _connector()
    pollers = [
        BusPoller(bus, _slots(sensors, make), clock, out, stop)
        for bus, sensors in _by_bus(rig.sensors).items()
    ]
    return Source(
        pollers=pollers, out=out, clock=clock, kind="live", sampling="mean", stop=stop
    )


def _by_bus(sensors: Sequence[Sensor]) -> dict[str, list[Sensor]]:
    out: dict[str, list[Sensor]] = {}
    for sensor in sensors:
        out.setdefault(bus_key(sensor.bus), []).append(sensor)
    return out


def _slots(sensors: Sequence[Sensor], make: Callable[[Sensor], Driver]) -> list[Slot]:
    out = []
    for sensor in sensors:
        channels = tuple(channel for _, channel in sensor.channels)
        where = "" if sensor.address is None else f" {sensor.address:#04x}"
        out.append(
            Slot(
                label=f"{sensor.driver} {sensor.bus}{where}",
                driver=make(sensor),
                channels=channels,
                interval=sensor.interval,
                polls=polls_of(channels, sensor.interval),
            )
        )
    return out


class Connected:
    """A sensor that opens its bus when it is started: wires may come later."""

    def __init__(self, sensor: Sensor, opened: dict[str, Bus]) -> None:
        self.sensor = sensor
        self.opened = opened
        self.driver: Driver | None = None
        self.name = sensor.driver
        self.interval = sensor.interval
        self.channels = tuple(channel for _, channel in sensor.channels)

    def start(self) -> None:
        """Open what is not open, and set the sensor up."""
        key = bus_key(self.sensor.bus)
        if key not in self.opened:
            self.opened[key] = open_bus(self.sensor.bus)
        if self.driver is None:
            self.driver = make_driver(self.sensor, self.opened[key])
        self.driver.start()

    def read(self) -> Reading:
        """Read once."""
        if self.driver is None:
            msg = f"reading {self.sensor.driver}: not started"
            raise BusError(msg)
        return self.driver.read()


def _connector() -> Callable[[Sensor], Driver]:
    opened: dict[str, Bus] = {}
    return lambda sensor: Connected(sensor, opened)


def replay_source(
    recording: Recording, *, name: str, pace: float, sampling: str
) -> Source:
    """Make the one poller of a replay."""
    stop = threading.Event()
    out: queue.Queue[Taken | Notice] = queue.Queue(AT_ONCE)
    bus = ReplayBus(recording, pace)
    slot = Slot(
        label=f"replay {name}",
        driver=bus,
        channels=bus.channels,
        interval=0.0,
        follow=bus.follow,
    )
    digest = hashlib.sha256(name.encode()).hexdigest()[:12]
    return Source(
        pollers=[BusPoller("replay", [slot], bus, out, stop)],
        out=out,
        clock=bus,
        kind="replay",
        sampling=sampling,
        stop=stop,
        tag=f"replay {digest} ",
    )
