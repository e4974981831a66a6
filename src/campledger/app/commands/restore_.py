"""``campledger restore``: bring a copy of the store back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from campledger.app.context import store_path
from campledger.app.output import print_json
from campledger.errors import Fault, InputError
from campledger.store import open_store

if TYPE_CHECKING:
    import argparse

EXAMPLE = "campledger restore /media/stick/campledger-2026-05.db --store new.db"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument("file", metavar="FILE", help="the copy")


def run(args: argparse.Namespace) -> int:
    """Copy back, never over a store that holds something."""
    source, path = Path(args.file), store_path(args, create=True)
    if not source.exists():
        raise InputError(
            Fault(
                file=str(source),
                field="file",
                got="no such file",
                expected="a copy made by backup",
                effect="Nothing done.",
            )
        )
    if path.exists():
        raise InputError(
            Fault(
                file=str(path),
                field="store",
                got="a store that exists",
                expected="a new name (--store) or a moved store",
                effect="Nothing done; nothing overwritten.",
            )
        )
    with open_store(source) as store:
        store.check()
        store.backup(path)
    if args.json:
        print_json({"file": str(source), "store": str(path)})
    else:
        print(f"Restored {source} to {path}; every check sum was right.")
    return 0
