"""``campledger page``: the local page for a phone at camp."""

from __future__ import annotations

import argparse
import json
import os
import sys
from typing import TYPE_CHECKING

from campledger.app.context import rig_path, store_path
from campledger.app.output import print_json
from campledger.app.page.network import (
    address_of,
    hosts_of,
    is_loopback,
    network_name,
    split_listen,
)
from campledger.app.page.pairing import Pairing
from campledger.app.page.places import PAIRING, hand_over, make_folder, page_folder
from campledger.formats.rigfile import read_rig

if TYPE_CHECKING:
    from pathlib import Path

    from campledger.model.rig import Rig

EXAMPLE = "campledger page --address"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument(
        "--address", action="store_true", help="print address, network and a QR code"
    )
    parser.add_argument(
        "--new-code",
        action="store_true",
        help="make the pairing code for the box's label; all phones pair again",
    )
    parser.add_argument("--at", metavar="TIME", help="answer as of then, to look at it")
    parser.add_argument("--write-answers", metavar="DIR", help=argparse.SUPPRESS)
    parser.add_argument("--change", metavar="JSON", help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> int:
    """Serve, or one of the small things."""
    if args.write_answers:
        from campledger.app.page.answering import run as work_out  # noqa: PLC0415

        return work_out(args)
    rig = read_rig(rig_path(args))
    if args.address:
        return _address(args, rig)
    store = store_path(args).resolve()
    folder = make_folder(page_folder(store))
    if args.new_code:
        return _new_code(args, store, folder)
    return _serve(args, rig, store, folder)


def _address(args: argparse.Namespace, rig: Rig) -> int:
    import segno  # noqa: PLC0415

    address, network = address_of(rig.page_listen), network_name()
    if args.json:
        print_json({"address": address, "network": network or None})
        return 0
    print(f"Address  {address}")
    print(f"Network  {network or 'not known on this computer'}")
    if is_loopback(rig.page_listen):
        print("Only this computer reaches it until [page] listen names an address.")
    else:
        segno.make_qr(address, error="m").terminal(out=sys.stdout, compact=True)
    return 0


def _new_code(args: argparse.Namespace, store: Path, folder: Path) -> int:
    code = Pairing(path=folder / PAIRING).new_code()
    hand_over(folder, store)
    if args.json:
        print_json({"code": code})
        return 0
    print(f"Code for the label on the box:  {code[:4]} {code[4:]}")
    print("It is not shown again. Phones paired before must pair again.")
    return 0


def _serve(args: argparse.Namespace, rig: Rig, store: Path, folder: Path) -> int:
    host, port = split_listen(rig.page_listen)
    told = {
        "folder": str(folder),
        "rig": str(rig_path(args).resolve()),
        "store": str(store),
        "name": rig.name,
        "address": host,
        "port": str(port),
        "hosts": " ".join(sorted(hosts_of(rig.page_listen))),
        "network": network_name(),
        "at": args.at or "",
    }
    print(
        f"campledger page: {address_of(rig.page_listen)}", file=sys.stderr, flush=True
    )
    # A process that serves needs none of what was loaded to read the rig.
    words = [sys.executable, "-m", "campledger.app.page", json.dumps(told)]
    os.execv(sys.executable, words)  # noqa: S606  # our own words
