"""
The process that takes a foreign store apart: ``SOURCE TARGET MEMORY``.

It has a bounded address space, writes one new store and prints the number of rows; a
block made to fill the memory ends this process and nothing else.
"""

from __future__ import annotations

import math
import resource
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from campledger.errors import CampledgerError, StoreDamagedError
from campledger.formats.planfile import parse_plan
from campledger.store.extract import Wanted, documents_of, extract, open_foreign

if TYPE_CHECKING:
    from campledger.store import Entry

KINDS = ("plan", "proof", "event", "note")
PLAN_TYPES: dict[str, type | tuple[type, ...]] = {
    "fingerprint": str,
    "text": str,
    "name": str,
    "start_utc": (int, float),
    "end_utc": (int, float),
    "revision": int,
    "late": bool,
}
TEXT_MOST = 10_000


def sound(entry: Entry) -> bool:
    """Tell whether a document has the form that the commands rely on."""
    body = entry.body
    if not isinstance(body, dict) or not isinstance(entry.time_utc, (int, float)):
        return False
    if entry.kind == "plan":
        return _sound_plan(body)
    if entry.kind == "note":
        return isinstance(body.get("text"), str) and len(body["text"]) <= TEXT_MOST
    if entry.kind == "proof":
        return (
            isinstance(body.get("step"), int)
            and isinstance(body.get("channel", ""), str)
            and all(_is_plain(v) for v in body.values())
        )
    return all(
        all(_is_number(x) for x in v.values()) if isinstance(v, dict) else _is_number(v)
        for v in body.values()
    )


def _sound_plan(body: dict[str, object]) -> bool:
    if set(body) != set(PLAN_TYPES):
        return False
    if not all(isinstance(body[k], kind) for k, kind in PLAN_TYPES.items()):
        return False
    plan = parse_plan(str(body["text"]))
    return (plan.start_utc, plan.end_utc, plan.fingerprint) == (
        body["start_utc"],
        body["end_utc"],
        body["fingerprint"],
    )


def _is_number(value: object) -> bool:
    return value is None or isinstance(value, (int, float))


def _is_plain(value: object) -> bool:
    return _is_number(value) or (isinstance(value, str) and len(value) <= TEXT_MOST)


def main(words: list[str]) -> int:
    """Copy; 0 done, 2 refused."""
    source, target, memory = Path(words[0]), Path(words[1]), int(words[2])
    resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    try:
        file = open_foreign(source)
        try:
            entries = documents_of(file, KINDS)
            odd = [e for e in entries if not sound(e)]
            if odd:
                msg = f"a {odd[0].kind} of another form, expected one of ours"
                raise StoreDamagedError(msg)
            documents = tuple((e.kind, e.time_utc, e.key, e.body) for e in entries)
            done = extract(
                file,
                target,
                Wanted(start=-math.inf, end=math.inf, documents=documents),
            )
        finally:
            file.close()
    except CampledgerError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    sys.stdout.write(f"{done.rows}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
