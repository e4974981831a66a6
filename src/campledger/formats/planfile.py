"""The plan file: TOML to a validated ``Plan`` and back; all faults at once."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

from campledger.formats.keyparts import POSITION_KEYS
from campledger.formats.tomlfile import (
    Checker,
    Key,
    Table,
    fingerprint,
    load,
    parse,
    spell,
)
from campledger.model.plan import Plan, PlanDay, PlanLoad

TABLES = ("trip", "every_day", "day", "load")
FIGURES = ("label", "sheet", "measured", "guess")
WAYS = ("hours_per_day", "duty", "wh_per_day")
LONGEST = 366 * 86400.0
"""A trip longer than this is a slip of the pen. [s]"""

_NAME = re.compile(r"^[a-z][a-z0-9]{0,23}$")

TRIP_KEYS = (
    Key(
        name="name",
        field="name",
        kind="text",
        required=True,
        expected='a name, e.g. "Three nights at the gorge"',
    ),
    Key(name="start", field="start", kind="moment", required=True),
    Key(name="end", field="end", kind="moment", required=True),
    Key(
        name="opening_soc",
        field="opening_soc",
        low=0.0,
        high=1.0,
        expected="a share 0..1, e.g. 1.0",
    ),
)

EVERY_DAY_KEYS = (
    Key(
        name="drive_h",
        field="drive",
        low=0.0,
        high=24.0,
        scale=3600.0,
        expected="hours 0..24, e.g. 2.0",
    ),
    Key(
        name="temp_min_c",
        field="temp_min",
        low=-60.0,
        high=70.0,
        expected="degrees Celsius, e.g. 14",
    ),
    Key(
        name="temp_max_c",
        field="temp_max",
        low=-60.0,
        high=70.0,
        expected="degrees Celsius, e.g. 29",
    ),
    Key(
        name="sun_hours",
        field="sun_hours",
        low=0.0,
        high=14.0,
        expected="equivalent hours at 1000 W/m2, 0..14, e.g. 5.5",
    ),
    Key(
        name="clearness",
        field="clearness",
        low=0.0,
        high=1.0,
        expected="a share 0..1 of the clear sky, e.g. 0.7",
    ),
    *POSITION_KEYS,
)

DAY_KEYS = (
    Key(name="date", field="date", kind="day", required=True),
    *EVERY_DAY_KEYS,
)

LOAD_KEYS = (
    Key(
        name="on_a",
        field="current_on",
        low=0.0,
        high=1000.0,
        expected="amps while on, e.g. 4.5",
    ),
    Key(
        name="hours_per_day",
        field="hours",
        low=0.0,
        high=24.0,
        expected="hours 0..24, e.g. 8",
    ),
    Key(
        name="duty",
        field="duty",
        low=0.0,
        high=1.0,
        expected="a share 0..1, e.g. 0.33",
    ),
    Key(
        name="wh_per_day",
        field="energy",
        low=0.0,
        high=50000.0,
        expected="watt-hours a day, e.g. 400",
    ),
    Key(
        name="figure",
        field="figure",
        kind="choice",
        choices=FIGURES,
        default="guess",
    ),
)


def read_plan(path: Path | str) -> Plan:
    """
    Read and check a plan file.

    Raises
    ------
    FaultsError
        Everything that is wrong with it, in the order of its lines.
    """
    data, text, checker = load(Path(path), "Plan")
    plan = _build(data, text, checker)
    checker.raise_if_any()
    return plan


def parse_plan(text: str, *, name: str = "plan") -> Plan:
    """
    Read and check the text of a plan file, such as one kept in the store.

    Raises
    ------
    FaultsError
        Everything that is wrong with it.
    """
    data, text, checker = parse(text, name, "Plan")
    plan = _build(data, text, checker)
    checker.raise_if_any()
    return plan


def _build(data: Table, text: str, checker: Checker) -> Plan:
    checker.unknown(data, "", TABLES)
    trip = checker.read(checker.table(data.get("trip"), "trip"), "trip", TRIP_KEYS)
    start: datetime = trip.get("start") or datetime(2000, 1, 1, tzinfo=UTC)
    end: datetime = trip.get("end") or start + timedelta(days=1)
    if "start" in trip and "end" in trip:
        _check_span(data["trip"], start, end, checker)
    every = None
    if "every_day" in data:
        table = checker.table(data["every_day"], "every_day")
        every = PlanDay(date=None, **_day(table, "every_day", EVERY_DAY_KEYS, checker))
    return Plan(
        name=trip.get("name", ""),
        start_utc=start.timestamp(),
        end_utc=end.timestamp(),
        utc_offset=(start.utcoffset() or timedelta()).total_seconds(),
        opening_soc=trip.get("opening_soc"),
        every_day=every,
        days=_days(data, checker, (start.date(), end.astimezone(start.tzinfo).date())),
        loads=_loads(data, checker),
        fingerprint=fingerprint(data),
        text=text,
    )


def _check_span(trip: Table, start: datetime, end: datetime, checker: Checker) -> None:
    for key in ("start", "end"):
        raw = trip[key]
        parsed = datetime.fromisoformat(raw) if isinstance(raw, str) else raw
        if parsed.tzinfo is None:
            checker.fault(
                f"trip.{key}",
                f"{parsed.isoformat()} without offset",
                f"an offset too, e.g. {parsed.isoformat()}+09:30",
            )
    span = (end - start).total_seconds()
    if span <= 0:
        checker.fault("trip.end", spell(trip["end"]), "later than trip.start")
    elif span > LONGEST:
        checker.fault("trip.end", spell(trip["end"]), "at most a year after trip.start")


def _day(
    table: Table, path: str, keys: tuple[Key, ...], checker: Checker
) -> dict[str, Any]:
    values = checker.read(table, path, keys)
    if "sun_hours" in values and "clearness" in values:
        checker.fault(f"{path}.clearness", "sun_hours as well", "one of the two")
    if ("latitude" in values) != ("longitude" in values):
        here, other = ("latitude_deg", "longitude_deg")
        if "longitude" in values:
            here, other = other, here
        checker.fault(f"{path}.{here}", "it alone", f"{other} with it")
    return values


def _days(
    data: Table, checker: Checker, span: tuple[date, date]
) -> tuple[PlanDay, ...]:
    first, last = span
    days: list[PlanDay] = []
    seen: dict[date, str] = {}
    for path, table in checker.tables(data.get("day"), "day"):
        values = _day(table, path, DAY_KEYS, checker)
        when = values.get("date")
        if when is None:
            continue
        if when in seen:
            checker.fault(f"{path}.date", f"{when} twice", "one [[day]] for each date")
        elif not first - timedelta(days=1) <= when <= last:
            checker.fault(
                f"{path}.date", str(when), f"a date of the trip, {first} to {last}"
            )
        seen[when] = path
        days.append(PlanDay(**values))
    return tuple(sorted(days, key=lambda d: d.date or first))


def _loads(data: Table, checker: Checker) -> tuple[PlanLoad, ...]:
    loads = []
    for name, raw in checker.table(data.get("load"), "load").items():
        path = f"load.{name}"
        if not _NAME.match(name):
            checker.fault(
                path, f'"{name}"', "a load's name of a-z and 0-9, no underscore"
            )
        table = checker.table(raw, path)
        values = checker.read(table, path, LOAD_KEYS)
        ways = [w for w in WAYS if w in table]
        if len(ways) != 1:
            checker.fault(
                path,
                " and ".join(ways) if ways else "none of the three",
                "exactly one of hours_per_day, duty and wh_per_day",
            )
            continue
        if ways[0] != "wh_per_day" and "on_a" not in table:
            checker.fault(f"{path}.on_a", "nothing", f"amps while on, with {ways[0]}")
        duty = values.pop("duty", None)
        if duty is not None:
            values["hours"] = duty * 24.0
        typed = {"hours_per_day": "hours", "wh_per_day": "energy"}.get(ways[0], "duty")
        loads.append(PlanLoad(name=name, typed=typed, **values))
    return tuple(loads)


def write_plan(plan: Plan) -> str:
    """
    Write a plan as the text of a plan file.

    Reading it back gives the same plan (but for text and fingerprint).
    """
    zone = timezone(timedelta(seconds=plan.utc_offset))
    lines = ["[trip]", f"name = {quote(plan.name)}"]
    for key, when in (("start", plan.start_utc), ("end", plan.end_utc)):
        lines.append(f"{key} = {datetime.fromtimestamp(when, zone).isoformat()}")
    if plan.opening_soc is not None:
        lines.append(f"opening_soc = {number(plan.opening_soc)}")
    if plan.every_day is not None:
        lines += ["", "[every_day]", *_day_lines(plan.every_day)]
    for day in plan.days:
        lines += ["", "[[day]]", f"date = {day.date}", *_day_lines(day)]
    for item in plan.loads:
        lines += ["", f"[load.{item.name}]", *_load_lines(item)]
    return "\n".join(lines) + "\n"


def _day_lines(day: PlanDay) -> list[str]:
    lines = []
    for key in EVERY_DAY_KEYS:
        value = getattr(day, key.field)
        if value is not None:
            lines.append(f"{key.name} = {number(value / key.scale)}")
    return lines


def _load_lines(item: PlanLoad) -> list[str]:
    lines = []
    if item.current_on is not None:
        lines.append(f"on_a = {number(item.current_on)}")
    if item.typed == "energy" and item.energy is not None:
        lines.append(f"wh_per_day = {number(item.energy)}")
    elif item.hours is not None and item.typed == "duty":
        lines.append(f"duty = {number(item.hours / 24.0)}")
    elif item.hours is not None:
        lines.append(f"hours_per_day = {number(item.hours)}")
    return [*lines, f'figure = "{item.figure}"']


def number(value: float) -> str:
    """Write a number so that reading gives it back."""
    text = repr(float(value))
    return text.removesuffix(".0") if "e" not in text else text


def quote(text: str) -> str:
    """Write a text as a TOML basic string."""
    marks = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t"}
    spelt = (marks.get(c, c if c.isprintable() else f"\\u{ord(c):04x}") for c in text)
    return '"' + "".join(spelt) + '"'
