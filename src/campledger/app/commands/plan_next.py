"""``plan next``: write a new plan file from measured figures."""

from __future__ import annotations

import argparse
from pathlib import Path

from campledger.app.context import choose_trip, estimates_of, record_of, session
from campledger.app.output import print_json
from campledger.app.times import iso
from campledger.errors import Fault, InputError
from campledger.formats.planfile import read_plan, write_plan
from campledger.judge.plan_next import next_plan


def write_next(args: argparse.Namespace) -> int:
    """
    Measure the last trip and write PLAN; the trip's own plan is not changed.

    Raises
    ------
    InputError
        PLAN exists already, or there is no plan to take the days from.
    """
    target = Path(args.plan)
    if target.exists():
        raise InputError(
            Fault(
                file=str(target),
                field="PLAN",
                got="a file that exists",
                expected="a new name",
                effect="Nothing written; an old plan is never edited.",
            )
        )
    chooser = argparse.Namespace(start=None, end=None, plan=None)
    with session(args) as s:
        chosen = choose_trip(s, chooser)
        record = record_of(s, chosen)
        estimates = estimates_of(s, chosen, record)
        if chosen.plan is None:
            raise InputError(
                Fault(
                    file=s.store.path.name,
                    field="plan",
                    got="a trip without one",
                    expected="a frozen plan whose days can be carried on",
                    effect="Nothing written.",
                )
            )
        made = next_plan(record, s.rig, estimates, chosen.plan)
    dated = iso(record.end_utc, record.utc_offset)[:10]
    head = [
        f"# Measured on the trip that ended {dated}. Set the dates before freezing."
    ]
    head += [f"# {note}" for note in made.notes]
    text = "\n".join(head) + "\n" + write_plan(made.plan)
    target.write_text(text, encoding="utf-8")
    read_plan(target)
    if args.json:
        print_json({"file": str(target), "notes": list(made.notes)})
    else:
        print("\n".join(made.notes))
        print(f"Written to {target}; set its dates, then freeze it.")
    return 0
