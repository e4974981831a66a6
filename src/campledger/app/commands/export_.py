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

if TYPE_CHECKING:
    import argparse

EXAMPLE = (
    "campledger export --series voltage_house_v,soc_house --every 60s --out day.csv"
)
LEAST = 1.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument(
        "--series", metavar="NAMES", required=True, help="comma list, or all"
    )
    parser.add_argument("--every", metavar="60s", required=True, help="period")
    add_span(parser)
    parser.add_argument(
        "--out", metavar="FILE", required=True, help=".csv, .parquet or .lp"
    )


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
        table = tabulate(record, lambda: estimates_of(s, chosen, record), names, every)
        time_utc = table.pop("time_utc")
        part = out.with_name(f".part-{out.name}")
        try:
            rows = write_series(part, time_utc, table, about={"rig": s.rig.name})
            part.replace(out)
        finally:
            part.unlink(missing_ok=True)
    if args.json:
        print_json({"file": str(out), "rows": rows, "series": names})
    else:
        print(f"{out}: {rows} rows of {len(names)} series; time_utc ends each period.")
    return 0
