"""Times that a person types: absolute, the next clock hour, or so much later."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

from campledger.errors import Fault, InputError

_CLOCK = re.compile(r"^(\d{1,2}):(\d{2})$")
_LATER = re.compile(r"^\+(\d+(?:\.\d+)?)\s*(h|min|d)$")
_SPAN = re.compile(r"^(\d+(?:\.\d+)?)\s*(s|min|h|d)$")
_SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}


def _refuse(option: str, text: str, expected: str) -> InputError:
    return InputError(
        Fault(
            file="command line",
            field=option,
            got=f'"{text}"',
            expected=expected,
            effect="Nothing done.",
        )
    )


def parse_time(text: str, *, option: str, zone: str, base: float) -> float:
    """
    Read a time that a person typed.

    Parameters
    ----------
    text : str
        ISO 8601 (without offset: rig time), ``09:00`` (the next one after base), or
        ``+18h`` (counted from base).
    option : str
        For the error line.
    zone : str
        The rig's time zone.
    base : float
        What "next" and "later" count from. [s]

    Returns
    -------
    time_utc : float
        Seconds since 1970 UTC.

    Raises
    ------
    InputError
        Not a time.
    """
    later = _LATER.match(text)
    if later:
        return base + float(later[1]) * _SECONDS[later[2]]
    tz = ZoneInfo(zone)
    clock = _CLOCK.match(text)
    if clock and int(clock[1]) < 24 and int(clock[2]) < 60:
        now = datetime.fromtimestamp(base, tz=tz)
        when = now.replace(
            hour=int(clock[1]), minute=int(clock[2]), second=0, microsecond=0
        )
        if when.timestamp() <= base:
            when = (when.replace(tzinfo=None) + timedelta(days=1)).replace(tzinfo=tz)
        return when.timestamp()
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        expected = "a time such as 2026-05-01T09:00, 09:00 or +18h"
        raise _refuse(option, text, expected) from None
    if when.tzinfo is None:
        when = when.replace(tzinfo=tz)
    return when.timestamp()


def parse_span(text: str, *, option: str) -> float:
    """
    Read a length of time such as ``60s``, ``1.5h`` or ``10min``. [s]

    Raises
    ------
    InputError
        Not a length of time.
    """
    match = _SPAN.match(text)
    if match is None or float(match[1]) <= 0:
        raise _refuse(option, text, "a length of time such as 60s, 10min or 1.5h")
    return float(match[1]) * _SECONDS[match[2]]


def offset_at(zone: str, time_utc: float) -> float:
    """Give the UTC offset of a zone at a moment. [s]"""
    moment = datetime.fromtimestamp(time_utc, tz=ZoneInfo(zone))
    delta = moment.utcoffset()
    return 0.0 if delta is None else delta.total_seconds()


def iso(time_utc: float, utc_offset: float = 0.0) -> str:
    """Write a time as ISO 8601 with offset, to the second."""
    zone = timezone(timedelta(seconds=utc_offset)) if utc_offset else UTC
    return datetime.fromtimestamp(round(time_utc), tz=zone).isoformat()
