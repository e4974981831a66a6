"""Random damage to text files: bytes, fields, order, encoding; says what it touched."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import random

ENCODINGS = ("utf-8-sig", "utf-16", "utf-16-le-bom", "crlf", "mac", "latin")


def native_file(rng: random.Random, rows: int = 120) -> list[bytes]:
    """Lines of a small native recording, header first."""
    lines = [b"time_utc,voltage_house_v,current_house_a,temp_house_c"]
    for k in range(rows):
        minute, second = divmod(k, 60)
        lines.append(
            f"2026-05-01T08:{minute:02d}:{second:02d}Z,{12 + rng.random():.4f},"
            f"{rng.gauss(-3, 2):.4f},{rng.gauss(25, 1):.2f}".encode()
        )
    return lines


def mutate(lines: list[bytes], rng: random.Random) -> tuple[bytes, set[bytes], str]:
    """
    Damage a file once to six times.

    Returns the bytes, the data lines that were not touched, and what was done.
    """
    header, rows = lines[0], list(lines[1:])
    touched: set[int] = set()
    done = []
    tags = list(range(len(rows)))
    new: list[tuple[int, bytes]] = list(zip(tags, rows, strict=True))
    head = header
    for _ in range(rng.randint(1, 6)):
        kind = rng.choice(("byte", "field", "order", "cut", "insert", "header"))
        done.append(kind)
        at = rng.randrange(len(new))
        tag, text = new[at]
        if kind == "byte" and text:
            k = rng.randrange(len(text))
            new[at] = (tag, text[:k] + bytes([rng.randrange(256)]) + text[k + 1 :])
            touched.add(tag)
        elif kind == "field":
            fields = text.split(b",")
            fields[rng.randrange(len(fields))] = rng.choice(
                (
                    b"",
                    b"---",
                    b"1e999",
                    b"nan",
                    b"12,5",
                    b'"',
                    b'"12.5"',
                    b"\0" * 9,
                    b"99999999999999999999",
                    b"=1+1",
                    b"2026-13-45T99:99:99Z",
                    b"0x1F",
                    b"\xff\xfe",
                    b"1_000",
                )
            )
            new[at] = (tag, b",".join(fields))
            touched.add(tag)
        elif kind == "order":
            other = rng.randrange(len(new))
            new[at], new[other] = new[other], new[at]
        elif kind == "cut":
            new[at] = (tag, text[: rng.randrange(len(text) + 1)])
            touched.add(tag)
        elif kind == "insert":
            junk = rng.choice(
                (b"", header, b"\0" * 200, b"# remark", b",,,", b"x" * 3000, b'"')
            )
            new.insert(at, (-1, junk))
        elif kind == "header" and rng.random() < 0.2:
            k = rng.randrange(len(head))
            head = head[:k] + bytes([rng.randrange(256)]) + head[k + 1 :]
    good = {text for tag, text in new if tag >= 0 and tag not in touched}
    data = b"\n".join([head, *(t for _, t in new)]) + rng.choice((b"\n", b""))
    if rng.random() < 0.3:
        data, good, name = _recode(data, good, rng)
        done.append(name)
    return data, good, " ".join(done)


def _recode(
    data: bytes, good: set[bytes], rng: random.Random
) -> tuple[bytes, set[bytes], str]:
    name = rng.choice(ENCODINGS)
    if name == "crlf":
        return data.replace(b"\n", b"\r\n"), good, name
    if name == "mac":
        return data.replace(b"\n", b"\r"), good, name
    if name == "latin":
        return data + "\n# Müller\n".encode("latin-1"), good, name
    text = data.decode("latin-1")
    if name == "utf-16-le-bom":
        return b"\xff\xfe" + text.encode("utf-16-le"), good, name
    return text.encode(name), good, name
