"""Replay a chosen trip with other hardware or habits, for command and report alike."""

from __future__ import annotations

import zlib
from typing import TYPE_CHECKING

import numpy as np

from campledger.app.times import iso
from campledger.judge.options import TripOptions, evaluate

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from campledger.judge.finding import Fitout
    from campledger.judge.options import Change, Options
    from campledger.model.estimates import TripEstimates
    from campledger.model.plan import Plan
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
    plan: Plan | None = None,
) -> Options:
    """Replay with chance seeded by the end of the record: asked twice, told twice."""
    seed = zlib.crc32(f"{record.end_utc:.0f}".encode())
    return evaluate(
        record,
        rig,
        estimates,
        changes=changes,
        faults=faults,
        plan=plan,
        rng=np.random.default_rng(seed),
    )


def as_one_of_several(
    name: str, record: TripRecord, estimates: TripEstimates, options: Options
) -> TripOptions:
    """Set what one trip said beside what its weather was."""
    days = (record.end_utc - record.start_utc) / 86400.0
    air = float("nan")
    if "temp_air_c" in record.minutes:
        seen = record.minutes["temp_air_c"].mean
        air = float(np.nanmean(seen)) if np.isfinite(seen).any() else air
    suns = [x for x in estimates.sources if x.kind == "solar"]
    possible = sum(
        float(np.nansum(np.where(np.isfinite(x.possible), x.possible, x.power)))
        for x in suns
    )
    return TripOptions(
        name=name or f"the trip that ended {iso(record.end_utc, record.utc_offset)}",
        nights=max(1, round(days)),
        air_mean=air,
        sun_a_day=possible / 60.0 / days if suns and days > 0 else float("nan"),
        options=options,
    )
