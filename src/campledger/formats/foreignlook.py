"""What one look at a foreign recording has shown, and what must be asked."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from campledger.errors import Fault
from campledger.formats.textsource import TextSource

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from campledger.model.series import FloatArray

LOOK = 400
"""Rows looked at for shapes; whole files are read where one row may decide."""
SHORT: Mapping[str, str] = {"voltage": "voltage_house_v", "current": "current_house_a"}
NUMERIC = re.compile(r"[+-]?\d*[.,]?\d+(?:[eE][+-]?\d+)?")


@dataclass(kw_only=True)
class Look:
    """What one look at a file has shown, and what must be asked."""

    path: Path
    answers: Mapping[str, str]
    places: tuple[str, ...]
    zone: str
    separator: str = ","
    decimal: str = "."
    header_line: int = 1
    names: tuple[str, ...] = ()
    rows: list[list[str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)

    def ask(
        self, place: str, got: str, expected: str, how: str, *, line: int = 0
    ) -> None:
        """Note a question in one line that tells how to answer."""
        self.faults.append(
            Fault(
                file=self.path.name,
                line=line or self.header_line,
                field=place,
                got=got,
                expected=expected,
                effect=f"{how} Nothing loaded.",
            )
        )

    def column(self, name: str) -> list[str]:
        """Give the looked-at texts of a column that are not empty."""
        at = self.names.index(name)
        return [row[at] for row in self.rows if row[at]]


def whole_texts(
    look: Look, names: tuple[str, ...], *, dates_only: bool = False
) -> Iterator[str]:
    """
    Give the texts of columns of the whole file.

    With ``dates_only`` a block that begins and ends on one date gives its ends alone.
    """
    at = [look.names.index(n) for n in names]
    mark, width = look.separator.encode(), len(look.names)
    header = True
    for block in TextSource(look.path).blocks():
        lines = block.data.split(b"\n")
        if dates_only and not header and len(lines) > 3:
            first, last = (lines[k].split(mark) for k in (0, -2))
            if (
                len(first) == len(last) == width
                and first[at[0]][:10] == last[at[0]][:10]
            ):
                lines = [lines[0]]
        for line in lines:
            if header:
                header = block.line == 1 and line.count(mark) != width - 1
                continue
            fields = line.split(mark)
            if len(fields) == width:
                texts = (fields[k].strip().strip(b'"') for k in at)
                yield b" ".join(texts).decode("utf-8", "replace")


def is_numeric(look: Look, name: str) -> bool:
    """Tell whether most looked-at texts of a column are numbers."""
    texts = look.column(name)
    good = sum(bool(NUMERIC.fullmatch(t)) for t in texts)
    return good > 0.5 * len(texts) if texts else False


def numbers_in(texts: Iterable[str], decimal: str) -> FloatArray:
    """Read what is a number in the file's own style; the rest is no evidence."""
    out: list[float] = []
    for text in texts:
        plain = text.replace(",", ".") if decimal == "," else text
        if "," not in plain and NUMERIC.fullmatch(plain):
            out.append(float(plain))
    numbers = np.array(out, dtype=np.float64)
    return numbers[np.isfinite(numbers)]
