"""The live estimate beside the daemon: fed, kept with each window, taken up again."""

from __future__ import annotations

import hashlib
import math
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

from campledger.estimate.battery.live import LiveBattery
from campledger.estimate.battery.live_state import squeeze, stretch

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.rig import Rig
    from campledger.store import Store

MARK = b"CLS2"
MOST = 1024
"""Most bytes of a state in a window. Issue's figure."""
HEAD = "<4s8sddddd"
UNSEEN_LONG = 7 * 86400.0
"""A hole of unknown length is taken as this long. [s] Common practice, no source."""
LONGEST = 60 * 86400.0
"""Longer holes say no more than this. [s]"""
SLOPE = 600.0
"""Volts are remembered over this, to tell whether they fell. [s]"""
SHORT = 3.0
"""A step up to this many intervals is no hole (contract, section 0)."""


def _name(boot: str) -> bytes:
    return hashlib.sha256(boot.encode()).digest()[:8]


@dataclass(frozen=True, kw_only=True)
class LastSeen:
    """
    The end of what a state saw: uptime, wall clock, and the house's volts.

    ``volts_before`` are those of ten minutes earlier; NaN = not known.
    """

    uptime: float
    wall: float
    volts: float
    volts_before: float

    @property
    def falling(self) -> bool:
        """Tell whether the volts fell over the last ten minutes."""
        return self.volts_before - self.volts > 0.02


class LiveState:
    """A live estimate that follows stored intervals."""

    def __init__(self, rig: Rig, boot: str) -> None:
        self.rig = rig
        self.boot = boot
        self.battery = LiveBattery(rig)
        self.seen: LastSeen | None = None
        self._corrections = {
            c.channel: c
            for c in rig.corrections
            if c.start_utc is None and c.end_utc is None
        }
        self._step = math.nan
        self._mark: tuple[float, float] | None = None
        self._earlier = math.nan

    def go_on(self, battery: LiveBattery, step: float, seen: LastSeen | None) -> None:
        """Go on where a battery was left; ``step`` is its usual interval."""
        self.battery, self._step, self.seen = battery, step, seen
        if seen is not None:
            self._earlier = seen.volts_before

    def take(self, end: float, wall: float, values: Mapping[str, float]) -> None:
        """Take one interval that ends at an uptime."""
        last = self.seen.uptime if self.seen is not None else math.nan
        dt = end - last
        if dt <= 0.0:
            return
        current = self._corrected("current_house_a", values)
        volts = self._corrected("voltage_house_v", values)
        temp = self._corrected("temp_house_c", values)
        if math.isnan(dt):
            dt = self._step if not math.isnan(self._step) else 1.0
        elif not math.isnan(self._step) and dt > max(SHORT * self._step, 5.0):
            self.battery.step(dt - self._step, math.nan, math.nan, math.nan)
            dt = self._step
        else:
            self._step = dt
        self.battery.step(dt, current, volts, temp)
        self._remember(end, wall, volts)

    def _corrected(self, name: str, values: Mapping[str, float]) -> float:
        value = values.get(name, math.nan)
        rule = self._corrections.get(name)
        return value if rule is None else rule.scale * value + rule.offset

    def _remember(self, end: float, wall: float, volts: float) -> None:
        known = self.seen
        level = volts
        if math.isnan(volts) and known is not None:
            level = known.volts
        if self._mark is None:
            self._mark = (end, level)
        elif end - self._mark[0] >= SLOPE:
            self._earlier, self._mark = self._mark[1], (end, level)
        before = self._earlier
        if math.isnan(before):
            before = self._mark[1]
        self.seen = LastSeen(uptime=end, wall=wall, volts=level, volts_before=before)

    def blob(self) -> bytes | None:
        """Give the state as kept with a window: at most 1 kB."""
        seen = self.seen
        if seen is None:
            return None
        head = struct.pack(
            HEAD,
            MARK,
            _name(self.boot),
            seen.uptime,
            seen.wall,
            seen.volts,
            seen.volts_before,
            self._step,
        )
        made = head + squeeze(self.battery.state_bytes(), MOST - len(head))
        return made if len(made) <= MOST else None


def _unpack(rig: Rig, blob: bytes) -> tuple[LiveBattery, LastSeen, bytes, float]:
    head = struct.unpack_from(HEAD, blob)
    if head[0] != MARK:
        msg = "taking up the live estimate: not a state of ours"
        raise ValueError(msg)
    state = stretch(blob[struct.calcsize(HEAD) :])
    battery = LiveBattery.from_bytes(rig, state)
    seen = LastSeen(uptime=head[2], wall=head[3], volts=head[4], volts_before=head[5])
    return battery, seen, head[1], head[6]


def take_up(
    rig: Rig, blob: bytes | None, *, boot: str, uptime: float, wall: float
) -> tuple[LiveState, LastSeen | None, float]:
    """
    Take up a stored state, widened by what was not seen.

    Returns
    -------
    live : LiveState
        Fresh if there was no state or it was another rig's.
    seen : LastSeen or None
        What the stored state saw last.
    unseen : float
        How long nothing was seen; NaN if that cannot be told. [s]
    """
    live = LiveState(rig, boot)
    if blob is None:
        return live, None, math.nan
    try:
        battery, seen, name, step = _unpack(rig, blob)
    except (struct.error, ValueError):
        return live, None, math.nan
    same = name == _name(boot)
    live.go_on(battery, step, seen if same else None)
    if same:
        return live, seen, max(uptime - seen.uptime, 0.0)
    unseen = wall - seen.wall
    unseen = unseen if 0.0 <= unseen <= LONGEST else math.nan
    long = UNSEEN_LONG if math.isnan(unseen) else unseen
    live.battery.step(long, math.nan, math.nan, math.nan)
    return live, seen, unseen


def live_of(store: Store, rig: Rig) -> tuple[LiveBattery, LastSeen] | None:
    """Give the live estimate as the newest window left it; None if there is none."""
    blob = store.state("window")
    if blob is None:
        return None
    try:
        battery, seen, _, _ = _unpack(rig, blob)
    except (struct.error, ValueError):
        return None
    return battery, seen
