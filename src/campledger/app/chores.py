"""
Chores by the wall clock: each a short process at low priority, one at a time.

The scheduler trusts the system clock and falls silent when that is set back, so it is
built anew after every step; a chore whose moment was jumped over runs once. Sampling,
sealing and saving never depend on anything here.
"""

from __future__ import annotations

import logging
import os
import shlex
import subprocess
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger

from campledger.app.board import free_room, heat_reason
from campledger.app.clockwork import PLAUSIBLE_FROM
from campledger.store.file import Lock

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from campledger.model.rig import Rig

log = logging.getLogger(__name__)

NICE = 15
FIRST_TO_GO = 600
LONGEST = 1800.0
"""A chore that takes longer is ended. [s] Common practice, no source."""
LOCK_WAIT = 600.0
ACT_APART = 600.0
"""The same urgent thing is not acted on again within this. [s]"""
ROOM_FOR_COPY = 4.0
"""A nightly copy needs so many times the size of the store."""


@dataclass(frozen=True, kw_only=True)
class Chore:
    """Something to do at times of the wall clock (fields of a cron line)."""

    name: str
    words: tuple[str, ...]
    minute: str
    hour: str = "*"
    heavy: bool = True

    def trigger(self, zone: ZoneInfo) -> CronTrigger:
        """Give its times in a zone."""
        return CronTrigger(minute=self.minute, hour=self.hour, timezone=zone)

    def was_due(self, zone: ZoneInfo, start: float, end: float) -> bool:
        """Tell whether one of its times lies in (start, end]."""
        after = datetime.fromtimestamp(start + 1e-3, tz=zone)
        due = self.trigger(zone).get_next_fire_time(None, after)
        return due is not None and due.timestamp() <= end


def chores_of(rig: Rig, rig_file: Path, store: Path) -> tuple[Chore, ...]:
    """List the chores of a rig."""
    files = ("--rig", str(rig_file), "--store", str(store))
    out = [
        Chore(name="answers", words=("enough", "--json", *files), minute="7"),
        Chore(
            name="loads", words=("statement", "--json", *files), minute="20", hour="3"
        ),
        Chore(
            name="copy",
            words=("backup", f"{store}.copy", *files),
            minute="40",
            hour="3",
        ),
    ]
    if rig.push.url:
        out.append(
            Chore(name="push", words=("push", *files), minute="*/5", heavy=False)
        )
    return tuple(out)


def run_quietly(
    words: Sequence[str], *, environment: dict[str, str] | None = None
) -> int:
    """Run a command at low priority; gives its exit code, complains in the log."""
    process = subprocess.Popen(  # noqa: S603  # our own words, or the owner's
        list(words),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env=environment,
        text=True,
    )
    with suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, process.pid, NICE)
        # Where memory runs out a chore goes, never the logger.
        Path(f"/proc/{process.pid}/oom_score_adj").write_text(str(FIRST_TO_GO))
    try:
        _, said = process.communicate(timeout=LONGEST)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        log.warning("%s: took longer than %.0f s, ended", words[0], LONGEST)
        return 1
    if process.returncode not in {0, 3}:
        lines = said.strip().splitlines()
        log.warning(
            "chore ended with %d: %s", process.returncode, lines[-1] if lines else ""
        )
    return process.returncode


class Chores:
    """The scheduler and what it runs."""

    def __init__(
        self,
        chores: Sequence[Chore],
        *,
        zone: str,
        store: Path,
        run: Callable[[Sequence[str]], int] = run_quietly,
        heat: Callable[[], str] = heat_reason,
    ) -> None:
        self.chores = tuple(chores)
        self.zone = ZoneInfo(zone)
        self.store = store
        self.run = run
        self.heat = heat
        self.ran: list[str] = []
        self.scheduler: BackgroundScheduler | None = None
        self._seen: float | None = None
        self._busy = threading.Lock()

    def look(self, wall: float, *, stepped: bool) -> None:
        """
        Start once the clock is sane; build anew after a step of it.

        ``wall`` is the clock now. A chore whose moment was jumped over runs once.
        """
        before, self._seen = self._seen, wall
        if wall < PLAUSIBLE_FROM:
            self.stop()
            return
        if self.scheduler is not None and not stepped:
            return
        self.stop()
        self._start()
        if stepped and before is not None and before >= PLAUSIBLE_FROM:
            for chore in self.chores:
                if chore.was_due(self.zone, before, wall):
                    self._add_once(chore)

    def stop(self) -> None:
        """Stop scheduling; a chore that runs is let finish."""
        if self.scheduler is not None:
            self.scheduler.shutdown(wait=False)
            self.scheduler = None

    def _start(self) -> None:
        scheduler = BackgroundScheduler(
            timezone=self.zone,
            executors={"default": ThreadPoolExecutor(1)},
            job_defaults={"coalesce": True, "misfire_grace_time": None},
        )
        for chore in self.chores:
            scheduler.add_job(
                self.do, chore.trigger(self.zone), args=(chore,), id=chore.name
            )
        scheduler.start()
        self.scheduler = scheduler

    def _add_once(self, chore: Chore) -> None:
        if self.scheduler is not None:
            self.scheduler.add_job(self.do, args=(chore,), id=f"{chore.name} missed")

    def do(self, chore: Chore) -> None:
        """Run one chore under the lock that heavy work shares."""
        if chore.heavy and (reason := self.heat()):
            log.warning("%s put off: %s", chore.name, reason)
            return
        if chore.name == "copy" and not self._room_for_copy():
            return
        lock = Lock(Path(f"{self.store}.heavy"))
        if not lock.take(wait=LOCK_WAIT if chore.heavy else 1.0):
            return
        try:
            with self._busy:
                self.ran.append(chore.name)
                self.run((sys.executable, "-m", "campledger", *chore.words))
        finally:
            lock.release()

    def _room_for_copy(self) -> bool:
        try:
            size = self.store.stat().st_size
            return free_room(self.store.resolve().parent) > ROOM_FOR_COPY * size
        except OSError:
            return False


class Actor:
    """Run the owner's command when something urgent is found."""

    def __init__(
        self,
        command: str,
        run: Callable[..., int] = run_quietly,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self.words = shlex.split(command)
        self.run = run
        self.now = now
        self._done: dict[str, float] = {}

    def act(self, kind: str, text: str) -> bool:
        """Act on something urgent, at most every ten minutes for each kind."""
        now = self.now()
        if not self.words or now - self._done.get(kind, -ACT_APART) < ACT_APART:
            return False
        self._done[kind] = now
        environment = {
            **os.environ,
            "CAMPLEDGER_URGENT": kind,
            "CAMPLEDGER_TEXT": text,
        }
        threading.Thread(
            target=self.run,
            args=(self.words,),
            kwargs={"environment": environment},
            daemon=True,
        ).start()
        return True
