"""
What time it is, and how that is known: anchors for boots, steps of the wall clock.

Nothing here rewrites a reading; an anchor dates a boot, stronger ones rule.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import math
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from campledger.app.times import iso
from campledger.errors import CannotTellError, Fault, InputError
from campledger.model.clock import STRENGTH, ClockAnchor, date_boot

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from campledger.store import BootInfo, Store

PLAUSIBLE_FROM = 1735689600.0
"""2025: a clock before this was never set on this board. [s]"""
STEP = 2.0
"""A jump of wall minus uptime above this is a clock that was set. [s] (contract)"""
APART = 0.5
"""A further system anchor is stored when dating is off by this. [s]"""
SYSTEM_BOUND = 1.0
"""Give-or-take of a synchronised clock as we read it. [s] Common practice, no
source."""
ASKED_ABOVE = 600.0
"""A time that differs by more from other evidence is asked, not taken. [s] Job text
X1."""
BOUNDS = {"phone": 2.0, "typed": 30.0}
"""Give-or-take of a paired phone, and of a time typed to the minute. [s] Common
practice, no source."""
UNSYNCHRONISED = 0x40
"""Status bit of the kernel's clock: nothing disciplines it. (adjtimex, STA_UNSYNC)"""
KERNEL_BOOT = Path("/proc/sys/kernel/random/boot_id")


class _Timex(ctypes.Structure):
    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_long * 40),
    )


def kernel_boot() -> str:
    """Give the kernel's name of this boot."""
    with suppress(OSError):
        return KERNEL_BOOT.read_text().strip()
    return ""


def is_synchronised() -> bool:
    """Ask the kernel whether something keeps its clock right."""
    name = ctypes.util.find_library("c")
    if name is None:
        return False
    asked = _Timex()
    try:
        state = ctypes.CDLL(name).adjtimex(ctypes.byref(asked))
    except (OSError, AttributeError):
        return False
    return state >= 0 and not asked.status & UNSYNCHRONISED


@dataclass(kw_only=True)
class ClockWatch:
    """
    Follow the wall clock of the running boot.

    ``synchronised`` is asked once a minute at most; ``offset`` is wall minus uptime.
    """

    synchronised: Callable[[], bool] = is_synchronised
    offset: float = math.nan
    asked: float = -math.inf

    def look(self, uptime: float, wall: float) -> float:
        """Give by how much the clock was stepped since the last look, else 0. [s]"""
        now = wall - uptime
        before, self.offset = self.offset, now
        if math.isnan(before) or math.isnan(now) or abs(now - before) <= STEP:
            return 0.0
        self.asked = -math.inf
        return now - before

    def anchor(self, uptime: float, wall: float) -> bool:
        """Tell whether the wall clock may date this boot now."""
        if uptime - self.asked < 60.0:
            return False
        self.asked = uptime
        return wall >= PLAUSIBLE_FROM and self.synchronised()


def offer_system_anchor(
    store: Store, boot: int, uptime: float, wall: float, *, newest: float = -math.inf
) -> bool:
    """
    Date the running boot by a synchronised clock, unless it is dated so already.

    ``newest`` is the newest dated reading of earlier boots: an earlier time is a clock
    that cannot be right. Tells whether an anchor was stored.
    """
    if wall < newest - ASKED_ABOVE:
        return False
    known = [a for a in store.anchors().get(boot, []) if a.kind == "system"]
    dated = date_boot(known)
    if dated is not None:
        told = dated.origin + dated.rate * uptime
        if abs(told - wall) < APART:
            return False
    store.add_anchor(
        boot, uptime=uptime, time_utc=wall, kind="system", bound=SYSTEM_BOUND
    )
    return True


def disagreement(
    infos: Sequence[BootInfo],
    anchors: Sequence[ClockAnchor],
    boot: int,
    uptime: float,
    time_utc: float,
) -> str:
    """
    Say what speaks against a time that somebody gives, or nothing. Job text X1.

    Only evidence at least as strong as a synchronised clock counts, and the order of
    boots: a boot cannot begin before the one before it ended.
    """
    strong = [a for a in anchors if STRENGTH.index(a.kind) <= STRENGTH.index("system")]
    dated = date_boot(strong)
    if dated is not None:
        told = dated.origin + dated.rate * uptime
        if abs(told - time_utc) > ASKED_ABOVE:
            return f"this boot is dated {iso(told)} by {dated.kind}"
    here = next((k for k, b in enumerate(infos) if b.id == boot), 0)
    own = infos[here] if infos else None
    if own is None:
        return ""
    before = [
        b.end_utc
        for b in infos[:here]
        if b.recorder == own.recorder and b.dated and b.dated_by in STRENGTH[:3]
    ]
    start = time_utc - uptime
    if before and max(before) - start > ASKED_ABOVE:
        return f"readings before this boot end at {iso(max(before))}"
    return ""


def give_time(
    store: Store,
    *,
    time_utc: float,
    uptime: float,
    kind: str,
    recorder: str,
    identity: str,
    source: str = "",
    sure: bool = False,
) -> BootInfo:
    """
    Date a boot by a time that a phone or a person gives.

    Parameters
    ----------
    store : Store
        Open for writing.
    time_utc : float
        The true time. [s]
    uptime : float
        Of that moment. [s]
    kind : str
        ``phone`` or ``typed``.
    recorder, identity : str
        Whose boot: the rig's name and the kernel's name of the running boot.
    source : str
        Noted: who gave it.
    sure : bool
        Take it although other evidence differs.

    Raises
    ------
    CannotTellError
        No logger ever wrote to this store.
    InputError
        Other evidence differs by more than ten minutes and nobody said ``sure``.
    """
    if not store.has_live():
        msg = f"{store.path.name}: no boot of a logger to date; start campledger log"
        raise CannotTellError(msg)
    own = store.begin_boot(recorder, identity=identity)
    infos = store.boots()
    against = disagreement(
        infos, store.anchors().get(own.id, []), own.id, uptime, time_utc
    )
    if against and not sure:
        raise InputError(
            Fault(
                file=store.path.name,
                field="time",
                got=iso(time_utc),
                expected=f"one that fits: {against}",
                effect="Not taken; say it again with --sure if it is right.",
            )
        )
    store.add_anchor(
        own.id,
        uptime=uptime,
        time_utc=time_utc,
        kind=kind,
        bound=BOUNDS[kind],
        source=source,
    )
    return next(b for b in store.boots() if b.id == own.id)
