"""
Rows out of the pages of a damaged file, without the help of the database library.

Reads the file and its write-ahead log as they lie on the disk and changes neither.
Pages of the log that belong to a finished commit stand for those of the file. Blobs are
found by their mark, wherever they lie; other rows through the cells of leaf pages.

References
----------
The database file format, published by its authors, sections 1.6 (b-tree pages), 2
(records) and 4 (write-ahead log); from memory.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, TypeAlias

from campledger.store.blocks import MAGIC, is_whole
from campledger.store.schema import PAGE_SIZE

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

Value: TypeAlias = int | float | str | bytes | None
Row: TypeAlias = tuple[int, tuple[Value, ...]]

LEAF = 0x0D
FILE_HEADER = 100
WAL_HEADER = 32
FRAME_HEADER = 24
CELL_HEAD = 160
"""A cell begins at most this far before the mark of its blob. [byte]"""
_SIZES = {0: 0, 1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8, 7: 8, 8: 0, 9: 0}


class Pages:
    """The pages of a store, each as the last finished commit left it."""

    def __init__(self, path: Path) -> None:
        self.data = path.read_bytes()
        self.size = self._page_size()
        self.newer: dict[int, bytes] = {}
        log = path.with_name(f"{path.name}-wal")
        if log.exists():
            self._take_log(log.read_bytes())

    def _page_size(self) -> int:
        size = int.from_bytes(self.data[16:18], "big")
        if size >= 512 and size & (size - 1) == 0:
            return size
        return PAGE_SIZE

    def _take_log(self, log: bytes) -> None:
        salt = log[16:24]
        pending: dict[int, bytes] = {}
        at = WAL_HEADER
        while at + FRAME_HEADER + self.size <= len(log):
            number, commit = struct.unpack_from(">II", log, at)
            if log[at + 8 : at + 16] != salt:
                return
            body = at + FRAME_HEADER
            pending[number] = log[body : body + self.size]
            if commit:
                self.newer.update(pending)
                pending = {}
            at = body + self.size

    def __len__(self) -> int:
        """Give the highest page number."""
        return max(len(self.data) // self.size, max(self.newer, default=0))

    def page(self, number: int) -> bytes:
        """Give a page; numbers begin at 1."""
        if number in self.newer:
            return self.newer[number]
        return self.data[(number - 1) * self.size : number * self.size]


def varint(data: bytes, at: int) -> tuple[int, int]:
    """Read a whole number of 1 to 9 bytes; gives it and where the next byte lies."""
    value = 0
    for k in range(9):
        byte = data[at + k]
        if k == 8:
            return (value << 8) | byte, at + 9
        value = (value << 7) | (byte & 0x7F)
        if not byte & 0x80:
            return value, at + k + 1
    return value, at + 9


def _payload(pages: Pages, page: bytes, at: int, size: int) -> bytes:
    """Put a payload together from its cell and its overflow pages."""
    usable = pages.size
    if size <= usable - 35:
        return page[at : at + size]
    least = (usable - 12) * 32 // 255 - 23
    local = least + (size - least) % (usable - 4)
    if local > usable - 35:
        local = least
    parts = [page[at : at + local]]
    left = size - local
    following = int.from_bytes(page[at + local : at + local + 4], "big")
    while left > 0 and 0 < following <= len(pages):
        body = pages.page(following)
        parts.append(body[4 : 4 + min(left, usable - 4)])
        left -= usable - 4
        following = int.from_bytes(body[:4], "big")
    return b"".join(parts)


def _value(kind: int, data: bytes) -> Value:
    if kind == 0:
        return None
    if kind in (8, 9):
        return kind - 8
    if kind == 7:
        return float(struct.unpack(">d", data)[0])
    if kind < 7:
        return int.from_bytes(data, "big", signed=True)
    return data if kind % 2 == 0 else data.decode()


def _record(payload: bytes) -> tuple[Value, ...] | None:
    """Take a record apart; None if it cannot be one."""
    head, at = varint(payload, 0)
    if head > len(payload):
        return None
    kinds = []
    while at < head:
        kind, at = varint(payload, at)
        kinds.append(kind)
    values, body = [], head
    for kind in kinds:
        if kind in (10, 11):
            return None
        size = _SIZES[kind] if kind < 10 else (kind - 12) // 2
        if body + size > len(payload):
            return None
        values.append(_value(kind, payload[body : body + size]))
        body += size
    return tuple(values) if body == len(payload) else None


def read_cell(pages: Pages, page: bytes, at: int) -> Row | None:
    """Read the row of a cell; None if there is none."""
    try:
        size, after = varint(page, at)
        number, after = varint(page, after)
        if not 0 < size <= len(pages) * pages.size:
            return None
        payload = _payload(pages, page, after, size)
        if len(payload) != size:
            return None
        values = _record(payload)
    except (IndexError, ValueError, struct.error):
        return None
    return None if values is None else (number, values)


def leaf_rows(pages: Pages) -> Iterator[Row]:
    """Give the rows of every leaf page of a table."""
    for number in range(1, len(pages) + 1):
        page = pages.page(number)
        at = FILE_HEADER if number == 1 else 0
        if len(page) < pages.size or page[at] != LEAF:
            continue
        count = int.from_bytes(page[at + 3 : at + 5], "big")
        for k in range(min(count, pages.size // 4)):
            place = at + 8 + 2 * k
            cell = int.from_bytes(page[place : place + 2], "big")
            row = read_cell(pages, page, cell)
            if row is not None:
                yield row


def marked_rows(pages: Pages) -> Iterator[tuple[Row, bool]]:
    """
    Give every row that holds a marked blob, and whether its check sum fits.

    Looks for the mark itself, so that a torn page head hides nothing.
    """
    for number in range(1, len(pages) + 1):
        page = pages.page(number)
        mark = page.find(MAGIC)
        while mark >= 0:
            row = _cell_before(pages, page, mark)
            if row is not None:
                yield row
            mark = page.find(MAGIC, mark + 1)


def _cell_before(pages: Pages, page: bytes, mark: int) -> tuple[Row, bool] | None:
    broken = None
    for at in range(mark - 1, max(-1, mark - CELL_HEAD), -1):
        row = read_cell(pages, page, at)
        if row is None:
            continue
        blobs = [v for v in row[1] if isinstance(v, bytes) and v[:4] == MAGIC]
        if not blobs:
            continue
        if is_whole(blobs[0]):
            return row, True
        if len(row[1]) >= 6 and page[mark : mark + 40] == blobs[0][:40]:
            broken = row
    return None if broken is None else (broken, False)
