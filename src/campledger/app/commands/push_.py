"""``campledger push``: readings to a time-series server, resumable."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

from campledger.app.context import rig_path, store_path
from campledger.app.output import Progress, human_count, print_json
from campledger.errors import Fault, InputError
from campledger.formats.rigfile import read_rig
from campledger.store import open_store

if TYPE_CHECKING:
    import argparse
    from pathlib import Path

    from campledger.app.push import Pushed

EXAMPLE = "campledger push --rig rig.toml --store campledger.db"
LIVE = 600.0
"""Newest reading younger than this: the logger runs. [s] Contract, section 0."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument(
        "--all", action="store_true", help="every reading instead of minute means"
    )
    parser.add_argument(
        "--patience",
        metavar="S",
        type=float,
        default=60.0,
        help="seconds that one batch may take with its retries (default 60)",
    )


def run(args: argparse.Namespace) -> int:
    """Push what waits; nothing is lost if the server is not there."""
    from campledger.app.push import (  # noqa: PLC0415
        Writer,
        destination_of,
        push_all,
        read_token,
    )

    if not 0.0 < args.patience < 1e6:
        raise InputError(
            Fault(
                file="push",
                field="--patience",
                got=f"{args.patience:g} s",
                expected="more than 0",
                effect="Nothing pushed.",
            )
        )
    rig = read_rig(rig_path(args))
    path = store_path(args)
    destination = destination_of(rig, "readings" if args.all else "minutes")
    writer = Writer(destination, read_token(rig.push), patience=args.patience)
    progress = Progress("push")
    try:
        done = push_all(
            path,
            rig,
            destination,
            writer,
            live=_runs(path),
            told=lambda d: progress.show(f"{human_count(d.points)} points"),
        )
    finally:
        progress.done()
        writer.close()
    _tell(args, done)
    return 1 if done.differing else 0


def _runs(path: Path) -> bool:
    with open_store(path) as store:
        span = store.span()
    return span is not None and abs(time.time() - span[1]) < LIVE


def _tell(args: argparse.Namespace, done: Pushed) -> None:
    for line in (*done.notes, *done.differing):
        print(f"push: {line}", file=sys.stderr)
    if args.json:
        print_json(
            {
                "points": done.points,
                "batches": done.batches,
                "retries": done.retries,
                "compared": done.compared,
                "differing": done.differing,
                "not_compared": done.not_compared or None,
                "notes": done.notes,
            }
        )
        return
    read_back = done.not_compared
    if done.compared:
        read_back = f"{human_count(done.compared)} read back"
        read_back += ", all the same" if not done.differing else ", some differ"
    text = f"{human_count(done.points)} points pushed in {done.batches} batches"
    print(f"{text}; {read_back}." if read_back else f"{text}.")
