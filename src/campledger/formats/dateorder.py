"""Which of a date's numbers is the day: told by the dates themselves, or not at all."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

_DATE = re.compile(r"\s*(\d{1,4})[-/.](\d{1,2})[-/.](\d{1,4})(?!\d)")
_NAMES = {"dmy": "day/month", "mdy": "month/day", "ymd": "year/month"}


@dataclass(frozen=True, kw_only=True)
class DateOrder:
    """Orders that fit every date; ``hint`` compares them, ``decided_by`` one date."""

    orders: tuple[str, ...]
    decided_by: str = ""
    hint: str = ""


def find_order(texts: Iterable[str]) -> DateOrder:
    """
    Find the orders of day, month and year that fit all dates.

    Dates that fit none of the orders left (a damaged line) do not count.
    """
    left = ["dmy", "mdy", "ymd"]
    spans: dict[str, tuple[date, date]] = {}
    before, decided = "", ""
    for text in texts:
        head = text[:10]
        if head == before:
            continue
        before = head
        match = _DATE.match(text)
        if match is None:
            if re.match(r"\s*\d{8}|\s*\d{1,2}[- .]*[A-Za-z]{3}", text):
                return DateOrder(orders=("ymd",))
            continue
        numbers = (match[1], match[2], match[3])
        if len(match[1]) == 4:
            return DateOrder(orders=("ymd",))
        fits = {o: d for o in left if (d := _as_date(numbers, o))}
        if not fits:
            continue
        if len(fits) == 1 and len(left) > 1:
            decided = f'"{match[0].strip()}"'
        left = list(fits)
        for order, when in fits.items():
            first, last = spans.get(order, (when, when))
            spans[order] = (min(first, when), max(last, when))
        if len(left) == 1:
            break
    return DateOrder(
        orders=tuple(left),
        decided_by=decided,
        hint=_hint(left, spans) if len(left) > 1 else "",
    )


def _as_date(numbers: tuple[str, str, str], order: str) -> date | None:
    a, b, c = numbers
    day, month, year = {"dmy": (a, b, c), "mdy": (b, a, c), "ymd": (c, b, a)}[order]
    if len(year) not in {2, 4} or len(day) > 2 or len(month) > 2:
        return None
    whole = int(year) + (2000 if len(year) == 2 else 0)
    try:
        return date(whole, int(month), int(day))
    except ValueError:
        return None


def _hint(orders: list[str], spans: dict[str, tuple[date, date]]) -> str:
    said: list[str] = []
    for order in orders:
        if order in spans:
            first, last = spans[order]
            days = (last - first).days + 1
            if said:
                said.append(f"as {_NAMES[order]} {days}")
            else:
                said.append(f"as {_NAMES[order]} this file spans {days} days")
    return ", ".join(said)
