"""
The bytes of a text recording, in blocks of whole lines as UTF-8.

Reads plain or gzipped files of any length in bounded memory. The original is never
opened for writing.
"""

from __future__ import annotations

import codecs
import gzip
import zlib
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING, cast

from campledger.errors import Fault, InputError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

BLOCK = 1 << 20
"""Bytes parsed at once; larger costs memory and gains no time."""
LINE_MOST = 1 << 20
"""A line longer than this is no row."""
_MAGIC = (
    b"\x89PNG",
    b"\xff\xd8\xff",
    b"GIF8",
    b"PK\x03\x04",
    b"%PDF",
    b"SQLite format 3",
    b"\x7fELF",
    b"\xd0\xcf\x11\xe0",
    b"BZh",
    b"\xfd7zXZ",
    b"7z\xbc\xaf",
)


@dataclass(frozen=True, kw_only=True)
class Block:
    """Whole lines; ``line`` is the number of the first; ``ended`` has its last mark."""

    data: bytes
    line: int
    ended: bool = True


def refuse(
    path: Path, field: str, got: str, expected: str, *, line: int = 0, effect: str = ""
) -> InputError:
    """Make the refusal of a whole file."""
    return InputError(
        Fault(
            file=path.name,
            line=line,
            field=field,
            got=got,
            expected=expected,
            effect=effect or "Nothing loaded.",
        )
    )


def is_parquet(path: Path) -> bool:
    """Tell a Parquet file by its first bytes."""
    try:
        with path.open("rb") as file:
            return file.read(4) == b"PAR1"
    except OSError:
        return False


def open_bytes(path: Path) -> IO[bytes]:
    """Open a file, unpacking gzip; refuses what cannot be text."""
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(4096)
    except OSError as error:
        reason = (error.strerror or "no such file").lower()
        raise refuse(path, "file", reason, "a readable file") from error
    if not size:
        raise refuse(
            path,
            "file",
            "0 bytes",
            "a header line",
            effect="Nothing loaded; file untouched.",
        )
    if head[:2] == b"\x1f\x8b":
        return cast("IO[bytes]", gzip.open(path, "rb"))
    if head.startswith(_MAGIC) or _looks_binary(head):
        raise refuse(path, "header", "binary data", "text columns", line=1)
    return path.open("rb")


def _looks_binary(head: bytes) -> bool:
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return False
    first = head.split(b"\n", 1)[0]
    if guess_utf16(head):
        return False
    odd = sum(byte < 9 or 13 < byte < 32 for byte in first[:1024])
    return odd > 0.1 * max(1, len(first[:1024]))


def guess_utf16(head: bytes) -> str:
    """Name UTF-16 by its mark or by zeros in every second byte, else empty."""
    if head.startswith(codecs.BOM_UTF16_LE):
        return "utf-16-le"
    if head.startswith(codecs.BOM_UTF16_BE):
        return "utf-16-be"
    pairs = len(head) // 2
    if pairs < 8:
        return ""
    for start, name in ((1, "utf-16-le"), (0, "utf-16-be")):
        high, low = head[start : 2 * pairs : 2], head[1 - start : 2 * pairs : 2]
        if high.count(0) > 0.9 * pairs and low.count(0) < 0.05 * pairs:
            return name
    return ""


def find_encoding(head: bytes) -> str:
    """
    Name the encoding of a text by its first bytes.

    UTF-8 if it decodes, else the single-byte Windows code page 1252, which every byte
    string is: only column names can suffer.
    """
    wide = guess_utf16(head)
    if wide:
        return wide
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


class TextSource:
    """Gives a file's blocks; ``faults`` tells what went wrong with the bytes."""

    def __init__(self, path: Path, *, block: int = BLOCK) -> None:
        self.path = path
        self.block = block
        self.truncated = ""
        with open_bytes(path) as file:
            try:
                self.head = file.read(1 << 18)
            except (EOFError, zlib.error, gzip.BadGzipFile, OSError) as error:
                raise refuse(
                    path, "file", "damaged gzip data", "a readable file"
                ) from error
        if not self.head:
            raise refuse(path, "file", "0 bytes", "a header line")
        self.encoding = find_encoding(self.head)
        self.marked = self.head.startswith(
            (codecs.BOM_UTF8, codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
        )
        text = self.head.decode(self.encoding, "replace").encode()
        self.old_mac = b"\r" in text and b"\n" not in text

    def _raw(self) -> Iterator[bytes]:
        with open_bytes(self.path) as file:
            while True:
                try:
                    data = file.read(self.block)
                except (EOFError, zlib.error, gzip.BadGzipFile, OSError):
                    self.truncated = "damaged or cut short gzip data"
                    return
                if not data:
                    return
                yield data

    def _utf8(self) -> Iterator[bytes]:
        if self.encoding == "utf-8":
            first = True
            for data in self._raw():
                yield data.removeprefix(codecs.BOM_UTF8) if first else data
                first = False
            return
        decoder = codecs.getincrementaldecoder(self.encoding)("replace")
        first = True
        for data in self._raw():
            text = decoder.decode(data)
            yield (text.removeprefix("\ufeff") if first else text).encode()
            first = False
        yield decoder.decode(b"", final=True).encode()

    def blocks(self) -> Iterator[Block]:
        """Give blocks of whole lines; a line too long is given as zero bytes alone."""
        rest, line, skipping = b"", 1, False
        for data in self._utf8():
            piece = data.replace(b"\r", b"\n") if self.old_mac else data
            end = piece.rfind(b"\n") + 1
            if not end:
                if skipping or len(rest) + len(piece) > LINE_MOST:
                    rest, skipping = rest[:80] or piece[:80], True
                else:
                    rest += piece
                continue
            whole, rest_next = rest + piece[:end], piece[end:]
            if skipping:
                cut = piece.find(b"\n")
                whole, skipping = rest[:80] + b"\0" + piece[cut:end], False
            yield Block(data=whole, line=line)
            line += whole.count(b"\n")
            rest = rest_next
        if rest:
            yield Block(data=rest + b"\n", line=line, ended=False)
