"""
Foreign recordings of our own making: forty that say what they are, some that do not.

Each carries the rows it was made from as decimal texts, so that what is loaded can be
compared to the last digit. Times follow the calendar of ``zoneinfo``.
"""

from __future__ import annotations

import itertools
import random
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

DIVISORS = {"V": 1, "mV": 1000, "A": 1, "mA": 1000}


@dataclass
class Foreign:
    name: str
    data: bytes
    truth: dict  # time in microseconds UTC -> (volts, amps) as Decimal or None
    zone: str = "UTC"
    aside: int = 0
    missing: int = 0
    answers: dict = field(default_factory=dict)


def spell_time(when, style, zone):
    local = when.astimezone(zone)
    if style == "iso_offset":
        return local.isoformat()
    if style == "iso_z":
        return when.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    if style == "epoch_s":
        return str(int(when.timestamp()))
    if style == "epoch_ms":
        return str(round(when.timestamp() * 1000))
    if style == "sheet":
        base = datetime(1899, 12, 30, tzinfo=local.tzinfo).replace(tzinfo=None)
        days = Decimal((local.replace(tzinfo=None) - base) // timedelta(microseconds=1))
        return str((days / Decimal(86_400_000_000)).quantize(Decimal("1e-10")))
    formats = {
        "dmy_dot": "%d.%m.%Y %H:%M:%S",
        "dmy_slash": "%d/%m/%Y %H:%M:%S",
        "mdy_ampm": "%m/%d/%Y %I:%M:%S %p",
        "ymd": "%Y-%m-%d %H:%M:%S",
        "ymd_slash": "%Y/%m/%d %H:%M:%S",
        "month_name": "%d-%b-%Y %H:%M:%S",
        "dmy_short": "%d/%m/%y %H:%M",
        "compact": "%Y%m%d %H%M%S",
        "two": "%d.%m.%Y~%H:%M:%S",
    }
    return local.strftime(formats[style])


NAMES = {
    "en": ("Time", "Voltage [{}]", "Current [{}]"),
    "de": ("Zeit", "Spannung ({})", "Strom ({})"),
    "fr": ("Horodatage time", "Tension_{}", "Courant_{}"),
    "short": ("ts", "U/{}", "I/{}"),
    "batt": ("timestamp", "Battery voltage ({})", "Battery current ({})"),
}


def make(
    number,
    *,
    style,
    separator=",",
    decimal=".",
    encoding="utf-8",
    units=("V", "A"),
    sign=1,
    names="en",
    zone="UTC",
    step=60,
    rows=300,
    quoted=False,
    crlf=False,
    preamble=0,
    footer=False,
    repeat=False,
    cut=False,
    gaps=False,
    dashes=0,
):
    rng = random.Random(number)
    zone_info = ZoneInfo(zone) if zone != "UTC" else UTC
    start = datetime(2025, 3, 13 + number % 15, 21, 30, tzinfo=UTC)
    time_name, volt, amp = NAMES[names]
    two = style == "two"
    titles = ["Datum", "Uhrzeit"] if two else [time_name]
    titles += [volt.format(units[0]), amp.format(units[1]), "Remark"]
    quote = '"{}"' if quoted else "{}"
    header = separator.join(quote.format(t) for t in titles)
    lines = [f"Made by hand, part {k}" for k in range(preamble)] + [header]
    truth, when, amps, aside, missing = {}, start, Decimal("-2.0"), 0, 0
    dashed = set(rng.sample(range(20, rows - 20), dashes))
    for k in range(rows):
        if rng.random() < 0.2:
            amps = Decimal(rng.randrange(-9000, 20000)) / 1000
        volts = Decimal("13.1") + amps / 50 + Decimal(rng.randrange(-9, 10)) / 10000
        shown_v = (volts * DIVISORS[units[0]]).normalize()
        shown_a = (amps * sign * DIVISORS[units[1]]).normalize()
        stamp = spell_time(when, style, zone_info).split("~")
        cells = [f"{shown_v:f}", f"{shown_a:f}"]
        if decimal == ",":
            cells = [c.replace(".", ",") for c in cells]
            stamp = [s.replace(".", ",") if style == "sheet" else s for s in stamp]
        if k in dashed:
            cells[1], missing = "---", missing + 1
        lines.append(separator.join(quote.format(c) for c in (*stamp, *cells, f"r{k}")))
        shown = round(when.timestamp() * 1e6)
        if style in {"dmy_short"}:
            shown = shown // 60_000_000 * 60_000_000
        truth[shown] = (volts, None if k in dashed else amps)
        if repeat and k == rows // 2:
            lines.append(header)
            aside += 1
        jump = rng.choice((1, 5, 600)) if gaps else 1
        when += timedelta(seconds=step * jump)
    if footer:
        lines.append("End of record")
        aside += 1
    if cut:
        lines.append(stamp[0][:6])
        aside += 1
    end = "\r\n" if crlf else "\n"
    text = end.join(lines) + ("" if cut else end)
    return Foreign(
        name=f"f{number:02d}.csv",
        data=text.encode(encoding),
        truth=truth,
        zone=zone,
        aside=aside,
        missing=missing,
        answers={"date_order": "dmy"} if style == "dmy_short" else {},
    )


STYLES = (
    "iso_offset",
    "iso_z",
    "epoch_s",
    "epoch_ms",
    "sheet",
    "dmy_dot",
    "dmy_slash",
    "mdy_ampm",
    "ymd",
    "ymd_slash",
    "month_name",
    "dmy_short",
    "compact",
    "two",
)


def forty(rows=300):
    """Forty files that say what they are, each crossing several habits."""
    separators = itertools.cycle((";", ",", "\t", "|"))
    encodings = itertools.cycle(("utf-8", "utf-8-sig", "utf-16", "cp1252", "utf-16-le"))
    units = itertools.cycle((("V", "A"), ("mV", "mA"), ("V", "mA")))
    zones = itertools.cycle(
        ("UTC", "Europe/Berlin", "Australia/Adelaide", "America/New_York")
    )
    names = itertools.cycle(NAMES)
    for number in range(40):
        separator = next(separators)
        style = STYLES[number % len(STYLES)]
        yield make(
            number,
            style=style,
            separator=separator,
            decimal="," if separator != "," and number % 3 == 0 else ".",
            encoding=next(encodings),
            units=next(units),
            sign=-1 if number % 2 else 1,
            names=next(names),
            zone=next(zones),
            step=60,
            rows=rows,
            quoted=number % 7 == 3,
            crlf=number % 4 == 1,
            preamble=number % 5 if number % 2 else 0,
            footer=number % 6 == 2,
            repeat=number % 5 == 0,
            cut=number % 8 == 5,
            gaps=number % 9 == 4,
            dashes=3 if number % 4 == 2 else 0,
        )
