"""``campledger backup``: a safe copy of the store while the daemon runs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from campledger.app.context import store_path
from campledger.app.output import print_json
from campledger.store import open_store

if TYPE_CHECKING:
    import argparse

EXAMPLE = "campledger backup /media/stick/campledger-2026-05.db"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument("file", metavar="FILE", help="write the copy here")


def run(args: argparse.Namespace) -> int:
    """Copy the store."""
    path, target = store_path(args), Path(args.file)
    with open_store(path) as store:
        store.backup(target)
    size = target.stat().st_size
    if args.json:
        print_json({"store": str(path), "file": str(target), "size_bytes": size})
    else:
        print(f"Copied {path} to {target} ({size / 1e6:.1f} MB).")
    return 0
