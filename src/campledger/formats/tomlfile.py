"""
TOML with line numbers: reads a file and checks it against tables of keys.

The standard library's parser tells no lines, so a small locator finds them. Faults are
collected, never raised one by one.
"""

from __future__ import annotations

import difflib
import hashlib
import json
import math
import re
import tomllib
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from typing import TYPE_CHECKING, Any, TypeAlias

from campledger.errors import Fault, FaultsError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import tzinfo
    from pathlib import Path

Raw: TypeAlias = Any
"""Whatever TOML can hold."""
Table: TypeAlias = dict[str, Any]

_HEADER = re.compile(r"^\s*(\[\[?)\s*(?P<path>[^\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(r"""^\s*(?P<key>(?:[A-Za-z0-9_.-]|"[^"]*"|'[^']*'|\s*\.\s*)+?)\s*=""")
_PART = re.compile(r""""([^"]*)"|'([^']*)'|([A-Za-z0-9_-]+)""")
_SYNTAX_PLACE = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$")


@dataclass(frozen=True, kw_only=True)
class Key:
    """
    One key of a table: how it is spelt in the file and what it must hold.

    ``kind`` is number, text, choice, flag, day or moment. ``scale`` turns the file's
    unit into the core's. Bounds are in the file's unit, both allowed unless
    ``open_low``. ``default`` (file's unit) None leaves the field out.
    """

    name: str
    field: str
    kind: str = "number"
    low: float = -math.inf
    high: float = math.inf
    open_low: bool = False
    choices: tuple[str, ...] = ()
    default: Raw = None
    scale: float = 1.0
    expected: str = ""
    required: bool = False


def spell(value: Raw) -> str:
    """Spell a value as the person would find it in the file."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{shorten(value)}"'
    if isinstance(value, float):
        return f"{value:.12g}"
    if isinstance(value, (datetime, date, time)):
        return value.isoformat()
    if isinstance(value, dict):
        return "a table"
    return shorten(str(value))


def shorten(text: str, most: int = 60) -> str:
    """Cut a long text and take out what would break the line."""
    clean = "".join(c if c.isprintable() else "?" for c in text)
    return clean if len(clean) <= most else clean[: most - 3] + "..."


def listed(names: Iterable[str]) -> str:
    """List names in one line of bounded length."""
    return shorten(", ".join(names), 300)


def parts(path: str) -> list[str]:
    """Take a dotted key apart."""
    return ["".join(match) for match in _PART.findall(path)]


def locate(text: str) -> dict[str, int]:
    """
    Find the line of every table and key.

    Returns
    -------
    lines : dict of str to int
        Dotted path to line, first line 1. Tables of an array are counted from 1:
        ``sensor[2].bus``.
    """
    found: dict[str, int] = {}
    counts: dict[str, int] = {}
    prefix = ""
    for number, line in _logical_lines(text):
        header = _HEADER.match(line)
        if header:
            prefix = _enter(
                parts(header["path"]), counts, array=header[1] == "[[", found=found
            )
            found.setdefault(prefix, number)
            continue
        key = _KEY.match(line)
        if key:
            names = parts(key["key"])
            for n in range(1, len(names) + 1):
                path = ".".join(filter(None, (prefix, *names[:n])))
                found.setdefault(path, number)
    return found


def _enter(
    names: list[str], counts: dict[str, int], *, array: bool, found: dict[str, int]
) -> str:
    path = ""
    for n, name in enumerate(names):
        path = f"{path}.{name}" if path else name
        last = n == len(names) - 1
        if array and last:
            counts[path] = counts.get(path, 0) + 1
        if path in counts:
            path = f"{path}[{counts[path]}]"
        elif not last:
            found.setdefault(path, 0)
    return path


def _logical_lines(text: str) -> Iterator[tuple[int, str]]:
    """Give the lines on which a header or key can begin."""
    depth, fence = 0, ""
    for number, line in enumerate(text.splitlines(), start=1):
        if not depth and not fence:
            yield number, line
        depth, fence = _scan(line, depth, fence)


def _scan(line: str, depth: int, fence: str) -> tuple[int, str]:
    """Follow strings and brackets over a line; ``fence`` is an open long string."""
    if not fence and depth == 0 and _HEADER.match(line):
        return 0, ""
    at = 0
    while at < len(line):
        if fence:
            end = line.find(fence, at)
            if end < 0:
                return depth, fence
            at, fence = end + 3, ""
            continue
        mark = line[at]
        if mark == "#":
            break
        if line[at : at + 3] in {'"""', "'''"}:
            fence, at = line[at : at + 3], at + 3
        elif mark in "\"'":
            at = _string_end(line, at)
        else:
            depth = max(0, depth + (mark in "[{") - (mark in "]}"))
            at += 1
    return depth, fence


def _string_end(line: str, at: int) -> int:
    quote, at = line[at], at + 1
    while at < len(line) and line[at] != quote:
        at += 2 if quote == '"' and line[at] == "\\" else 1
    return at + 1


@dataclass(kw_only=True)
class Checker:
    """
    Collects faults of one file while its tables are read.

    ``what`` names the file's kind in the effect: "Rig not loaded."
    """

    file: str
    what: str
    lines: Mapping[str, int]
    zone: tzinfo = UTC
    faults: list[Fault] = field(default_factory=list)
    assumed: set[str] = field(default_factory=set)

    def fault(self, path: str, got: str, expected: str) -> None:
        """Note one fault."""
        self.faults.append(
            Fault(
                file=self.file,
                line=self.line(path),
                field=path,
                got=got,
                expected=expected,
                effect=f"{self.what} not loaded.",
            )
        )

    def line(self, path: str) -> int:
        """Give the line of a key, or of the nearest table around it."""
        while path:
            if self.lines.get(path):
                return self.lines[path]
            path = path.rpartition(".")[0]
        return 0

    def table(self, data: Raw, path: str) -> Table:
        """Take a value that must be a table."""
        if data is None:
            return {}
        if isinstance(data, dict):
            return data
        self.fault(path, spell(data), f"a table [{path}]")
        return {}

    def tables(self, data: Raw, path: str) -> list[tuple[str, Table]]:
        """Take a value that must be an array of tables; gives (path, table)."""
        if data is None:
            return []
        if isinstance(data, list) and all(isinstance(x, dict) for x in data):
            return [(f"{path}[{n}]", x) for n, x in enumerate(data, start=1)]
        self.fault(path, spell(data), f"tables [[{path}]]")
        return []

    def unknown(self, data: Table, path: str, known: Iterable[str]) -> None:
        """Report keys that mean nothing here, with the nearest that does."""
        names = list(known)
        for name in data:
            if name in names:
                continue
            near = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
            expected = near[0] if near else "one of " + ", ".join(sorted(names))
            full = f"{path}.{name}" if path else name
            self.fault(full, "no such key", expected)

    def read(
        self, data: Table, path: str, keys: Sequence[Key], *, others: Sequence[str] = ()
    ) -> dict[str, Any]:
        """
        Read a table by its keys.

        Returns
        -------
        values : dict
            Field of the model to value in the core's unit; a field whose value is wrong
            holds its default, so that reading goes on.
        """
        self.unknown(data, path, [k.name for k in keys] + list(others))
        values: dict[str, Any] = {}
        for key in keys:
            full = f"{path}.{key.name}" if path else key.name
            if key.name in data:
                value = self._value(data[key.name], full, key)
            elif key.required:
                self.fault(full, "nothing", key.expected or _expected(key))
                value = None
            else:
                value = None
                if key.default is not None:
                    self.assumed.add(full)
            if value is None:
                value = key.default
            if value is not None:
                values[key.field] = value * key.scale if key.scale != 1.0 else value
        return values

    def _value(self, raw: Raw, path: str, key: Key) -> Raw:
        value = _convert(raw, key, self.zone)
        if value is None:
            self.fault(path, spell(raw), key.expected or _expected(key))
        return value

    def raise_if_any(self) -> None:
        """Raise everything found, in the order of the file."""
        if not self.faults:
            return
        ordered = sorted(self.faults, key=lambda f: f.line)
        first, more = ordered[0], len(ordered) - 1
        if more:
            others = f"{more} other problem{'s' if more > 1 else ''} below."
            effect = f"{self.what} not loaded; {others}"
            ordered[0] = Fault(**{**first.__dict__, "effect": effect})
        raise FaultsError(*ordered)


def _convert(raw: Raw, key: Key, zone: tzinfo) -> Raw:
    """Give the value if it is as asked, else None."""
    if key.kind == "number":
        return _number(raw, key)
    if key.kind == "flag":
        return raw if isinstance(raw, bool) else None
    if key.kind == "day":
        plain = isinstance(raw, date) and not isinstance(raw, datetime)
        return raw if plain else None
    if key.kind == "moment":
        return moment(raw, zone)
    if not isinstance(raw, str) or (key.kind == "choice" and raw not in key.choices):
        return None
    return raw if raw.strip() or not key.required else None


def _number(raw: Raw, key: Key) -> float | None:
    if isinstance(raw, bool) or not isinstance(raw, (int, float)):
        return None
    value = float(raw)
    too_low = value <= key.low if key.open_low else value < key.low
    if not math.isfinite(value) or too_low or value > key.high:
        return None
    return value


def _expected(key: Key) -> str:
    """Say in words what a key takes."""
    if key.kind == "choice":
        return ", ".join(key.choices[:-1]) + f" or {key.choices[-1]}"
    if key.kind != "number":
        return {"flag": "true or false", "day": "a date", "text": "a text"}.get(
            key.kind, "a time such as 2026-05-01T08:00:00+09:30"
        )
    if math.isfinite(key.low) and math.isfinite(key.high):
        return f"a number {key.low:g}..{key.high:g}"
    if math.isfinite(key.low):
        return f"a number {'above' if key.open_low else 'from'} {key.low:g}"
    return "a number"


def moment(raw: Raw, zone: tzinfo) -> datetime | None:
    """Take a TOML time or its text; without offset it is rig time."""
    if isinstance(raw, str):
        try:
            raw = datetime.fromisoformat(raw)
        except ValueError:
            return None
    if not isinstance(raw, datetime):
        return None
    return raw if raw.tzinfo else raw.replace(tzinfo=zone)


def load(path: Path, what: str) -> tuple[Table, str, Checker]:
    """
    Read a TOML file.

    Returns
    -------
    data, text, checker : dict, str, Checker
        What the file says, its text, and a checker that knows its lines.

    Raises
    ------
    FaultsError
        The file cannot be read, is no text or no TOML.
    """
    name = path.name
    try:
        raw = path.read_bytes()
    except OSError as error:
        reason = (error.strerror or "no such file").lower()
        fault = _fault(name, what, "file", reason, "a readable file")
        raise FaultsError(fault) from error
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        fault = _fault(name, what, "encoding", "no UTF-8 text", "UTF-8", line)
        raise FaultsError(fault) from error
    return parse(text, name, what)


def parse(text: str, name: str, what: str) -> tuple[Table, str, Checker]:
    """
    Read the text of a TOML file; as `load`.

    Raises
    ------
    FaultsError
        It is no TOML.
    """
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        place = _SYNTAX_PLACE.search(str(error))
        last = text.count("\n") + 1
        line = int(place[1]) if place and place[1] else last
        reason = _SYNTAX_PLACE.sub("", str(error)).lower() or "nested too deeply"
        fault = _fault(name, what, "syntax", reason, "TOML, e.g. key = 5.0", line)
        raise FaultsError(fault) from error
    return data, text, Checker(file=name, what=what, lines=locate(text))


def _fault(
    name: str, what: str, place: str, got: str, expected: str, line: int = 0
) -> Fault:
    return Fault(
        file=name,
        line=line,
        field=place,
        got=got,
        expected=expected,
        effect=f"{what} not loaded.",
    )


def fingerprint(data: Mapping[str, Any]) -> str:
    """Give a short fingerprint that ignores comments, order and layout."""
    plain = json.dumps(data, sort_keys=True, default=spell, separators=(",", ":"))
    return hashlib.sha256(plain.encode()).hexdigest()[:16]
