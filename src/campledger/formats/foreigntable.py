"""Separator, header line, decimal mark and first rows of a foreign text file."""

from __future__ import annotations

import re
from collections import Counter

from campledger.formats.foreignlook import LOOK, NUMERIC, Look
from campledger.formats.layout import (
    SEPARATORS,
)
from campledger.formats.textsource import refuse
from campledger.formats.timetext import match_time
from campledger.formats.tomlfile import shorten

_POINT = re.compile(r"[+-]?\d+\.\d+")
_COMMA = re.compile(r"[+-]?\d+,\d+")
_GROUPED = re.compile(r"[+-]?\d{1,3},\d{3}")


def find_table(look: Look, lines: list[str]) -> None:
    """Find separator, header line, decimal mark and the first rows."""
    chosen = look.answers.get("separator")
    marks = [SEPARATORS[chosen]] if chosen else list(SEPARATORS.values())
    best = max(marks, key=lambda m: _fits(lines[:LOOK], m))
    look.separator = best
    width = _width(lines[:LOOK], best)
    header = _header_at(lines, best, width)
    if width < 2 or header is None:
        raise refuse(
            look.path,
            "header",
            f'"{shorten(lines[0])}"',
            "a line of column names over rows of numbers",
            line=1,
        )
    look.header_line = header + 1
    look.names = tuple(_fields(lines[header], best))
    twice = [n for n, count in Counter(look.names).items() if count > 1 and n]
    if twice:
        got = f'column "{shorten(twice[0])}" twice'
        raise refuse(look.path, "header", got, "each once", line=header + 1)
    look.rows = [
        f
        for f in (_fields(x, best) for x in lines[header + 1 : header + 1 + LOOK])
        if len(f) == width
    ]
    _find_decimal(look)
    words = {mark: name for name, mark in SEPARATORS.items()}
    look.notes.append(
        f"separator {words[best]}, decimal mark {look.decimal!r}, "
        f"column names in line {look.header_line}"
    )


def _fields(line: str, mark: str) -> list[str]:
    if '"' not in line:
        return [f.strip() for f in line.split(mark)]
    parts = re.findall(
        rf'(?:^|{re.escape(mark)})(?:"([^"]*)"|([^{re.escape(mark)}]*))', line
    )
    return [(a or b).strip() for a, b in parts]


def _width(lines: list[str], mark: str) -> int:
    counts = Counter(len(_fields(x, mark)) for x in lines if x.strip())
    return counts.most_common(1)[0][0] if counts else 0


def _fits(lines: list[str], mark: str) -> tuple[float, int]:
    """Score a separator: share of lines that have its usual width, and the width."""
    filled = [x for x in lines if x.strip()]
    width = _width(filled, mark)
    if width < 2:
        return (0.0, 0)
    rows = [_fields(x, mark) for x in filled]
    steady = sum(len(r) == width for r in rows) / len(rows)
    cells = [c for r in rows[1:] if len(r) == width for c in r if c]
    good = sum(bool(NUMERIC.fullmatch(c) or match_time(c.encode())) for c in cells)
    return (steady * (0.2 + good / max(1, len(cells))), width)


def _header_at(lines: list[str], mark: str, width: int) -> int | None:
    for n in range(min(len(lines) - 1, 200)):
        fields = _fields(lines[n], mark)
        if len(fields) != width or not any(fields):
            continue
        numbers = sum(bool(NUMERIC.fullmatch(f)) for f in fields if f)
        times = sum(match_time(f.encode()) is not None for f in fields)
        return None if numbers + times else n
    return None


def _find_decimal(look: Look) -> None:
    answer = look.answers.get("decimal")
    cells = [c for row in look.rows for c in row]
    commas = [c for c in cells if _COMMA.fullmatch(c)]
    points = sum(bool(_POINT.fullmatch(c)) for c in cells)
    if answer:
        look.decimal = answer
    elif commas and not points and all(_GROUPED.fullmatch(c) for c in commas):
        look.ask(
            "decimal mark",
            f'"{commas[0]}"',
            "one reading of the comma",
            "Give --set decimal=, or decimal=. (then it parts thousands).",
            line=look.header_line + 1,
        )
    elif len(commas) > points:
        look.decimal = ","
