"""Start the short processes, one at a time, and remember what is under way."""

from __future__ import annotations

import asyncio
import logging
import os
import sys
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from campledger.app.page.trying import Change, to_json

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

log = logging.getLogger(__name__)

LONGEST = 600.0
"""A short process that takes longer is ended. [s] Common practice, no source."""
WAITING_MOST = 4
"""More changes than this are not queued. Common practice, no source."""
APART = 60.0
"""Answers are not worked out anew on request within this. [s]"""
LIGHT = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MALLOC_ARENA_MAX": "1",
}


@dataclass(kw_only=True)
class Worker:
    """The one place that starts short processes."""

    folder: Path
    files: Sequence[str]
    at: str = ""
    turn: asyncio.Lock = field(default_factory=asyncio.Lock)
    pending: dict[str, asyncio.Task[None]] = field(default_factory=dict)
    failed: dict[str, float] = field(default_factory=dict)
    asked: float = float("-inf")

    def refresh(self, *, force: bool = False) -> bool:
        """Have the answers worked out; tells whether that is now under way."""
        if "answers" in self.pending:
            return True
        if not force and time.monotonic() - self.asked < APART:
            return False
        self.asked = time.monotonic()
        more = ("--at", self.at) if self.at else ()
        self._start("answers", more)
        return True

    def attempt(self, change: Change, identity: str) -> str:
        """Have a change worked out; gives ``busy``, ``waiting`` or ``failed``."""
        key = change.key(identity)
        if key in self.pending:
            return "waiting"
        if time.monotonic() - self.failed.get(key, float("-inf")) < APART:
            return "failed"
        if len(self.pending) >= WAITING_MOST:
            return "busy"
        self._start(key, ("--change", to_json(change)))
        return "waiting"

    def _start(self, key: str, more: Sequence[str]) -> None:
        task = asyncio.get_running_loop().create_task(self._run(key, more))
        self.pending[key] = task
        task.add_done_callback(lambda _: self.pending.pop(key, None))

    async def _run(self, key: str, more: Sequence[str]) -> None:
        async with self.turn:
            code = await self._process(more)
        if code != 0:
            self.failed[key] = time.monotonic()
            while len(self.failed) > 100:
                self.failed.pop(next(iter(self.failed)))
            log.warning("working out an answer ended with %s", code)

    async def _process(self, more: Sequence[str]) -> int | None:
        words = ("-m", "campledger", "page", "--write-answers", str(self.folder))
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            *words,
            *self.files,
            *more,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            env={**os.environ, **LIGHT},
        )
        try:
            return await asyncio.wait_for(process.wait(), LONGEST)
        except TimeoutError:
            process.kill()
            return await process.wait()

    async def close(self) -> None:
        """Let go of what is under way."""
        for task in list(self.pending.values()):
            task.cancel()
