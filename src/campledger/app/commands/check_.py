"""``campledger check``: read everything, say what is wrong and what can be told."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from campledger.app.checking import CheckResult, check_all
from campledger.app.context import rig_path
from campledger.app.output import print_json
from campledger.formats.rigfile import read_rig

if TYPE_CHECKING:
    import argparse

EXAMPLE = "campledger check --rig rig.toml"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument("--plan", metavar="FILE", help="check this plan too")
    parser.add_argument(
        "--live", action="store_true", help="probe the buses, prove the sensors"
    )
    parser.add_argument(
        "--draft-rig", action="store_true", help="ask a dozen questions, write a rig"
    )
    parser.add_argument(
        "--parked",
        action="store_true",
        help="how long it lasts parked; ready to leave?",
    )
    parser.add_argument(
        "--strict", action="store_true", help="exit 3 on a failed proof"
    )


def run(args: argparse.Namespace) -> int:
    """Check, draft or prove."""
    if args.draft_rig:
        from campledger.app.drafting import draft  # noqa: PLC0415

        return draft(sys.stdin, sys.stdout, sys.stderr)
    if args.parked:
        return _parked(args)
    rig = read_rig(rig_path(args))
    if args.live:
        from campledger.app.proving import prove  # noqa: PLC0415

        return prove(args, rig)
    plan = Path(args.plan) if args.plan else None
    result = check_all(args, rig, plan)
    if args.json:
        print_json(result.as_object())
    else:
        _print(result)
    return 0


def _parked(args: argparse.Namespace) -> int:
    from campledger.app.context import session  # noqa: PLC0415
    from campledger.app.parked import stand  # noqa: PLC0415

    args.start = args.end = None
    with session(args) as s:
        standing = stand(s, args)
    if args.json:
        print_json(standing.as_object())
    else:
        print("\n".join(standing.lines()))
    return 0


def _print(result: CheckResult) -> None:
    for line in result.lines:
        print(line)
    print()
    print("What these channels can tell:")
    for row in result.possible.questions:
        if not row.missing:
            print(f"  yes         {row.text}")
    for row in result.possible.questions:
        if row.missing:
            print(f"  can't tell  {row.text}: needs {', '.join(row.missing)}")
    best = result.possible.best_next
    if best:
        count = result.possible.would_settle
        answers = "answer" if count == 1 else "answers"
        print(f"\nThe one sensor that would add most: {best} ({count} more {answers}).")
