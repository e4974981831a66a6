"""``campledger export``: series to CSV, Parquet or line protocol."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from campledger.app.commands.statement_ import add_span
from campledger.app.context import choose_trip, estimates_of, record_of, session
from campledger.app.output import print_json
from campledger.app.series_export import tabulate
from campledger.app.times import parse_span
from campledger.errors import Fault, InputError
from campledger.formats.export import check_target, write_series
from campledger.model.series import parse_channel

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterable

    from campledger.model.rig import Rig

EXAMPLE = (
    "campledger export --series voltage_house_v,soc_house --every 60s --out day.csv"
)
LEAST = 1.0
FLEET_DERIVED = (
    "soc_house",
    "soc_house_lo",
    "soc_house_hi",
    "capacity_house_ah",
    "resistance_house_mohm",
)
"""Derived series of a fleet export."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument(
        "--series",
        metavar="NAMES",
        required=True,
        help="comma list, all (as measured), or fleet (what fleet reads)",
    )
    parser.add_argument("--every", metavar="60s", required=True, help="period")
    add_span(parser)
    parser.add_argument(
        "--out", metavar="FILE", required=True, help=".csv, .parquet or .lp"
    )


def fleet_series(channels: Iterable[str]) -> list[str]:
    """Name what ``fleet`` reads: volts and currents as measured, and the battery."""
    measured = [
        name
        for name in sorted(channels)
        if name == "voltage_house_v"
        or ((c := parse_channel(name)) is not None and c.quantity == "current")
    ]
    return [*measured, *FLEET_DERIVED]


def _about(rig: Rig, out: Path) -> dict[str, str]:
    """Give the facts for the file's metadata; tags of line protocol stay few."""
    about = {"rig": rig.name}
    if out.suffix == ".parquet":
        about |= {
            "capacity_rated_ah": f"{rig.house.capacity_rated:g}",
            "floor": f"{rig.house.floor:g}",
            "chemistry": rig.house.chemistry,
            "sources": ",".join(x.name for x in rig.sources),
            "loads": ",".join(x.name for x in rig.loads),
        }
    return about


def run(args: argparse.Namespace) -> int:
    """Write the file."""
    out = Path(args.out)
    check_target(out)
    every = parse_span(args.every, option="--every")
    if every < LEAST:
        raise InputError(
            Fault(
                file="export",
                field="--every",
                got=args.every,
                expected="1s or longer",
                effect="Nothing written.",
            )
        )
    with session(args) as s:
        chosen = choose_trip(s, args)
        record = record_of(s, chosen)
        names = [n.strip() for n in args.series.split(",") if n.strip()]
        if names == ["all"]:
            names = sorted(record.channels)
        elif names == ["fleet"]:
            names = fleet_series(record.channels)
        table = tabulate(record, lambda: estimates_of(s, chosen, record), names, every)
        time_utc = table.pop("time_utc")
        part = out.with_name(f".part-{out.name}")
        try:
            rows = write_series(part, time_utc, table, about=_about(s.rig, out))
            part.replace(out)
        finally:
            part.unlink(missing_ok=True)
    if args.json:
        print_json({"file": str(out), "rows": rows, "series": names})
    else:
        print(f"{out}: {rows} rows of {len(names)} series; time_utc ends each period.")
    return 0
