"""``campledger demo``: the shipped trip, its answer, statement and report."""

from __future__ import annotations

import argparse
from pathlib import Path

from campledger.app.answers import Asked, answer
from campledger.app.context import choose_trip, estimates_of, record_of, session
from campledger.app.importing import import_files
from campledger.app.output import print_json
from campledger.app.reporting import report_data, report_object
from campledger.app.shipped import shipped
from campledger.app.times import iso
from campledger.formats.planfile import read_plan
from campledger.formats.rigfile import read_rig
from campledger.store import open_store

EXAMPLE = "campledger demo --out demo_out"
ASKED_BEFORE_END = 66 * 3600.0
"""The answer is shown for an evening before the low night."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument(
        "--out", metavar="DIR", default="demo_out", help="store and report go here"
    )


def _load(folder: Path) -> argparse.Namespace:
    """Make a fresh store with the plan frozen before the first reading."""
    store = folder / "demo.db"
    for old in folder.glob("demo.db*"):
        old.unlink()
    rig_file, plan_file = (
        shipped("config/demo_rig.toml"),
        shipped("config/demo_plan.toml"),
    )
    plan = read_plan(plan_file)
    with open_store(store, "write", create=True) as opened:
        opened.freeze_plan(
            text=plan.text,
            fingerprint=plan.fingerprint,
            name=plan.name,
            start_utc=plan.start_utc,
            end_utc=plan.end_utc,
            frozen_utc=plan.start_utc - 1800.0,
        )
        import_files(
            opened, read_rig(rig_file), [shipped("replay_data/demo_trip.csv.gz")]
        )
    return argparse.Namespace(rig=str(rig_file), store=str(store))


def run(args: argparse.Namespace) -> int:
    """Show the main job from end to end."""
    from campledger.present.jsonout import enough_json  # noqa: PLC0415
    from campledger.present.report import write_report  # noqa: PLC0415
    from campledger.present.text import statement_text  # noqa: PLC0415
    from campledger.present.text_enough import enough_text  # noqa: PLC0415

    folder = Path(args.out)
    folder.mkdir(parents=True, exist_ok=True)
    where = _load(folder)
    with session(where) as s:
        chosen = choose_trip(s, where)
        record = record_of(s, chosen)
        data = report_data(s, chosen, record, estimates_of(s, chosen, record))
        asked = chosen.trip.end_utc - ASKED_BEFORE_END
        said = answer(s, Asked(at=asked))
        out = folder / "demo_report.html"
        write_report(out, data)
    if args.json:
        print_json(
            {**report_object(data, chosen, str(out)), "enough": enough_json(said)}
        )
        return 0
    print("An invented trip: no real vehicle, person or place.\n")
    print(f"Asked at camp, {iso(asked, chosen.utc_offset)}:\n")
    print(enough_text(said))
    print()
    print(statement_text(data.statement))
    print(f"\nReport: {out}  (open it in any browser, no network needed)")
    print(f"Store:  {where.store}  (try: campledger enough --store ... --rig ...)")
    return 0
