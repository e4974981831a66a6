"""
One thread for each bus: poll, retry, back off, hand finished intervals on.

Blocking code on the boot-time clock. A silent sensor is missing at once and is asked
again ever more rarely, at most every 30 s, so that the others do not stutter.
"""

from __future__ import annotations

import logging
import math
import queue
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from campledger.acquire.buses.replay import EndOfReadingsError
from campledger.acquire.condense import Condenser, Interval, stored_names
from campledger.errors import BusError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from campledger.model.ports import Driver, Reading

log = logging.getLogger(__name__)

SILENT_AFTER = 3
"""Failed polls in a row after which a sensor is called silent. Job text X4."""
LONGEST_WAIT = 30.0
"""Longest back-off of a silent sensor. [s]"""
PACE_LEAST = 0.5
"""Chips average over about this long, so that polling faster tells nothing. [s]
Job text D2."""
POLLS = 4
"""Most polls an interval. Common practice, no source."""
HELD = 20_000
"""Intervals that may wait to be taken."""


class Clock(Protocol):
    """Time as the poller needs it."""

    @property
    def boot(self) -> str:
        """Name of the running boot."""

    def uptime(self) -> float:
        """Seconds since boot."""

    def wall(self) -> float:
        """What the wall clock says, NaN if nothing. [s]"""

    def sleep_until(self, uptime: float, stop: threading.Event) -> None:
        """Wait, or return early when asked to stop."""


class BoardClock:
    """The clocks of this computer; uptime runs on through suspend."""

    def __init__(self, boot: str) -> None:
        self.boot = boot

    def uptime(self) -> float:
        """Seconds since boot."""
        return time.clock_gettime(time.CLOCK_BOOTTIME)

    def wall(self) -> float:
        """What the wall clock says. [s]"""
        return time.time()

    def sleep_until(self, uptime: float, stop: threading.Event) -> None:
        """Wait."""
        stop.wait(max(uptime - self.uptime(), 0.0))


@dataclass(frozen=True, kw_only=True)
class Taken:
    """An interval on its way to the store; ``pace`` groups channels that share rows."""

    boot: str
    pace: float
    interval: Interval
    wall: float


@dataclass(frozen=True, kw_only=True)
class Notice:
    """Something that a sensor did: silent, back or fault."""

    boot: str
    uptime: float
    kind: str
    sensor: str
    text: str


@dataclass(kw_only=True)
class Slot:
    """
    One sensor on its bus.

    ``follow`` gives the uptime of the next reading where the bus decides it (a
    replay); None keeps the pace.
    """

    label: str
    driver: Driver
    channels: tuple[str, ...]
    interval: float
    polls: int = 1
    follow: Callable[[], float] | None = None
    due: float = 0.0
    fails: int = 0
    started: bool = False
    condenser: Condenser = field(init=False)

    def __post_init__(self) -> None:
        self.condenser = Condenser(self.channels, self.interval, self.polls)

    @property
    def names(self) -> tuple[str, ...]:
        """Name what its intervals hold."""
        return stored_names(self.channels, self.polls)

    def after(self, uptime: float) -> float:
        """Give the middle of the next part of an interval."""
        if self.follow is not None:
            return self.follow()
        part = self.interval / self.polls
        due = (math.ceil(uptime / part) + 0.5) * part
        if self.fails <= SILENT_AFTER:
            return due
        rest = self.interval * 2.0 ** min(self.fails - SILENT_AFTER, 10)
        return due + min(rest, max(LONGEST_WAIT - self.interval, 0.0))


def polls_of(channels: Sequence[str], interval: float) -> int:
    """Choose how often to poll an interval: amps and volts often, warmth once."""
    if all(name.startswith(("temp_", "state_")) for name in channels):
        return 1
    return max(1, min(POLLS, math.floor(interval / PACE_LEAST)))


class BusPoller(threading.Thread):
    """Poll the sensors of one bus, one after the other."""

    def __init__(
        self,
        name: str,
        slots: Sequence[Slot],
        clock: Clock,
        out: queue.Queue[Taken | Notice],
        stop: threading.Event,
    ) -> None:
        super().__init__(name=f"bus {name}", daemon=True)
        self.slots = list(slots)
        self.clock = clock
        self.out = out
        self.stopped = stop
        self.counts: dict[str, Counter[str]] = {s.label: Counter() for s in slots}
        self.noted: set[str] = set()
        self.alive_at = clock.uptime()
        self.ended = False

    def run(self) -> None:
        """Poll until told to stop or until a replay ends."""
        now = self.clock.uptime()
        for slot in self.slots:
            slot.due = now if slot.follow is None else slot.follow()
        try:
            while not self.stopped.is_set():
                self.turn()
        except EndOfReadingsError:
            pass
        finally:
            for slot in self.slots:
                for interval in slot.condenser.finish():
                    self._give(slot, interval)
            self.ended = True

    def turn(self) -> None:
        """Wait for the sensor that is due next, and poll it."""
        slot = min(self.slots, key=lambda s: s.due)
        self.clock.sleep_until(slot.due, self.stopped)
        if self.stopped.is_set():
            return
        self.alive_at = self.clock.uptime()
        try:
            values = self._read(slot)
        except EndOfReadingsError:
            raise
        except Exception as error:  # noqa: BLE001
            # A driver's own fault must not stop the other sensors.
            values = self._failed(slot, f"{type(error).__name__}: {error}", "faults")
        for interval in slot.condenser.add(self.clock.uptime(), values):
            self._give(slot, interval)
        slot.due = slot.after(self.clock.uptime())

    def _give(self, slot: Slot, interval: Interval) -> None:
        taken = Taken(
            boot=self.clock.boot,
            pace=slot.interval,
            interval=interval,
            wall=self.clock.wall(),
        )
        while not self.stopped.is_set():
            try:
                self.out.put(taken, timeout=1.0)
            except queue.Full:
                self.counts[slot.label]["waited"] += 1
            else:
                return
        with_room = not self.out.full()
        if with_room:
            self.out.put_nowait(taken)

    def _read(self, slot: Slot) -> Mapping[str, float]:
        """Read once: buses repeat what is worth it, a second time-out costs others."""
        count = self.counts[slot.label]
        count["polls"] += 1
        try:
            if not slot.started:
                slot.driver.start()
                slot.started = True
            reading = slot.driver.read()
        except BusError as error:
            return self._failed(slot, str(error), "errors")
        self._answered(slot, reading)
        return reading.values

    def _failed(self, slot: Slot, text: str, kind: str) -> Mapping[str, float]:
        self.counts[slot.label][kind] += 1
        slot.fails += 1
        # A chip that was pulled has forgotten what was written to it.
        slot.started = False
        if slot.fails == 1:
            log.warning("%s: %s", slot.label, text)
        if slot.fails == SILENT_AFTER:
            self._notice(slot, "silent", text)
        return {}

    def _answered(self, slot: Slot, reading: Reading) -> None:
        for channel, found in reading.counts.items():
            self.counts.setdefault(channel, Counter()).update(found)
        for note in reading.notes:
            if note not in self.noted:
                self.noted.add(note)
                log.warning("%s", note)
        if slot.fails >= SILENT_AFTER:
            self._notice(slot, "back", f"answers again after {slot.fails} failed polls")
        slot.fails = 0

    def _notice(self, slot: Slot, kind: str, text: str) -> None:
        log.warning("%s: %s: %s", slot.label, kind, text)
        notice = Notice(
            boot=self.clock.boot,
            uptime=self.clock.uptime(),
            kind=kind,
            sensor=slot.label,
            text=text,
        )
        if not self.out.full():
            self.out.put_nowait(notice)
