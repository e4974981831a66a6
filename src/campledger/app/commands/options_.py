"""``campledger options``: the same trip again with other hardware or habits."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

from campledger.app.context import (
    ChosenTrip,
    choose_trip,
    estimates_of,
    plan_of,
    record_of,
    session,
    trips_of,
)
from campledger.app.fitout_facts import judged
from campledger.app.heavy import heavy_work
from campledger.app.output import print_json
from campledger.app.replaying import as_one_of_several, faults_of, replayed
from campledger.app.times import offset_at
from campledger.errors import Fault, InputError
from campledger.judge.options import Change
from campledger.model.rig import CHEMISTRIES, COOLING

if TYPE_CHECKING:
    import argparse

    from campledger.app.context import Session
    from campledger.model.rig import Rig

EXAMPLE = "campledger options --battery-ah 100,150 --solar-w 200,300"
MOST = 400
SIZES = "sizes that exist, e.g. 100,150"
PAIR = "LOAD=NUMBER"
WITHOUT, REPLACE, BATTERY = "--without", "--replace", "--battery-ah"
TRIPS = "--trips"


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
    parser.add_argument(
        "--temp-mean", metavar="C", default="", help="other air, mean of the trip"
    )
    parser.add_argument(
        "--sun-share", metavar="S", default="", help="times this trip's sun, e.g. 0.5"
    )
    parser.add_argument(
        "--trips", metavar="N", default="1", help="the last N trips together, or all"
    )


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
    air, sun = _weather(args)
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
            temp_air=air,
            sun_share=sun,
        )
        for b, s, c in sizes
    )
    if air is not None or sun is not None:
        alone = Change(temp_air=air, sun_share=sun)
        return (alone, *(c for c in made if not c.only_weather))
    return tuple(c for c in made if c != Change(new_battery=args.new_battery))


def _weather(args: argparse.Namespace) -> tuple[float | None, float | None]:
    """Read the asked weather, refusing what no trip has."""
    air = sun = None
    if args.temp_mean:
        air = _one(args.temp_mean, "--temp-mean", (-40.0, 60.0), "degrees, e.g. 38")
    if args.sun_share:
        sun = _one(args.sun_share, "--sun-share", (0.0, 3.0), "a share, e.g. 0.5")
    return air, sun


def _one(text: str, option: str, span: tuple[float, float], expected: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise _refuse(option, text, expected) from None
    if not span[0] <= value <= span[1]:
        raise _refuse(option, text, expected)
    return value


def run(args: argparse.Namespace) -> int:
    """Replay and print."""
    from campledger.present.text_options import (  # noqa: PLC0415
        options_json,
        options_text,
    )

    if args.trips != "1":
        return run_several(args)
    with session(args) as s, heavy_work("options", s.store.path):
        changes = changes_of(args, s.rig)
        args.start = args.end = None
        chosen = choose_trip(s, args)
        record = record_of(s, chosen)
        estimates = estimates_of(s, chosen, record)
        faults = {} if changes else faults_of(judged(s, chosen, record, estimates))
        result = replayed(
            record,
            s.rig,
            estimates,
            changes=changes,
            faults=faults,
            plan=chosen.plan,
        )
    if args.json:
        print_json(options_json(result, s.rig))
    else:
        print(options_text(result, s.rig))
    return 0


def _chosen(s: Session, count: str) -> list[ChosenTrip]:
    """Give the last trips of the store, each with its own plan."""
    trips = trips_of(s)
    if count != "all":
        if not count.isdigit() or int(count) < 1:
            raise _refuse(TRIPS, count, "a number of trips, or all")
        trips = trips[-int(count) :]
    out = []
    for trip in trips:
        plan, status, later = plan_of(s, trip, None)
        zone = offset_at(s.rig.timezone, trip.start_utc)
        out.append(
            ChosenTrip(
                trip=trip,
                plan=plan,
                plan_status=status,
                revisions=later,
                utc_offset=plan.utc_offset if plan is not None else zone,
            )
        )
    return out


def run_several(args: argparse.Namespace) -> int:
    """Replay several trips with the same changes and put them together."""
    from campledger.judge.options import together  # noqa: PLC0415
    from campledger.judge.options.changes import default_changes  # noqa: PLC0415
    from campledger.present.text_several import (  # noqa: PLC0415
        several_json,
        several_text,
    )

    with session(args) as s, heavy_work("options", s.store.path):
        changes = changes_of(args, s.rig)
        made = []
        for chosen in _chosen(s, args.trips):
            record = record_of(s, chosen)
            estimates = estimates_of(s, chosen, record)
            changes = changes or default_changes(s.rig, estimates, {})
            result = replayed(
                record, s.rig, estimates, changes=changes, plan=chosen.plan
            )
            made.append(as_one_of_several(chosen.trip.name, record, estimates, result))
    several = together(made, s.rig)
    if args.json:
        print_json(several_json(several, s.rig))
    else:
        print(several_text(several, s.rig))
    return 0
