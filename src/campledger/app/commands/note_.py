"""``campledger note``: a line stored with its time."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from campledger.app.context import store_path
from campledger.app.output import print_json
from campledger.app.times import iso
from campledger.errors import Fault, InputError
from campledger.store import open_store

if TYPE_CHECKING:
    import argparse

EXAMPLE = 'campledger note "swapped the fridge plug"'
LONGEST = 500


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument("text", metavar="TEXT", help="at most 500 characters")


def run(args: argparse.Namespace) -> int:
    """Store a note under the clock's time."""
    text = " ".join(args.text.split())
    if not text or len(text) > LONGEST:
        raise InputError(
            Fault(
                file="note",
                field="TEXT",
                got=f"{len(text)} characters",
                expected=f"1 to {LONGEST}",
                effect="Nothing stored.",
            )
        )
    now = time.time()
    with open_store(store_path(args, create=True), "write", create=True) as store:
        number = store.add_entry("note", now, {"text": text})
    if args.json:
        print_json({"id": number, "time": iso(now), "text": text})
    else:
        print(f"Noted at {iso(now)} (this computer's clock).")
    return 0
