"""Which columns of a foreign recording tell the time, and how they are written."""

from __future__ import annotations

from dataclasses import replace

from campledger.formats.columnwords import read_name
from campledger.formats.dateorder import find_order
from campledger.formats.foreignlook import Look, whole_texts
from campledger.formats.layout import (
    TimeMap,
)
from campledger.formats.timetext import match_time
from campledger.formats.tomlfile import listed, shorten


def find_time(look: Look) -> TimeMap:
    """Find the columns of the time, their form and zone, or ask."""
    names = _time_columns(look)
    if not names:
        look.ask(
            "time",
            "columns " + listed(look.names),
            "one for the time",
            "Name it with --set time=NAME.",
        )
        return TimeMap()
    first = " ".join(look.column(n)[0] if look.column(n) else "" for n in names)
    answered = look.answers.get("time_format")
    kind = answered or _time_format(look, names, first)
    zone = look.answers.get("zone") or look.zone
    if kind.startswith("epoch"):
        zone = "UTC"
    if kind == "text":
        return _text_time(look, names, first, zone)
    if kind:
        look.notes.append(f"time in column {names[0]} as {kind}, zone {zone}")
    return TimeMap(columns=names, format=kind or "text", zone=zone)


def _time_columns(look: Look) -> tuple[str, ...]:
    said = look.answers.get("time"), look.answers.get("date")
    for name in said:
        if name and name not in look.names:
            shown = "columns " + listed(look.names)
            look.ask("time", shown, f'"{name}" among them', "Name another.")
            return ()
    if said[0]:
        return (said[1], said[0]) if said[1] else (said[0],)
    readings = [read_name(n) for n in look.names]
    dates = [r.name for r in readings if r.date and not r.time]
    times = [r.name for r in readings if r.time]
    full = [n for n in (*times, *dates) if _dated(look, n)]
    if full:
        return (full[0],)
    only_dates = [n for n in dates if _date_only(look, n)]
    if only_dates and times:
        return (only_dates[0], times[0])
    if times:
        return (times[0],)
    found = [n for n in look.names if _dated(look, n)]
    return (found[0],) if len(found) == 1 else ()


def _dated(look: Look, name: str) -> bool:
    texts = look.column(name)
    spans = match_time(texts[0].encode()) if texts else None
    return spans is not None and "a" in spans.parts


def _date_only(look: Look, name: str) -> bool:
    texts = look.column(name)
    spans = match_time(f"{texts[0]} 00:00:00".encode()) if texts else None
    return spans is not None and "a" in spans.parts


def _time_format(look: Look, names: tuple[str, ...], first: str) -> str:
    """Tell text, epoch and sheet serial apart by their ranges, which do not meet."""
    if match_time(first.encode()):
        return "text"
    number = first.replace(",", ".")
    try:
        value = float(number)
    except ValueError:
        value = float("nan")
    for kind, low, high in (
        ("epoch_s", 9e8, 4.2e9),
        ("epoch_ms", 9e11, 4.2e12),
        ("sheet", 30000.0, 75000.0),
    ):
        if low <= value <= high:
            return kind
    look.ask(
        "time",
        f'"{shorten(first)}"',
        "a date and time, seconds since 1970 or a sheet's day number",
        "Name the column with --set time=NAME.",
        line=look.header_line + 1,
    )
    return ""


def _text_time(look: Look, names: tuple[str, ...], first: str, zone: str) -> TimeMap:
    spans = match_time(first.encode())
    base = TimeMap(columns=names, zone=zone)
    if spans is None:
        look.ask(
            "time",
            f'"{shorten(first)}"',
            "a date and time",
            "Name the column with --set time=NAME.",
            line=look.header_line + 1,
        )
        return base
    if "a" not in spans.parts:
        start = look.answers.get("start_date", "")
        if not start:
            look.ask(
                "time",
                f'"{first}"',
                "a date too",
                "Give --set start_date=YYYY-MM-DD.",
                line=look.header_line + 1,
            )
        return replace(base, start_date=start)
    order = look.answers.get("date_order") or _order(look, names, first)
    if not spans.zoned:
        look.notes.append(f"times carry no offset; taken as {zone} time")
    return replace(base, date_order=order or "ymd")


def _order(look: Look, names: tuple[str, ...], first: str) -> str:
    """Find the order of day and month, or ask."""
    found = find_order(whole_texts(look, names, dates_only=True))
    if len(found.orders) == 1:
        order = found.orders[0]
        if found.decided_by:
            look.notes.append(f"dates are {order}, as {found.decided_by} shows")
        return order
    hint = " (" + found.hint + ")" if found.hint else ""
    choices = " or ".join(found.orders) or "dmy or mdy"
    look.ask(
        "time",
        f'"{shorten(first)}"',
        "to know day from month",
        f"Give --set date_order={choices}{hint}.",
        line=look.header_line + 1,
    )
    return ""
