"""``campledger statement``: the account of each camp day."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from campledger.app.ageing import battery_ageing
from campledger.app.context import (
    choose_trip,
    estimates_of,
    record_of,
    session,
    statement_of,
)
from campledger.app.output import print_json

if TYPE_CHECKING:
    import argparse

EXAMPLE = "campledger statement --from 2026-03-10 --to 2026-03-12"


def add_span(parser: argparse.ArgumentParser) -> None:
    """Add the options that choose a stretch and a plan."""
    parser.add_argument("--from", dest="start", metavar="TIME", help="begin here")
    parser.add_argument("--to", dest="end", metavar="TIME", help="end here")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    add_span(parser)
    parser.add_argument("--plan", metavar="FILE", help="compare with this plan")


def run(args: argparse.Namespace) -> int:
    """Print the statement of a trip."""
    from campledger.present.battery_age import ageing_json  # noqa: PLC0415
    from campledger.present.jsonout import statement_json  # noqa: PLC0415
    from campledger.present.text import statement_text  # noqa: PLC0415

    with session(args) as s:
        chosen = choose_trip(s, args)
        record = record_of(s, chosen)
        estimates = estimates_of(s, chosen, record)
        statement = statement_of(s, chosen, record, estimates)
        ageing = battery_ageing(s, chosen, record, estimates)
        statement = replace(statement, ageing=ageing)
    if args.json:
        aged = ageing_json(ageing, statement.utc_offset)
        print_json({**statement_json(statement), "ageing": aged})
    else:
        print(statement_text(statement))
    return 0
