"""Load a stored case (recording, rig, plan, truth) straight into the core's types."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow.parquet as pq

from campledger.formats.planfile import read_plan
from campledger.formats.rigfile import read_rig
from campledger.model.integrate import to_minutes
from campledger.model.series import (
    Boot,
    Series,
    TripRecord,
    minute_grid,
    parse_channel,
)


class LazyMinutes(dict):
    """Condense a channel when it is first asked for."""

    def __init__(self, channels, grid):
        super().__init__()
        self.source, self.grid = channels, grid

    def __missing__(self, name):
        self[name] = to_minutes(self.source[name], self.grid)
        return self[name]

    def __contains__(self, name):
        return name in self.source

    def __iter__(self):
        return iter(self.source)

    def __len__(self):
        return len(self.source)

    def get(self, name, default=None):
        try:
            return self[name]
        except KeyError:
            return default

    def keys(self):
        return self.source.keys()


def make_record(time_utc, columns, *, utc_offset=0.0, sampling="point", boots=None):
    """Build a TripRecord from one shared time axis and a dict of columns."""
    time_utc = np.asarray(time_utc, dtype=float)
    channels = {
        name: Series(
            time_utc=time_utc, value=np.asarray(v, dtype=float), sampling=sampling
        )
        for name, v in columns.items()
        if parse_channel(name) is not None
    }
    start, end = float(time_utc[0]), float(time_utc[-1])
    grid = minute_grid(start, end)
    if boots is None:
        boots = (
            Boot(
                number=1, recorder="r", start_utc=start, end_utc=end, dated_by="clock"
            ),
        )
    return TripRecord(
        start_utc=start,
        end_utc=end,
        utc_offset=utc_offset,
        minute_utc=grid,
        channels=channels,
        minutes=LazyMinutes(channels, grid),
        boots=boots,
    )


def read_table(path: Path) -> dict[str, np.ndarray]:
    """Read a Parquet file into float columns; times become seconds."""
    table = pq.read_table(path)
    out = {}
    for name in table.column_names:
        col = table[name].to_numpy()
        if np.issubdtype(col.dtype, np.datetime64):
            col = col.astype("datetime64[us]").astype("int64") / 1e6
        out[name] = np.asarray(col, dtype=float) if col.dtype != object else col
    return out


def load_case(folder: str | Path, *, true_time: bool = True):
    """
    Give (record, rig, plan, truth) of a case folder; truth may be None.

    ``true_time``: date the readings by the recorder's true times where they are given
    (a wrong clock is the business of the store, not of the estimators).
    """
    folder = Path(folder)
    rig = read_rig(folder / "rig.toml")
    plan_path = folder / "plan.toml"
    plan = read_plan(plan_path) if plan_path.exists() else None
    rec = read_table(folder / "recording.parquet")
    time = rec.pop("time_utc", None)
    rec.pop("boot", None)
    uptime = rec.pop("uptime_s", None)
    exact = folder / "sensors_true_time.parquet"
    if uptime is not None and true_time and exact.exists():
        time = read_table(exact)["time_true"]
    elif uptime is not None:
        time = time[-1] + uptime - uptime[-1]
    truth_path = folder / "truth.parquet"
    truth = read_table(truth_path) if truth_path.exists() else None
    offset = plan.utc_offset if plan is not None else 0.0
    record = make_record(time, rec, utc_offset=offset, sampling=rig.sampling)
    return record, rig, plan, truth
