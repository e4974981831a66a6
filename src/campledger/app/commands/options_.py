"""``campledger options``: the same trip again with other hardware or habits."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

from campledger.app.context import choose_trip, estimates_of, record_of, session
from campledger.app.fitout_facts import judged
from campledger.app.heavy import heavy_work
from campledger.app.output import print_json
from campledger.app.replaying import faults_of, replayed
from campledger.errors import Fault, InputError
from campledger.judge.options import Change
from campledger.model.rig import CHEMISTRIES, COOLING

if TYPE_CHECKING:
    import argparse

    from campledger.model.rig import Rig

EXAMPLE = "campledger options --battery-ah 100,150 --solar-w 200,300"
MOST = 400
SIZES = "sizes that exist, e.g. 100,150"
PAIR = "LOAD=NUMBER"
WITHOUT, REPLACE, BATTERY = "--without", "--replace", "--battery-ah"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument("--battery-ah", metavar="L", default="", help="rated, a list")
    parser.add_argument("--chemistry", metavar="C", default="", choices=CHEMISTRIES)
    parser.add_argument("--solar-w", metavar="L", default="", help="panel, a list")
    parser.add_argument("--charger-a", metavar="L", default="", help="a list")
    parser.add_argument("--without", metavar="LOAD,...", default="")
    parser.add_argument("--replace", metavar="inverter=12v", default="")
    parser.add_argument("--hours", metavar="LOAD=H", action="append", default=[])
    parser.add_argument("--set-point", metavar="LOAD=C", action="append", default=[])
    parser.add_argument("--new-battery", action="store_true")


def _refuse(option: str, got: str, expected: str) -> InputError:
    return InputError(
        Fault(
            file="options",
            field=option,
            got=f'"{got}"',
            expected=expected,
            effect="Nothing done.",
        )
    )


def _numbers(text: str, option: str) -> list[float | None]:
    if not text:
        return [None]
    out: list[float | None] = []
    for part in text.split(","):
        try:
            value = float(part)
        except ValueError:
            raise _refuse(option, part, SIZES) from None
        if not 0 <= value <= 100_000 or (option == "--battery-ah" and value <= 0):
            raise _refuse(option, part, SIZES)
        out.append(value)
    return out


def _pairs(texts: list[str], option: str, names: set[str]) -> dict[str, float]:
    out = {}
    for text in texts:
        name, _, value = text.partition("=")
        if name not in names:
            known = ", ".join(sorted(names)) or "none in this rig"
            raise _refuse(option, name, f"one of: {known}")
        try:
            out[name] = float(value)
        except ValueError:
            raise _refuse(option, text, PAIR) from None
    return out


def changes_of(args: argparse.Namespace, rig: Rig) -> tuple[Change, ...]:
    """
    Make every combination of the given lists; none given: none.

    Raises
    ------
    InputError
        A list is wrong, or the combinations are too many.
    """
    loads = {x.name for x in rig.loads}
    without = tuple(x for x in args.without.split(",") if x)
    for name in without:
        if name not in loads:
            raise _refuse(WITHOUT, name, "one of: " + ", ".join(sorted(loads)))
    if args.replace not in {"", "inverter=12v"}:
        raise _refuse(REPLACE, args.replace, "inverter=12v")
    cooling = {x.name for x in rig.loads if x.kind in COOLING}
    hours = _pairs(args.hours, "--hours", loads)
    setting = _pairs(args.set_point, "--set-point", cooling)
    sizes = list(
        itertools.product(
            _numbers(args.battery_ah, "--battery-ah"),
            _numbers(args.solar_w, "--solar-w"),
            _numbers(args.charger_a, "--charger-a"),
        )
    )
    if len(sizes) > MOST:
        raise _refuse(BATTERY, f"{len(sizes)} combinations", f"at most {MOST}")
    made = tuple(
        Change(
            capacity=b,
            chemistry=args.chemistry,
            power_panel=s,
            current_charger=c,
            without=without,
            inverter_12v=bool(args.replace),
            hours=hours,
            set_point=setting,
            new_battery=args.new_battery,
        )
        for b, s, c in sizes
    )
    return tuple(c for c in made if c != Change(new_battery=args.new_battery))


def run(args: argparse.Namespace) -> int:
    """Replay and print."""
    from campledger.present.text_options import (  # noqa: PLC0415
        options_json,
        options_text,
    )

    with session(args) as s, heavy_work("options", s.store.path):
        changes = changes_of(args, s.rig)
        args.start = args.end = None
        chosen = choose_trip(s, args)
        record = record_of(s, chosen)
        estimates = estimates_of(s, chosen, record)
        faults = {} if changes else faults_of(judged(s, chosen, record, estimates))
        result = replayed(record, s.rig, estimates, changes=changes, faults=faults)
    if args.json:
        print_json(options_json(result, s.rig))
    else:
        print(options_text(result, s.rig))
    return 0
