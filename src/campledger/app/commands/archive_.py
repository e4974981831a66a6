"""``campledger archive``: a whole trip in one file, and opening one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from campledger.app.archive import Archived, write_archive
from campledger.app.archive_open import open_archive
from campledger.app.commands.statement_ import add_span
from campledger.app.context import choose_trip, rig_path, session
from campledger.app.output import human_count, print_json
from campledger.app.times import iso
from campledger.errors import Fault, InputError

if TYPE_CHECKING:
    import argparse

EXAMPLE = "campledger archive trip7.zip"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument(
        "file", metavar="FILE", nargs="?", help="write the archive here"
    )
    parser.add_argument("--open", metavar="FILE", help="open an archive instead")
    parser.add_argument("--out", metavar="DIR", help="with --open: a new folder")
    add_span(parser)
    parser.add_argument("--whole", action="store_true", help="the whole store")
    parser.add_argument("--plan", metavar="FILE", help="put this plan in")
    parser.add_argument("--map", metavar="FILE", help="put this map file in")
    parser.add_argument(
        "--with-places",
        action="store_true",
        help="let names and exact coordinates out (else 0.1 degree, and no names)",
    )
    parser.add_argument(
        "--with-notes", action="store_true", help="let notes and typed words out"
    )


def run(args: argparse.Namespace) -> int:
    """Write or open."""
    if (args.file is None) == (args.open is None) or bool(args.open) != bool(args.out):
        raise InputError(
            Fault(
                file="archive",
                field="command line",
                got="neither or both",
                expected="FILE to write, or --open FILE --out DIR",
                effect="Nothing done.",
            )
        )
    if args.open is not None:
        return _open(args)
    out = Path(args.file)
    rig_file = rig_path(args)
    with session(args) as s:
        chosen = choose_trip(s, args)
        done = write_archive(
            out,
            s.store,
            rig_file,
            chosen.trip,
            whole=args.whole,
            leave_places=args.with_places,
            leave_notes=args.with_notes,
            map_file=Path(args.map) if args.map else None,
            plan_file=Path(args.plan) if args.plan else None,
        )
    if args.json:
        print_json(_object(out, done))
        return 0
    print(
        f"{out}: {done.trip}, {human_count(done.rows)} rows, {done.size / 1e6:.1f} MB."
    )
    if not args.with_places:
        print(f'Names left out (the rig is "{done.rig}"), coordinates to 0.1 degree.')
    if not args.with_notes:
        print("Notes left out.")
    return 0


def _open(args: argparse.Namespace) -> int:
    out = Path(args.out)
    done = open_archive(Path(args.open), out)
    if args.json:
        print_json(_object(out, done))
        return 0
    print(f"{args.open}: {done.trip} of {done.rig}, {human_count(done.rows)} rows.")
    print(
        f"Look at it with: campledger statement --rig {out / 'rig.toml'} "
        f"--store {out / 'campledger.db'}"
    )
    return 0


def _object(out: Path, done: Archived) -> dict[str, object]:
    return {
        "file": str(out),
        "rig": done.rig,
        "trip": done.trip,
        "start": iso(done.start_utc),
        "end": iso(done.end_utc),
        "rows": done.rows,
        "members": list(done.members),
        "size_bytes": done.size,
    }
