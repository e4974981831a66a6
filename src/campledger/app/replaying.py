"""Replay a chosen trip with other hardware or habits, for command and report alike."""

from __future__ import annotations

import zlib
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.options import evaluate

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from campledger.judge.finding import Fitout
    from campledger.judge.options import Change, Options
    from campledger.model.estimates import TripEstimates
    from campledger.model.rig import Rig
    from campledger.model.series import TripRecord

MENDABLE = ("C9", "C10", "C12", "C46")
"""Findings whose repair brings a charge that can be worked out."""


def faults_of(fitout: Fitout) -> Mapping[str, str]:
    """Name found faults whose repair would bring more charge."""
    return {
        f.id: f.title
        for f in fitout.findings
        if f.id in MENDABLE and str(f.verdict) == "fault"
    }


def replayed(
    record: TripRecord,
    rig: Rig,
    estimates: TripEstimates,
    *,
    changes: Sequence[Change] = (),
    faults: Mapping[str, str] | None = None,
) -> Options:
    """Replay with chance seeded by the end of the record: asked twice, told twice."""
    seed = zlib.crc32(f"{record.end_utc:.0f}".encode())
    return evaluate(
        record,
        rig,
        estimates,
        changes=changes,
        faults=faults,
        rng=np.random.default_rng(seed),
    )
