"""``campledger plan``: show, freeze, or carry measured figures into the next plan."""

from __future__ import annotations

import time
import zlib
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from campledger.app.context import rig_path, store_path
from campledger.app.output import print_json
from campledger.app.times import iso
from campledger.formats.planfile import read_plan
from campledger.formats.rigfile import read_rig
from campledger.judge.campday import camp_days
from campledger.judge.forecast_before import forecast_plan
from campledger.judge.plan_walk import walk_plan
from campledger.store import open_store

if TYPE_CHECKING:
    import argparse

    from campledger.model.plan import Plan
    from campledger.model.rig import Rig

EXAMPLE = "campledger plan freeze plan.toml"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument("action", choices=("show", "freeze", "next"))
    parser.add_argument("plan", metavar="PLAN", help="the plan file")


def run(args: argparse.Namespace) -> int:
    """Do what was asked with the plan."""
    if args.action == "next":
        from campledger.app.commands.plan_next import write_next  # noqa: PLC0415

        return write_next(args)
    rig = read_rig(rig_path(args))
    plan = read_plan(args.plan)
    return _show(args, plan, rig) if args.action == "show" else _freeze(args, plan)


def _freeze(args: argparse.Namespace, plan: Plan) -> int:
    now = time.time()
    with open_store(store_path(args, create=True), "write", create=True) as store:
        frozen = store.freeze_plan(
            text=plan.text,
            fingerprint=plan.fingerprint,
            name=plan.name,
            start_utc=plan.start_utc,
            end_utc=plan.end_utc,
            frozen_utc=now,
        )
    when = iso(now, plan.utc_offset)
    if args.json:
        print_json(
            {
                "plan": plan.name,
                "fingerprint": plan.fingerprint,
                "frozen": when,
                "revision": frozen.revision,
                "before_trip": not frozen.late,
            }
        )
        return 0
    name = Path(args.plan).name
    if frozen.revision > 1:
        start = iso(plan.start_utc, plan.utc_offset)
        print(
            f"{name}: frozen: got an edit at {when}, expected none after {start}. "
            f"Saved as revision {frozen.revision}; report uses revision 1."
        )
    elif frozen.late:
        print(
            f"{name}: kept, {when}, but the trip or its record had begun: it will "
            'stand under the heading "plan given afterwards, not frozen".'
        )
    else:
        print(f"{name}: frozen {when}, fingerprint {plan.fingerprint}.")
    return 0


def _show(args: argparse.Namespace, plan: Plan, rig: Rig) -> int:
    from campledger.present.text_plan import plan_json, plan_text  # noqa: PLC0415

    days = camp_days(plan.start_utc, plan.end_utc, rig, plan, plan.utc_offset)
    capacity = rig.house.capacity_now or rig.house.capacity_rated
    planned = walk_plan(plan, rig, days, capacity=capacity)
    rng = np.random.default_rng(zlib.crc32(plan.text.encode()))
    ahead = forecast_plan(plan, rig, rng)
    if args.json:
        print_json(plan_json(plan, rig, days, planned, capacity, ahead))
    else:
        print(plan_text(plan, rig, days, planned, capacity, ahead))
    return 0
