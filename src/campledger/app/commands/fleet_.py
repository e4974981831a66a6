"""``campledger fleet``: many rigs side by side on one page."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from campledger.app.archive import writable
from campledger.app.fleet import read_fleet
from campledger.app.output import print_json
from campledger.app.times import iso
from campledger.judge.fleet import ageing_of

if TYPE_CHECKING:
    import argparse

    from campledger.judge.fleet import Fleet, RigAccount
    from campledger.model.estimates import Estimate

EXAMPLE = "campledger fleet /srv/exports --out fleet.html"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument(
        "source",
        metavar="SOURCE",
        help="folder of stores, archives or Parquet exports, or http://HOST:PORT",
    )
    parser.add_argument(
        "--out", metavar="FILE.html", required=True, help="write the page here"
    )
    parser.add_argument(
        "--trips",
        type=int,
        default=0,
        metavar="N",
        help="of each store, the last N trips for ageing (default all)",
    )


def run(args: argparse.Namespace) -> int:
    """Write the page; say who comes back hungry."""
    from campledger.present.fleet_page import verdict, write_fleet  # noqa: PLC0415

    writable(Path(args.out))
    fleet = read_fleet(args.source, trips=max(args.trips, 0))
    size = write_fleet(Path(args.out), fleet)
    if args.json:
        print_json(_object(fleet, args.out))
        return 0
    print(verdict(fleet))
    for line in fleet.refused:
        print(f"Left out: {line}")
    print(f"Page: {args.out} ({size / 1e6:.1f} MB, readable offline)")
    return 0


def _object(fleet: Fleet, out: str) -> dict[str, object]:
    rigs = zip(fleet.rigs, fleet.differences, strict=True)
    return {
        "rigs": [
            {
                **_rig(rig),
                "differs": [
                    {"figure": d.figure, "value": d.value, "median": d.median}
                    for d in found
                ],
            }
            for rig, found in rigs
        ],
        "soc_known": fleet.known,
        "left_out": list(fleet.refused),
        "notes": list(fleet.notes),
        "out": out,
    }


def _rig(rig: RigAccount) -> dict[str, object]:
    return {
        "rig": rig.name,
        "kind": rig.kind,
        "start": iso(rig.start_utc),
        "end": iso(rig.end_utc),
        "coverage": _num(rig.covered),
        "into_ah": _num(rig.into),
        "out_ah": _num(rig.out),
        "soc_end": _estimate(rig.soc_end),
        "soc_min": _num(rig.soc_min),
        "wanting_ah": _num(rig.wanting),
        "hours_below_floor": _num(rig.hours_below_floor),
        "volts_min_v": _num(rig.volts_min),
        "capacity_ah": _estimate(rig.capacity),
        "capacity_rated_ah": _num(rig.capacity_rated),
        "resistance_mohm": _estimate(rig.resistance, 1000.0),
        "places": [
            {"place": p.name, "role": p.role, "ah": _num(p.charge), "word": p.word}
            for p in rig.places
        ],
        "statement_ah": {
            name.replace(" ", "_"): _num(value) for name, value in rig.lines
        },
        "findings": [
            {"id": f.id, "title": f.title, "verdict": f.verdict, "next": f.next}
            for f in rig.findings
        ]
        if rig.findings_judged
        else None,
        "ageing": [
            {
                "quantity": a.quantity,
                "first": _estimate(a.first),
                "last": _estimate(a.last),
                "trips": a.trips,
                "sure": a.sure,
            }
            for a in ageing_of(rig.ageing)
        ],
        "missing": list(rig.missing),
    }


def _num(value: float) -> float | None:
    return round(value, 6) if math.isfinite(value) else None


def _estimate(value: Estimate, scale: float = 1.0) -> dict[str, object]:
    return {
        "value": _num(value.value * scale),
        "lo": _num(value.lo * scale),
        "hi": _num(value.hi * scale),
    }
