"""
Words around numbers: dates in rig time, figures to the printed digit, names of lines.

One place for all of it, so that screen, paper and terminal say the same thing. English
names of days and months are spelt here: a report must not depend on the machine's
language.
"""

from __future__ import annotations

import math
import re
import textwrap
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from campledger.judge.nights import NIGHTS_MOST

if TYPE_CHECKING:
    from collections.abc import Sequence

    from campledger.model.estimates import Estimate

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
DAYS_FULL = (
    "Monday",
    "Tuesday",
    "Wednesday",
    "Thursday",
    "Friday",
    "Saturday",
    "Sunday",
)
MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
BLANK = "--"
"""What stands where no figure is known."""

NAMES = {
    "logger": "This logger",
    "net": "In, at least",
    "solar": "Sun",
    "alternator": "Drive",
    "dcdc": "Drive",
    "charge": "All sources",
    "mains": "Mains",
}
"""Line names that read better than the table's own name."""
SHORT = frozenset({"usb", "tv", "led", "ac", "hf", "vhf", "uhf", "gps", "cpap"})
"""Names that are written in capitals."""


RIG_KEYS = {
    "house.floor": "the floor",
    "house.cutoff_v": "the volts where loads disconnect",
    "house.absorption_v": "the absorption volts",
    "house.float_v": "the float volts",
    "house.full_below_a": "the current that counts as full",
    "house.full_for_min": "how long full must last",
    "house.nominal_v": "the nominal volts",
    "house.capacity_rated_h": "the hours of the rating",
    "house.charge_max_a": "the largest charging current",
}
"""Keys of the rig file in words, for what they decide by default."""


def key_words(key: str) -> str:
    """Put a key of the rig file, or any sentence, into words."""
    if key in RIG_KEYS:
        return RIG_KEYS[key]
    parts = key.split(".")
    if len(parts) > 1 and " " not in key:
        return f"{parts[-1]} of {parts[-2]}"
    return key


def name_of(place: str) -> str:
    """Give the line name of a load or source."""
    if place in NAMES:
        return NAMES[place]
    if place in SHORT:
        return place.upper()
    return place[:1].upper() + place[1:]


def moment(time_utc: float, utc_offset: float) -> datetime:
    """Give rig time; the zone of the result says UTC but the hands are the rig's."""
    return datetime.fromtimestamp(round(time_utc + utc_offset), tz=UTC)


def clock(time_utc: float, utc_offset: float) -> str:
    """Give the hour as people say it: ``7 am``, ``6:50 am``, ``noon``."""
    when = datetime.fromtimestamp(60.0 * round((time_utc + utc_offset) / 60.0), tz=UTC)
    if when.minute == 0 and when.hour in (0, 12):
        return "noon" if when.hour else "midnight"
    half = "am" if when.hour < 12 else "pm"
    hour = when.hour % 12 or 12
    return f"{hour} {half}" if when.minute == 0 else f"{hour}:{when.minute:02d} {half}"


def day_short(time_utc: float, utc_offset: float) -> str:
    """Give ``Fri 1``."""
    when = moment(time_utc, utc_offset)
    return f"{DAYS[when.weekday()]} {when.day}"


def day_month(time_utc: float, utc_offset: float) -> str:
    """Give ``Fri 1 May``."""
    when = moment(time_utc, utc_offset)
    return f"{DAYS[when.weekday()]} {when.day} {MONTHS[when.month - 1][:3]}"


def day_full(time_utc: float, utc_offset: float) -> str:
    """Give ``Friday 1 May``."""
    when = moment(time_utc, utc_offset)
    return f"{DAYS_FULL[when.weekday()]} {when.day} {MONTHS[when.month - 1]}"


def day_clock(time_utc: float, utc_offset: float) -> str:
    """Give ``Fri 1 May, 6:50 am``."""
    return f"{day_month(time_utc, utc_offset)}, {clock(time_utc, utc_offset)}"


def stamp(time_utc: float, utc_offset: float) -> str:
    """Give ``2026-05-01 06:50``."""
    return moment(time_utc, utc_offset).strftime("%Y-%m-%d %H:%M")


def iso(time_utc: float, utc_offset: float) -> str:
    """Give ISO 8601 with the rig's offset, whole seconds."""
    minutes = round(utc_offset / 60.0)
    sign = "-" if minutes < 0 else "+"
    hours, rest = divmod(abs(minutes), 60)
    when = moment(time_utc, utc_offset)
    return f"{when.strftime('%Y-%m-%dT%H:%M:%S')}{sign}{hours:02d}:{rest:02d}"


def offset_name(utc_offset: float) -> str:
    """Give ``UTC+9:30``."""
    minutes = round(utc_offset / 60.0)
    if minutes == 0:
        return "UTC"
    hours, rest = divmod(abs(minutes), 60)
    tail = f":{rest:02d}" if rest else ""
    return f"UTC{'-' if minutes < 0 else '+'}{hours}{tail}"


def known(value: float | None) -> bool:
    """Tell a figure from a missing one."""
    return value is not None and math.isfinite(value)


def number(value: float | None, digits: int = 1) -> str:
    """Give a figure to a number of digits, never a minus nought."""
    if value is None or not math.isfinite(value):
        return BLANK
    rounded = round(value, digits)
    return f"{rounded + 0.0:.{digits}f}" if rounded else f"{0.0:.{digits}f}"


def signed(value: float | None, digits: int = 1) -> str:
    """Give a figure with its sign always shown."""
    text = number(value, digits)
    if text == BLANK or text.startswith("-") or float(text) == 0.0:
        return text
    return f"+{text}"


def about(value: float | None) -> str:
    """Give an amount for a sentence: one digit below 10, none above."""
    if value is None or not math.isfinite(value):
        return BLANK
    text = number(value, 1 if abs(value) < 9.95 else 0)
    return text.removesuffix(".0")


def share(value: float | None, digits: int = 0) -> str:
    """Give a share as a percentage."""
    if value is None or not math.isfinite(value):
        return BLANK
    return f"{number(100.0 * value, digits)} %"


def hours(seconds: float | None) -> str:
    """Give a length of time: ``7 h 20 min``, ``40 min``, ``3 days 4 h``."""
    if seconds is None or not math.isfinite(seconds):
        return BLANK
    minutes = round(seconds / 60.0)
    if minutes < 60:
        return f"{minutes} min"
    whole, rest = divmod(minutes, 60)
    if whole >= 48:
        days, left = divmod(whole, 24)
        return f"{days} days {left} h" if left else f"{days} days"
    return f"{whole} h {rest} min" if rest else f"{whole} h"


def plural(count: int, one: str, many: str = "") -> str:
    """Give ``1 night``, ``2 nights``."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def nights(count: int) -> str:
    """Write nights in hand; beyond the horizon of the sum it is only a bound."""
    return f"{NIGHTS_MOST} or more" if count >= NIGHTS_MOST else str(count)


def listed(parts: Sequence[str], last: str = "and") -> str:
    """Join words: ``a, b and c``."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {last} {parts[-1]}"


def give_or_take(estimate: Estimate, unit: str, digits: int = 1) -> str:
    """Give ``82.0 Ah, give or take 3.1``; the reason if it is missing."""
    if not math.isfinite(estimate.value):
        return f"can't tell: {estimate.reason}" if estimate.reason else "can't tell"
    text = f"{number(estimate.value, digits)} {unit}"
    if math.isfinite(estimate.give_or_take) and estimate.give_or_take > 0:
        text += f", give or take {number(estimate.give_or_take, digits)}"
    return text


_UNIT_AFTER = re.compile(r"(?<=\d) (?=(?:am|pm|Ah|Wh|A|V|W|h|min|%|degC|°C|Ohm)\b|%)")
NO_BREAK = "\u00a0"


def hold_units(text: str) -> str:
    """Tie figures to their units, so that no line breaks between them."""
    return _UNIT_AFTER.sub(NO_BREAK, text)


def wrap(text: str, width: int, *, first: str = "", rest: str = "") -> list[str]:
    """Break a text into lines, never between a figure and its unit."""
    lines = textwrap.wrap(
        hold_units(text),
        width,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace(NO_BREAK, " ") for line in lines]


def sentence(text: str) -> str:
    """Start with a capital and end with a stop; a channel's name stays as it is."""
    text = text.strip()
    if not text:
        return ""
    if "_" not in text.split()[0]:
        text = text[0].upper() + text[1:]
    return text if text[-1] in ".?!" else text + "."
