"""``campledger fitout``: what the installer should know, sensors first."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from campledger.app.ageing import battery_ageing, with_battery
from campledger.app.commands.statement_ import add_span
from campledger.app.context import choose_trip, estimates_of, record_of, session
from campledger.app.fitout_facts import earlier_fingerprint, judged, proofs_of
from campledger.app.output import print_json

if TYPE_CHECKING:
    import argparse

EXAMPLE = "campledger fitout --handover handover.html"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    add_span(parser)
    parser.add_argument("--plan", metavar="FILE", help="compare with this plan")
    parser.add_argument(
        "--handover", metavar="FILE.html", help="write the page that is handed over"
    )
    parser.add_argument("--strict", action="store_true", help="exit 3 on a fault")


def run(args: argparse.Namespace) -> int:
    """Judge, print, and write the handover page if asked."""
    from campledger.present.battery_age import ageing_json  # noqa: PLC0415
    from campledger.present.jsonout import fitout_json  # noqa: PLC0415
    from campledger.present.text_fitout import fitout_text  # noqa: PLC0415

    with session(args) as s:
        chosen = choose_trip(s, args)
        record = record_of(s, chosen)
        estimates = estimates_of(s, chosen, record)
        ageing = battery_ageing(s, chosen, record, estimates)
        fitout = with_battery(
            judged(s, chosen, record, estimates), ageing, chosen.utc_offset
        )
        if args.handover:
            from campledger.judge.fitout.handover import make_handover  # noqa: PLC0415
            from campledger.present.handover import write_handover  # noqa: PLC0415

            page = make_handover(
                record,
                s.rig,
                fitout,
                proofs=proofs_of(s.store),
                earlier=earlier_fingerprint(s.store, record.start_utc),
            )
            write_handover(Path(args.handover), page)
    if args.json:
        aged = ageing_json(ageing, chosen.utc_offset)
        print_json({**fitout_json(fitout), "ageing": aged})
    else:
        print(fitout_text(fitout))
        if args.handover:
            print(f"\nHandover page: {args.handover}")
    faults = [f for f in fitout.findings if str(f.verdict) == "fault"]
    return 3 if args.strict and faults else 0
