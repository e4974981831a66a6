"""``campledger enough``: will it last, in four lines."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from campledger.app.answers import Asked, answer, backtest
from campledger.app.context import Session, now_of, session
from campledger.app.output import print_json
from campledger.app.status import logger_lines
from campledger.app.times import offset_at, parse_span, parse_time
from campledger.errors import Fault, InputError
from campledger.judge.enough_types import SUNS, Drive, Question

if TYPE_CHECKING:
    import argparse

    from campledger.model.rig import Rig

EXAMPLE = "campledger enough --until +36h --drive 1.5h@09:00"
_DRIVE = re.compile(r"^([^@]+)@(.+)$")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument("--at", metavar="TIME", help="use only readings before this")
    parser.add_argument("--until", metavar="TIME", help="the deadline")
    parser.add_argument("--plan", metavar="FILE", help="use this plan")
    parser.add_argument(
        "--drive",
        metavar="1.5h@09:00",
        action="append",
        default=[],
        help="a drive you mean to make",
    )
    parser.add_argument("--temp-max", metavar="C", type=float, help="hottest air")
    parser.add_argument("--sun", choices=[x for x in SUNS if x], default="")
    parser.add_argument("--without", metavar="LOAD,...", default="")
    parser.add_argument("--strict", action="store_true", help="exit 3 unless yes")
    parser.add_argument(
        "--backtest", action="store_true", help="past answers against what happened"
    )


def _drive(text: str, zone: str, base: float) -> Drive:
    match = _DRIVE.match(text)
    if match is None:
        raise InputError(
            Fault(
                file="enough",
                field="--drive",
                got=f'"{text}"',
                expected="length and start, e.g. 1.5h@09:00",
                effect="Nothing done.",
            )
        )
    return Drive(
        start_utc=parse_time(match[2], option="--drive", zone=zone, base=base),
        duration=parse_span(match[1], option="--drive"),
    )


def _without(text: str, rig: Rig) -> tuple[str, ...]:
    names = tuple(x for x in text.split(",") if x)
    known = [x.name for x in rig.loads]
    for name in names:
        if name not in known:
            raise InputError(
                Fault(
                    file="enough",
                    field="--without",
                    got=f'"{name}"',
                    expected="loads of the rig: " + ", ".join(known),
                    effect="Nothing done.",
                )
            )
    return names


def _backtest(args: argparse.Namespace, s: Session, asked: Asked) -> int:
    from campledger.present.text_backtest import (  # noqa: PLC0415
        backtest_json,
        backtest_text,
    )

    result = backtest(s, asked)
    offset = offset_at(s.rig.timezone, asked.at)
    if args.json:
        print_json(backtest_json(result, offset))
    else:
        print(backtest_text(result, offset))
    return 0


def run(args: argparse.Namespace) -> int:
    """Answer, or test past answers."""
    from campledger.present.jsonout import enough_json  # noqa: PLC0415
    from campledger.present.text_enough import enough_text  # noqa: PLC0415

    with session(args) as s:
        at = now_of(s, at_text=args.at)
        zone = s.rig.timezone
        until = None
        if args.until:
            until = parse_time(args.until, option="--until", zone=zone, base=at)
        question = Question(
            drives=tuple(_drive(x, zone, at) for x in args.drive),
            temp_max=args.temp_max,
            sun=args.sun,
            without=_without(args.without, s.rig),
        )
        asked = Asked(at=at, until=until, question=question, plan_file=args.plan)
        if args.backtest:
            return _backtest(args, s, asked)
        said = answer(s, asked)
    if args.json:
        print_json(enough_json(said))
    else:
        print(enough_text(said), end="")
        for line in logger_lines():
            print(line)
    if args.strict and (said.verdict != "yes" or said.car.verdict == "not_safe"):
        return 3
    return 0
