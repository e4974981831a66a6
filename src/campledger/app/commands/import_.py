"""``campledger import``: bulk-load recordings."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

from campledger.app.clocks import clock_answer
from campledger.app.context import rig_path, store_path
from campledger.app.importing import Imported, import_files
from campledger.app.maps import make_opener, settings_of
from campledger.app.output import print_json
from campledger.errors import InputError
from campledger.formats.rigfile import read_rig
from campledger.store import open_store

if TYPE_CHECKING:
    import argparse

EXAMPLE = "campledger import trip7.csv --map recording.toml"
LINES_SHOWN = 40
SIDECARS = ("-wal", "-shm", ".import")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument("files", metavar="FILE", nargs="+", help="recordings")
    parser.add_argument("--map", metavar="FILE", help="how a foreign file is laid out")
    parser.add_argument(
        "--set",
        dest="settings",
        metavar="KEY=VALUE",
        action="append",
        default=[],
        help="answer one question of the map, e.g. current_sign=+in; voltage=none for "
        "a file without battery volts; clock=overlap or own for files whose clocks "
        "differ, or clock_offset_s=SECONDS that the clock is ahead",
    )
    parser.add_argument("--dry-run", action="store_true", help="read, store nothing")


def run(args: argparse.Namespace) -> int:
    """Import; say what became of every file."""
    rig = read_rig(rig_path(args))
    files = [Path(name) for name in args.files]
    opener, recorder = make_opener(args.map, args.settings, rig, confirm=_confirm)
    clock = clock_answer(settings_of(args.settings))
    path = store_path(args, create=True)
    fresh = not path.exists()
    opened = (
        nullcontext(None) if args.dry_run else open_store(path, "write", create=True)
    )
    try:
        with opened as store:
            done = import_files(
                store, rig, files, recorder=recorder, opener=opener, clock=clock
            )
    except InputError:
        if fresh and not args.dry_run:
            _forget(path)
        raise
    if args.json:
        print_json({"files": [_object(d) for d in done]})
        return 0
    for one in done:
        _tell(one)
    return 0


def _forget(path: Path) -> None:
    """Take away a store that was made for a file that was then refused."""
    with open_store(path) as store:
        if store.boots():
            return
    for name in (path.name, *(f"{path.name}{x}" for x in SIDECARS)):
        path.with_name(name).unlink(missing_ok=True)


def _confirm(shown: str) -> bool:
    """Show a proposed map; ask only where somebody can answer."""
    print(shown, file=sys.stderr)
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return True
    print("Load with this map? [Y/n] ", end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip().lower() in {"", "y", "yes"}


def _tell(one: Imported) -> None:
    for warning in one.warnings[:LINES_SHOWN]:
        print(warning, file=sys.stderr)
    more = len(one.warnings) - LINES_SHOWN
    if more > 0:
        print(f"{one.file}: {more} more lines of this kind.", file=sys.stderr)
    print(f"{one.file}: {one.sentence}")


def _object(one: Imported) -> dict[str, object]:
    return {
        "file": one.file,
        "rows": one.rows,
        "added": one.added,
        "present": one.present,
        "set_aside": one.set_aside,
        "missing_values": one.missing,
        "channels": list(one.channels),
        "warnings": [str(w) for w in one.warnings],
        "summary": one.sentence,
    }
