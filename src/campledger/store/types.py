"""What goes into the store and what comes out, beside the core's own types."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from campledger.model.series import FloatArray

POINT, MEAN = 0, 1
SAMPLING = ("point", "mean")


@dataclass(frozen=True, kw_only=True)
class Rows:
    """
    Readings on one time axis.

    ``uptime`` (n,) since boot, or UTC for a recorder without boots; ``wall`` (n,) what
    the clock said, NaN where it said nothing; ``values`` (n,) each, NaN = missing.
    """

    uptime: FloatArray
    values: Mapping[str, FloatArray]
    wall: FloatArray | None = None


@dataclass(frozen=True, kw_only=True)
class Window:
    """
    What the daemon saves at once: the last seconds of one boot.

    Channels of other pace go into other ``rows``. ``state`` is kept with the window in
    the same transaction (live estimates, at most 1 kB).
    """

    boot: int
    rows: tuple[Rows, ...]
    sampling: str = "mean"
    state: bytes | None = None


@dataclass(frozen=True, kw_only=True)
class Columns:
    """
    A chunk of a recording on its way in, in file order.

    ``boot`` (n,) whole numbers and ``uptime`` (n,), or neither; ``time_utc`` (n,) may
    be None if they are there. ``values`` (n,) each.
    """

    values: Mapping[str, FloatArray]
    time_utc: FloatArray | None = None
    boot: NDArray[np.int64] | None = None
    uptime: FloatArray | None = None


@dataclass(frozen=True, kw_only=True)
class ImportCount:
    """
    What became of the rows of a chunk.

    ``aside`` are the indices (into the chunk) of rows of which a value was set aside
    because another one stands there already.
    """

    added: int = 0
    present: int = 0
    set_aside: int = 0
    aside: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))

    def __add__(self, other: ImportCount) -> ImportCount:
        """Add two counts; the indices of the second must be shifted by the caller."""
        return ImportCount(
            added=self.added + other.added,
            present=self.present + other.present,
            set_aside=self.set_aside + other.set_aside,
            aside=np.concatenate((self.aside, other.aside)),
        )


@dataclass(frozen=True, kw_only=True)
class BootInfo:
    """
    A boot as the store knows it.

    ``number`` None: a recorder without boots, dated by its clock. Dates are NaN while
    nothing dates it; then it lies between ``after_utc`` and ``before_utc`` (NaN =
    unknown).
    """

    id: int
    recorder: str
    number: int | None
    source: str
    uptime_first: float
    uptime_last: float
    rows: int
    start_utc: float
    end_utc: float
    dated_by: str
    bound: float
    rate: float = 1.0
    after_utc: float = float("nan")
    before_utc: float = float("nan")

    @property
    def dated(self) -> bool:
        """Tell whether its readings have a true time."""
        return bool(np.isfinite(self.start_utc))


@dataclass(frozen=True, kw_only=True)
class Total:
    """Integral of a channel over a boot (value x s) and the seconds it covers."""

    charge: float
    covered: float


@dataclass(frozen=True, kw_only=True)
class Trip:
    """Bounds of a trip; ``name`` and ``plan`` fingerprint if a plan set them."""

    start_utc: float
    end_utc: float
    name: str = ""
    plan: str = ""
    last_reading_utc: float = float("nan")


@dataclass(frozen=True, kw_only=True)
class FrozenPlan:
    """A plan as it was frozen; ``revision`` 1 is the plan, later ones are dated."""

    id: int
    fingerprint: str
    text: str
    name: str
    start_utc: float
    end_utc: float
    frozen_utc: float
    revision: int
    late: bool


@dataclass(frozen=True, kw_only=True)
class Entry:
    """A note, proof or event: a time, a key and a JSON body."""

    id: int
    kind: str
    time_utc: float
    key: str
    body: Mapping[str, object]


@dataclass(frozen=True, kw_only=True)
class Kept:
    """A kept result and the newest reading it was made with."""

    key: str
    fingerprint: str
    last_utc: float
    blob: bytes
