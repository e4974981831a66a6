"""A tree of tables as TOML text; what ``tomllib`` reads, this writes back."""

from __future__ import annotations

from datetime import date, datetime, time
from typing import TYPE_CHECKING

from campledger.formats.planfile import number, quote

if TYPE_CHECKING:
    from collections.abc import Iterator

    from campledger.formats.tomlfile import Raw, Table

_BARE = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")


def dump(table: Table) -> str:
    """
    Write a table: its values, then its tables and lists of tables.

    Comments and order within a table are kept as far as a dict keeps them: comments
    are gone, order stays.
    """
    return "\n".join(_lines(table, "")).strip("\n") + "\n"


def _lines(table: Table, path: str) -> Iterator[str]:
    later = []
    for key, value in table.items():
        if isinstance(value, dict) or _is_tables(value):
            later.append((key, value))
        else:
            yield f"{_key(key)} = {_value(value)}"
    for key, value in later:
        full = f"{path}.{_key(key)}" if path else _key(key)
        if isinstance(value, dict):
            lines = list(_lines(value, full))
            if value and all(isinstance(v, dict) for v in value.values()):
                yield from lines
            else:
                yield from ("", f"[{full}]", *lines)
        else:
            for one in value:
                yield from ("", f"[[{full}]]", *_lines(one, full))


def _is_tables(value: Raw) -> bool:
    return (
        isinstance(value, list)
        and bool(value)
        and all(isinstance(x, dict) for x in value)
    )


def _key(key: str) -> str:
    return key if key and set(key) <= _BARE else quote(key)


def _value(value: Raw) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quote(value)
    if isinstance(value, float):
        return number(value) if value == value else "nan"  # noqa: PLR0124
    if isinstance(value, (datetime, date, time)):
        return value.isoformat()
    if isinstance(value, list):
        return "[" + ", ".join(_value(x) for x in value) + "]"
    if isinstance(value, dict):
        pairs = (f"{_key(k)} = {_value(v)}" for k, v in value.items())
        return "{ " + ", ".join(pairs) + " }"
    return str(value)
