"""The board through time: what changed about its warmth, supply and room."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from campledger.app.board import (
    HOT,
    Room,
    board_temp,
    heat_reason,
    judge_room,
    supply_low,
)

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from campledger.model.rig import LoggerSettings


@dataclass(frozen=True, kw_only=True)
class Seen:
    """A change that is an event; ``urgent`` says it if somebody should act."""

    kind: str
    body: dict[str, object] = field(default_factory=dict)
    urgent: str = ""


class BoardWatch:
    """
    Look at the board now and then.

    Parameters
    ----------
    settings : LoggerSettings
        Room at which to warn, and at which only minutes are kept.
    root : Path
        Where the kernel shows the board.
    free : callable
        Room left for us on the file system of a folder. [byte]
    """

    def __init__(
        self, settings: LoggerSettings, root: Path, free: Callable[[Path], float]
    ) -> None:
        self.settings, self.root, self.free = settings, root, free
        self.room = Room(free=math.inf, mode="all", days=None)
        self.temp = board_temp(root)
        self.supply_low = False
        self._hot = False
        self._first_size: tuple[float, float] | None = None

    @property
    def heat(self) -> str:
        """Say why heavy work is refused now, or nothing."""
        return heat_reason(self.root)

    def look(self, uptime: float, store: Path) -> list[Seen]:
        """Look; gives what changed since the last time."""
        out = []
        self.temp = board_temp(self.root)
        hot = self.temp is not None and self.temp >= HOT
        if hot and not self._hot:
            body: dict[str, object] = {"text": self.heat, "temp_c": self.temp}
            out.append(Seen(kind="hot", body=body, urgent=self.heat))
        self._hot = hot
        low = bool(supply_low(self.root))
        if low and not self.supply_low:
            out.append(Seen(kind="supply low", body={"uptime_s": uptime}))
        self.supply_low = low
        return out + self._look_at_room(uptime, store)

    def _look_at_room(self, uptime: float, store: Path) -> list[Seen]:
        try:
            free = self.free(store.resolve().parent)
            size = float(store.stat().st_size)
        except OSError:
            return []
        if self._first_size is None:
            self._first_size = (uptime, size)
        since, first = self._first_size
        before, self.room = (
            self.room,
            judge_room(
                free,
                warn=self.settings.free_warn,
                low=self.settings.free_low,
                grown=size - first,
                seconds=uptime - since,
            ),
        )
        if self.room.mode == before.mode:
            return []
        text = self.room.sentence()
        body: dict[str, object] = {"mode": self.room.mode, "text": text}
        urgent = text if self.room.mode == "low" else ""
        return [Seen(kind="disk", body=body, urgent=urgent)]
