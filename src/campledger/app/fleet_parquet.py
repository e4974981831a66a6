"""
A folder of Parquet exports: every sum is made by the columnar engine.

Layout: any tree of ``*.parquet`` as ``export --series fleet --every 60s`` writes them.
Columns ``time_utc`` (end of the period) and series with their unit in the name; what is
not there is told as missing. The rig is named by the file's metadata ``rig``, else by a
folder ``rig=NAME``, else by the file's name. Other metadata: ``capacity_rated_ah``,
``floor``, ``sources`` and ``loads`` (comma lists of places).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from campledger.judge.fleet import AgePoint, PlaceTotal, RigAccount
from campledger.model.estimates import Estimate
from campledger.model.series import parse_channel

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path

HOUR, MINUTE, DAY = 3600.0, 60.0, 86400.0
MICRO = 1e6
CURRENT, VOLTS, SOC = "current_house_a", "voltage_house_v", "soc_house"
SOC_LO, SOC_HI = "soc_house_lo", "soc_house_hi"
CAPACITY, RESISTANCE = "capacity_house_ah", "resistance_house_mohm"
NO_INTERVAL = math.nan
FILES_MOST = 100_000
SAME_VOLTS, SAME_SHARE = 0.05, 0.01
"""Two exports of one rig agree to this [V] in all but this share of their minutes.
Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class RigFiles:
    """The files of one rig and what their metadata says of it."""

    name: str
    paths: tuple[Path, ...]
    facts: Mapping[str, str] = field(default_factory=dict)


def parquet_accounts(folder: Path) -> tuple[list[RigAccount], list[str]]:
    """Make the account of every rig of a folder; files that cannot be read are told."""
    rigs, refused = _rigs(folder)
    out = []
    for rig in rigs:
        try:
            out.append(_account(rig))
        except (pa.ArrowException, OSError, ValueError) as error:
            refused.append(f"{rig.name}: got {_line(error)}, expected one rig's export")
    return out, refused


def _line(error: Exception) -> str:
    return str(error).splitlines()[0][:120] if str(error) else type(error).__name__


def _rigs(folder: Path) -> tuple[list[RigFiles], list[str]]:
    found: dict[str, list[Path]] = {}
    facts: dict[str, dict[str, str]] = {}
    refused = []
    for path in sorted(folder.rglob("*.parquet"))[:FILES_MOST]:
        try:
            schema = pq.read_schema(path)
        except (pa.ArrowException, OSError) as error:
            refused.append(f"{path.name}: {_line(error)}, expected a Parquet export")
            continue
        if "time_utc" not in schema.names:
            refused.append(f"{path.name}: got no time_utc, expected a Parquet export")
            continue
        about = {
            k.decode(errors="replace"): v.decode(errors="replace")
            for k, v in (schema.metadata or {}).items()
        }
        name = about.get("rig") or _hive(path) or path.stem
        found.setdefault(name, []).append(path)
        facts.setdefault(name, {}).update(about)
    rigs = [
        RigFiles(name=n, paths=tuple(paths), facts=facts[n])
        for n, paths in found.items()
    ]
    return rigs, refused


def _hive(path: Path) -> str:
    for part in path.parts[::-1]:
        if part.startswith("rig="):
            return part.removeprefix("rig=")
    return ""


def _account(rig: RigFiles) -> RigAccount:
    table = _load(rig.paths)
    time = table["time_utc"]
    ends = pc.min_max(time).as_py()
    if ends["min"] is None:
        msg = "no rows"
        raise ValueError(msg)
    step = _step(time)
    start, end = ends["min"].timestamp() - step, ends["max"].timestamp()
    names = set(table.column_names)
    floor = _number(rig.facts, "floor")
    rated = _number(rig.facts, "capacity_rated_ah")
    missing = [f"{n}: not exported" for n in (CURRENT, SOC, CAPACITY) if n not in names]
    counted = CURRENT if CURRENT in names else VOLTS
    covered = math.nan
    if counted in names:
        covered = _count(table[counted]) * step / max(end - start, step)
    ageing = _ageing(table)
    into, out = _flows(table, step)
    return RigAccount(
        name=rig.name,
        kind="parquet",
        start_utc=start,
        end_utc=end,
        covered=min(covered, 1.0),
        into=into,
        out=out,
        soc_end=_last(table),
        soc_min=_low(table, SOC),
        floor=floor,
        hours_below_floor=_below(table, floor) * step / HOUR,
        volts_min=_low(table, VOLTS),
        capacity=ageing[-1].capacity if ageing else Estimate.missing("not exported"),
        capacity_rated=rated,
        resistance=ageing[-1].resistance if ageing else Estimate.missing(""),
        places=tuple(_places(table, rig.facts, step)),
        ageing=ageing,
        missing=tuple(missing),
    )


def _load(paths: Sequence[Path]) -> pa.Table:
    """
    Read the files of a rig; a minute that two exports have counts once.

    Of derived series, which may change with later readings, the later file's stands.

    Raises
    ------
    ValueError
        Two files measured other volts in the same minutes: those are two rigs.
    """
    tables = [pq.read_table(path, memory_map=True) for path in paths]
    if len(tables) == 1:
        return tables[0]
    table = pa.concat_tables(tables, promote_options="permissive")
    values = [n for n in table.column_names if n != "time_utc"]
    wanted = [(n, "last") for n in values]
    if VOLTS in values:
        wanted += [(VOLTS, "min"), (VOLTS, "max")]
    once = table.group_by("time_utc", use_threads=False).aggregate(wanted)
    if VOLTS in values:
        apart = pc.subtract(once[f"{VOLTS}_max"], once[f"{VOLTS}_min"])
        count = pc.sum(pc.greater(apart, SAME_VOLTS)).as_py() or 0
        if count > SAME_SHARE * once.num_rows:
            msg = f"exports of one name with other volts in {count} of their minutes"
            raise ValueError(msg)
        once = once.drop_columns([f"{VOLTS}_min", f"{VOLTS}_max"])
    renamed: pa.Table = once.rename_columns(
        [n.removesuffix("_last") for n in once.column_names]
    )
    return renamed


def _step(time: pa.ChunkedArray) -> float:
    """Give the usual period: the median difference of neighbouring ends. [s]"""
    micros = pc.cast(time, pa.timestamp("us", "UTC")).cast(pa.int64()).combine_chunks()
    if len(micros) < 2:
        return MINUTE
    order = pc.array_sort_indices(micros)
    steps = pc.pairwise_diff(pc.take(micros, order))
    found = pc.quantile(steps, q=0.5)[0].as_py()
    return MINUTE if not found or found <= 0 else float(found) / MICRO


def _count(column: pa.ChunkedArray) -> int:
    return int(pc.count(column).as_py())


def _flows(table: pa.Table, step: float) -> tuple[float, float]:
    if CURRENT not in table.column_names:
        return math.nan, math.nan
    current = table[CURRENT]
    into = pc.sum(pc.max_element_wise(current, 0.0, skip_nulls=False)).as_py()
    out = pc.sum(pc.min_element_wise(current, 0.0, skip_nulls=False)).as_py()
    scale = step / HOUR
    return (into or 0.0) * scale, -(out or 0.0) * scale


def _low(table: pa.Table, name: str) -> float:
    if name not in table.column_names:
        return math.nan
    found = pc.min(table[name]).as_py()
    return math.nan if found is None else float(found)


def _below(table: pa.Table, floor: float) -> float:
    if SOC not in table.column_names or not math.isfinite(floor):
        return math.nan
    return float(pc.sum(pc.less(table[SOC], floor)).as_py() or 0)


def _last(table: pa.Table) -> Estimate:
    """Give the state of charge of the newest row that has one."""
    if SOC not in table.column_names:
        return Estimate.missing("not exported")
    columns = [n for n in (SOC, SOC_LO, SOC_HI) if n in table.column_names]
    known = table.select(["time_utc", *columns]).filter(pc.is_valid(table[SOC]))
    if not known.num_rows:
        return Estimate.missing("no state of charge")
    row = known.take([pc.index(known["time_utc"], pc.max(known["time_utc"])).as_py()])
    values: dict[str, Any] = {n: row[n][0].as_py() for n in columns}
    return Estimate(
        value=float(values[SOC]),
        lo=_or_unknown(values.get(SOC_LO)),
        hi=_or_unknown(values.get(SOC_HI)),
    )


def _or_unknown(value: float | None) -> float:
    return NO_INTERVAL if value is None else float(value)


def _ageing(table: pa.Table) -> tuple[AgePoint, ...]:
    """Give one point for each value that the export carries: it is one a trip."""
    names = [n for n in (CAPACITY, RESISTANCE) if n in table.column_names]
    if not names:
        return ()
    found = (
        table.select(["time_utc", *names])
        .group_by(names)
        .aggregate([("time_utc", "max")])
        .sort_by("time_utc_max")
    )
    out = []
    for row in found.to_pylist():
        if all(row[n] is None for n in names):
            continue
        resistance = row.get(RESISTANCE)
        out.append(
            AgePoint(
                time_utc=row["time_utc_max"].timestamp(),
                capacity=_plain(row.get(CAPACITY)),
                resistance=_plain(None if resistance is None else resistance / 1000.0),
            )
        )
    return tuple(out)


def _plain(value: float | None) -> Estimate:
    if value is None:
        return Estimate.missing("not exported")
    return Estimate(value=value, lo=NO_INTERVAL, hi=NO_INTERVAL)


def _places(
    table: pa.Table, facts: Mapping[str, str], step: float
) -> Iterable[PlaceTotal]:
    roles = dict.fromkeys(_listed(facts.get("sources", "")), "in")
    roles |= dict.fromkeys(_listed(facts.get("loads", "")), "out")
    for name in table.column_names:
        channel = parse_channel(name)
        if channel is None or channel.quantity != "current" or channel.qualifier:
            continue
        if channel.place == "house":
            continue
        total = pc.sum(table[name]).as_py()
        if total is not None:
            yield PlaceTotal(
                name=channel.place,
                charge=float(total) * step / HOUR,
                role=roles.get(channel.place, ""),
            )


def _listed(text: str) -> list[str]:
    return [p.strip() for p in text.split(",") if p.strip()]


def _number(facts: Mapping[str, str], key: str) -> float:
    try:
        return float(facts.get(key, ""))
    except ValueError:
        return math.nan
