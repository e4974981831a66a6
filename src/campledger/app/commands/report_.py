"""``campledger report``: the trip report, one self-contained HTML file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from campledger.app.commands.statement_ import add_arguments as add_statement
from campledger.app.context import choose_trip, estimates_of, record_of, session
from campledger.app.heavy import heavy_work
from campledger.app.output import print_json
from campledger.app.reporting import report_data, report_object

if TYPE_CHECKING:
    import argparse

EXAMPLE = "campledger report --out trip.html"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    add_statement(parser)
    parser.add_argument(
        "--out", metavar="FILE.html", required=True, help="write the report here"
    )
    parser.add_argument(
        "--options", action="store_true", help="add what would have helped"
    )


def run(args: argparse.Namespace) -> int:
    """Write the report; say where, or give its figures as JSON."""
    from campledger.present.report import write_report  # noqa: PLC0415

    with session(args) as s, heavy_work("report", s.store.path):
        chosen = choose_trip(s, args)
        record = record_of(s, chosen)
        estimates = estimates_of(s, chosen, record)
        data = report_data(s, chosen, record, estimates, with_options=args.options)
        size = write_report(Path(args.out), data)
    if args.json:
        print_json(report_object(data, chosen, args.out))
    else:
        print(data.statement.verdict)
        print(f"Report: {args.out} ({size / 1e6:.1f} MB, readable offline)")
    return 0
