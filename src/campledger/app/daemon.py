"""
The daemon: take intervals, save windows, seal hours, keep the live estimate.

One loop on the boot-time clock. The wall clock only dates; nothing here waits for it,
for a network or for a chore. Loads no presentation and no client.
"""

from __future__ import annotations

import logging
import math
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from campledger.acquire.condense import Interval
from campledger.acquire.poll import Notice, Taken
from campledger.app.board import SYS, free_room
from campledger.app.boardwatch import BoardWatch
from campledger.app.clockwork import (
    PLAUSIBLE_FROM,
    ClockWatch,
    is_synchronised,
    offer_system_anchor,
)
from campledger.app.events import EventLog
from campledger.app.keeping import Keeper
from campledger.app.livestate import LiveState, take_up
from campledger.app.startwatch import StartWatch
from campledger.app.status import Manager, write_status
from campledger.app.sunclock import SunWatch
from campledger.errors import StoreBusyError, StoreError
from campledger.judge.darkness import why_dark
from campledger.store import StoreFullError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from campledger.acquire.condense import Happening
    from campledger.app.chores import Actor, Chores
    from campledger.app.wiring import Source
    from campledger.model.rig import Rig
    from campledger.store import BootInfo, Store

log = logging.getLogger(__name__)

HOUR = 3600.0
TICK = 1.0
BOARD_EVERY = 60.0
STATUS_EVERY = 10.0
SLACK = 0.2
"""A window is saved so much before it would cost more than the owner allows. [s]"""
AGAIN = 5.0
"""Saving is tried again after this when there was no room. [s]"""
FAST_WINDOWS = 60
"""A replay as fast as possible saves windows of so many times the usual length."""
EARLY = 20_000
"""Readings that are held while no boot can be put down. [1]"""
ALIVE = 90.0
"""A poller that has not turned for this is hung; the watchdog restarts us. [s]"""


@dataclass(kw_only=True)
class Summary:
    """What a run did."""

    rows: int = 0
    boots: int = 0
    late: int = 0
    channels: tuple[str, ...] = ()


@dataclass(kw_only=True)
class Surroundings:
    """What is around the daemon; tests put in their own."""

    manager: Manager = field(default_factory=Manager)
    sys_root: Path = SYS
    free: Callable[[Path], float] = free_room
    synchronised: Callable[[], bool] = is_synchronised
    chores: Chores | None = None
    actor: Actor | None = None


class Daemon:
    """Log from a source into a store until told to stop."""

    def __init__(
        self,
        rig: Rig,
        store: Store,
        source: Source,
        around: Surroundings | None = None,
    ) -> None:
        self.rig, self.store, self.source = rig, store, source
        self.around = around or Surroundings()
        self.summary = Summary()
        self.watch = ClockWatch(synchronised=self.around.synchronised)
        self.start_watch = StartWatch(rig)
        self.boot: BootInfo | None = None
        self.board = BoardWatch(rig.logger, self.around.sys_root, self.around.free)
        self.silent: dict[str, str] = {}
        self.keeper: Keeper
        self.live: LiveState
        self.events: EventLog
        self.sun: SunWatch
        self._boot_name = ""
        self._early: list[Taken | Notice] = []
        self._due = -math.inf
        self._hour = -1
        self._pace = 0.0
        self._next = {"board": -math.inf, "status": -math.inf}
        self._window = self._window_length()
        if source.kind == "live" and self.board.temp is not None:
            names = {n for found in source.paces().values() for n in found}
            if "temp_logger_c" not in names:
                source.extra = {BOARD_EVERY: ("temp_logger_c",)}

    def _window_length(self) -> float:
        window = self.rig.logger.window
        if self.source.kind == "replay":
            pace = getattr(self.source.clock, "pace", 0.0)
            return window * pace if pace > 0.0 else window * FAST_WINDOWS
        return window

    def run(self) -> Summary:
        """Log until the source ends or is stopped."""
        self.source.start()
        self._try(self.store.seal)
        told = False
        try:
            while not self.source.stop.is_set():
                ended = self.source.ended
                self.step(self.source.take(self._wait()))
                if not told and self.boot is not None:
                    self.around.manager.tell("READY=1")
                    told = True
                if ended and self.source.out.empty():
                    break
        finally:
            self.close()
        return self.summary

    def _wait(self) -> float:
        """Give how long nothing need be done. [s]"""
        if self.boot is None or self.source.kind == "replay":
            return 0.2
        return min(max(self._due - self.source.clock.uptime(), 0.01), TICK)

    def step(self, batch: list[Taken | Notice]) -> None:
        """Put a batch into the store and look around."""
        batch, self._early = [*self._early, *batch], []
        for k, one in enumerate(batch):
            if one.boot != self._boot_name or self.boot is None:
                try:
                    self._begin(one)
                except (StoreFullError, StoreBusyError) as error:
                    self._hold(batch[k:], error)
                    return
            if isinstance(one, Notice):
                self._notice(one)
            else:
                self._take(one)
        if self.boot is None:
            return
        if self.source.kind == "live":
            self._look_around()

    def _hold(self, batch: list[Taken | Notice], error: StoreError) -> None:
        """Keep readings in memory while not even a boot can be put down."""
        if self.source.kind == "replay":
            raise error
        self._early = batch[-EARLY:]
        text = f"NOT SAVED: {error}"
        self.around.manager.tell("READY=1", "WATCHDOG=1", f"STATUS={text}")
        now = self.source.clock.uptime()
        write_status({"uptime_s": now, "text": text, "saving": False})

    # readings

    def _take(self, taken: Taken) -> None:
        interval = taken.interval
        if not self.keeper.add(taken):
            self.summary.late += 1
            return
        if taken.pace <= self._pace:
            if "current_house_a" in interval.values:
                self.live.take(interval.end, taken.wall, interval.values)
            self._urgent_readings(interval)
        self.sun.take(interval)
        for seen in self.events.look(interval, taken.wall):
            self._urgent_event(seen)
        if self.source.kind == "replay":
            self.watch.look(interval.end, taken.wall)
            if self._due == -math.inf:
                self._due = interval.end + self._window
            self._save_if_due(interval.end)

    def _save_if_due(self, uptime: float) -> None:
        if uptime < self._due:
            return
        saved = self.keeper.flush(uptime, self.live.blob())
        if self.source.kind == "replay":
            self._due = uptime + self._window
        elif saved:
            # What is not saved begins where the last saved row ended.
            due = self.keeper.saved_to + self._window - SLACK
            self._due = max(due, uptime + 0.25 * min(self._window, TICK))
        else:
            self._due = uptime + AGAIN
        hour = math.floor(uptime / HOUR)
        if hour > self._hour:
            self._hour = hour
            self._seal(hour * HOUR)

    def _seal(self, up_to: float | None) -> None:
        """Seal what is whole; the moments depend on uptime alone."""
        if self.boot is None:
            return
        boot = self.boot.id
        self._try(lambda: self.store.seal(boot, up_to=up_to))
        self._try(self._sun_anchor)
        self._try(self.store.refresh_minutes)
        for label, names in self.source.counts().items():
            self._try(self.store.count, label, names)
        if self.events.unlisted:
            names = {"events not listed": self.events.unlisted}
            self.events.unlisted = 0
            self._try(self.store.count, "events", names)

    def _sun_anchor(self) -> None:
        if self.boot is not None:
            self.sun.offer(self.store, self.boot.id)

    # boots

    def _begin(self, one: Taken | Notice) -> None:
        if self.boot is not None:
            self._end_boot()
        replay = self.source.kind == "replay"
        number = int(one.boot) if replay and one.boot.lstrip("-").isdigit() else None
        boot = self.store.begin_boot(
            self.rig.name,
            identity=self.source.tag + one.boot,
            source=self.source.kind,
            number=number,
        )
        self._boot_name = one.boot
        uptime = one.interval.end if isinstance(one, Taken) else one.uptime
        wall = one.wall if isinstance(one, Taken) else math.nan
        after = boot.uptime_last if boot.rows else -math.inf
        paces = self.source.paces()
        self._pace = min(paces)
        self.keeper = Keeper(
            self.store, boot.id, paces, sampling=self.source.sampling, after=after
        )
        self.live, seen, unseen = take_up(
            self.rig,
            self.store.state("window"),
            boot=self.source.tag + one.boot,
            uptime=uptime,
            wall=wall,
        )
        self.events = EventLog(self.rig.house.voltage_cutoff, self._put)
        self.sun = SunWatch(self.rig)
        self.boot, self._due = boot, -math.inf
        self._hour = math.floor(uptime / HOUR)
        self.summary.boots += 1
        if self.source.kind == "live":
            self._due = uptime + 0.5 * self._window
        volts = math.nan
        if isinstance(one, Taken):
            volts = one.interval.values.get("voltage_house_v", math.nan)
        body: dict[str, object] = {"uptime_s": uptime, "boot_number": boot.number}
        if seen is not None:
            dark = why_dark(
                seen.volts,
                volts,
                falling=seen.falling,
                duration=unseen,
                cutoff=self.rig.house.voltage_cutoff,
            )
            body |= {
                "cause": dark.cause,
                "text": dark.text,
                "volts_before": _number(seen.volts),
                "volts_after": _number(volts),
                "seconds": _number(unseen),
            }
        self._put("boot", wall, body)

    def _end_boot(self) -> None:
        self.events.finish()
        self.keeper.flush(math.inf, self.live.blob(), last=True)
        self.summary.rows += self.keeper.saved_rows
        self._seal(None)

    def close(self) -> None:
        """Save and seal what is there."""
        self.source.stop.set()
        for poller in self.source.pollers:
            if poller.is_alive():
                poller.join(timeout=5.0)
        if self.source.kind == "live":
            for one in self.source.take(0.0):
                if isinstance(one, Taken) and self.boot is not None:
                    self._take(one)
        if self.around.chores is not None:
            self.around.chores.stop()
        if self.boot is not None:
            self._end_boot()
        self.around.manager.tell("STOPPING=1")

    # what happens

    def _put(self, kind: str, wall: float, body: dict[str, object]) -> None:
        """Put an event down; its time is uptime and boot, the clock only says."""
        if self.boot is None:
            return
        said = wall if wall >= PLAUSIBLE_FROM else math.nan
        body = {"boot": self.boot.id, **body}
        self._try(lambda: self.store.add_entry("event", said, body, key=kind))

    def _notice(self, one: Notice) -> None:
        if one.kind == "silent":
            self.silent[one.sensor] = one.text
        else:
            self.silent.pop(one.sensor, None)
        body: dict[str, object] = {
            "sensor": one.sensor,
            "text": one.text,
            "uptime_s": one.uptime,
        }
        self._put(f"sensor {one.kind}", self.source.clock.wall(), body)

    def _urgent_event(self, seen: Happening) -> None:
        if seen.kind == "cut-out":
            self._act("cut-out", f"house at {seen.after:.2f} V, loads disconnect")

    def _urgent_readings(self, interval: Interval) -> None:
        values, house = interval.values, self.rig.house
        volts = values.get("voltage_house_v", math.nan)
        if volts > house.voltage_charge_high:
            self._act("over-voltage", f"house at {volts:.2f} V: stop charging")
        temp = values.get("temp_house_c", math.nan)
        current = values.get("current_house_a", math.nan)
        cold = not house.is_lead and temp < house.temp_charge_min
        if cold and current > 0.02 * house.capacity_rated:
            self._act("cold-charging", f"charging at {temp:.0f} degC: stop charging")
        drained = self.start_watch.take(interval.end, values)
        if drained:
            self._act("start-drain", drained)

    def _act(self, kind: str, text: str) -> None:
        if self.around.actor is not None and self.around.actor.act(kind, text):
            self._put("urgent", self.source.clock.wall(), {"what": kind, "text": text})

    # the board and the clock

    def _look_around(self) -> None:
        clock = self.source.clock
        uptime, wall = clock.uptime(), clock.wall()
        self._save_if_due(uptime)
        step = self.watch.look(uptime, wall)
        if step:
            log.warning("the clock was stepped by %.1f s", step)
            self._put("clock", wall, {"step_s": step, "uptime_s": uptime})
        if self.watch.anchor(uptime, wall):
            self._try(self._system_anchor)
        if self.around.chores is not None:
            self.around.chores.look(wall, stepped=bool(step))
        if uptime >= self._next["board"]:
            self._next["board"] = uptime + BOARD_EVERY
            self._look_at_board(uptime, wall)
        if uptime >= self._next["status"]:
            self._next["status"] = uptime + STATUS_EVERY
            self._tell(uptime)
        alive = min(p.alive_at for p in self.source.pollers)
        longest = max(s.interval for p in self.source.pollers for s in p.slots)
        if uptime - alive < ALIVE + longest:
            self.around.manager.tell("WATCHDOG=1")

    def _system_anchor(self) -> None:
        if self.boot is None:
            return
        earlier = [
            b.end_utc
            for b in self.store.boots()
            if b.dated and b.id != self.boot.id and b.dated_by in {"system", "phone"}
        ]
        clock = self.source.clock
        offer_system_anchor(
            self.store,
            self.boot.id,
            clock.uptime(),
            clock.wall(),
            newest=max(earlier, default=-math.inf),
        )

    def _look_at_board(self, uptime: float, wall: float) -> None:
        before = self.board.room.mode
        for seen in self.board.look(uptime, self.store.path):
            log.warning("%s", seen.body.get("text", seen.kind))
            self._put(seen.kind, wall, seen.body)
            if seen.urgent:
                self._act(seen.kind, seen.urgent)
        now = self.board.room.mode
        if before != now and "low" in {before, now}:
            # Rows of another pace go into blocks of their own.
            self.keeper.flush(uptime, self.live.blob())
            self._seal(None)
            self.keeper.low = self.events.detailed = now == "low"
        if self.board.temp is not None and self.source.extra:
            end = math.floor(uptime / BOARD_EVERY) * BOARD_EVERY
            values = {"temp_logger_c": self.board.temp}
            self.keeper.add(
                Taken(
                    boot=self._boot_name,
                    pace=BOARD_EVERY,
                    interval=Interval(end=end, values=values),
                    wall=wall - (uptime - end),
                )
            )

    def _not_saved(self, uptime: float) -> str:
        """Say since when nothing is saved, or nothing."""
        since = self.keeper.not_saved_since
        if math.isnan(since):
            return ""
        wall = self.source.clock.wall()
        when = f"for {uptime - since:.0f} s"
        if wall >= PLAUSIBLE_FROM:
            at = datetime.fromtimestamp(
                wall - (uptime - since), tz=ZoneInfo(self.rig.timezone)
            )
            when = f"since {at:%H:%M}"
        return f"NOT SAVED {when}: {self.keeper.trouble}"

    def _tell(self, uptime: float) -> None:
        trouble = self._not_saved(uptime)
        text = trouble or f"logging, {self.board.room.sentence()}"
        if trouble:
            self._act("not-saved", text)
        self.around.manager.tell(f"STATUS={text}")
        live = self.live.battery.estimate()
        write_status(
            {
                "uptime_s": uptime,
                "text": text,
                "saving": not trouble,
                "rows_given_up": self.keeper.given_up,
                "free_mb": round(self.board.room.free / 1e6),
                "days_left": self.board.room.days,
                "disk": self.board.room.mode,
                "board_temp_c": self.board.temp,
                "hot": self.board.heat or None,
                "supply_low": self.board.supply_low,
                "silent_sensors": dict(self.silent),
                "soc": {"value": live.value, "lo": live.lo, "hi": live.hi},
            }
        )

    def _try(self, what: Callable[..., object], *args: object) -> None:
        """Do something that the record does not depend on; trouble is told."""
        try:
            what(*args)
        except StoreError as error:
            log.warning("%s", error)


def _number(value: float) -> float | None:
    return None if math.isnan(value) else value
