"""What a check of one sensor says, and the correction that it may offer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from campledger.model.rig import Correction


@dataclass(frozen=True, kw_only=True)
class SensorFinding:
    """
    What the record says about one sensor.

    ``kind`` is one of sign, scale, zero, round_shunt, stuck, unplugged, clipped,
    disagree. ``verdict`` is pass, fault, look or cannot_tell; ``sure`` is measured,
    likely or hint. ``value``, ``lo``, ``hi`` belong to ``kind``: sign = dV/dI, Ohm
    (circuits: share of readings with the wrong sign); scale = ratio of this sensor to
    the rest; zero and round_shunt = A; stuck and unplugged = s lost; clipped =
    readings; disagree = V. ``evidence`` counts the events or readings behind it.
    ``correction`` is offered, never applied.
    """

    channel: str
    kind: str
    verdict: str
    sure: str
    value: float
    lo: float
    hi: float
    evidence: int
    text: str
    needs: str = ""
    correction: Correction | None = None
    start_utc: float = float("nan")
    end_utc: float = float("nan")
