"""``campledger log``: the daemon, and the same path for a recording."""

from __future__ import annotations

import logging
import math
import signal
import sys
import time
from typing import TYPE_CHECKING

from campledger.app.clockwork import give_time, kernel_boot
from campledger.app.context import rig_path, store_path
from campledger.app.output import human_count, print_json
from campledger.app.times import iso, parse_time
from campledger.errors import Fault, InputError, StoreBusyError, StoreDamagedError
from campledger.formats.rigfile import read_rig
from campledger.store import StoreFullError, open_store, salvage

if TYPE_CHECKING:
    import argparse
    from pathlib import Path

    from campledger.app.daemon import Summary
    from campledger.app.wiring import Source
    from campledger.model.rig import Rig
    from campledger.store import Store

EXAMPLE = "campledger log --replay trip7.csv --pace 60"
AGAIN = 10.0
"""Seconds between tries to open a store on a full disk."""

log = logging.getLogger(__name__)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument(
        "--replay", metavar="FILE", help="a recording instead of the sensors"
    )
    parser.add_argument(
        "--pace",
        metavar="N",
        type=float,
        default=0.0,
        help="times real time (default 0: as fast as possible)",
    )
    parser.add_argument(
        "--time-is",
        metavar="T",
        help="log nothing: give the running boot the true time, e.g. 2026-05-01T17:02",
    )
    parser.add_argument(
        "--sure",
        action="store_true",
        help="take that time although other evidence differs",
    )


def run(args: argparse.Namespace) -> int:
    """Log until stopped, or replay until the end."""
    rig = read_rig(rig_path(args))
    path = store_path(args, create=True)
    if args.time_is:
        return _give_time(args, rig, path)
    logging.basicConfig(
        level=logging.INFO, stream=sys.stderr, format="campledger: %(message)s"
    )
    # The scheduler tells every job; only trouble matters here.
    logging.getLogger("apscheduler").setLevel(logging.ERROR)
    if args.replay:
        return _replay(args, rig, path)
    return _live(args, rig, path)


def _stop_on_signals(source: Source) -> None:
    def stop(*_: object) -> None:
        source.stop.set()

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)


def _replay(args: argparse.Namespace, rig: Rig, path: Path) -> int:
    from pathlib import Path  # noqa: PLC0415

    from campledger.app.daemon import Daemon  # noqa: PLC0415
    from campledger.app.wiring import replay_source  # noqa: PLC0415
    from campledger.formats.recording import read_recording  # noqa: PLC0415

    if not (math.isfinite(args.pace) and args.pace >= 0.0):
        raise InputError(
            Fault(
                file="log",
                field="--pace",
                got=f"{args.pace}",
                expected="0 or more",
                effect="Nothing replayed.",
            )
        )
    recording = read_recording(Path(args.replay), keep_rejected=False)
    if recording is None:
        raise InputError(
            Fault(
                file=args.replay,
                field="header",
                got="a foreign recording",
                expected="the native form",
                effect="Import it with a map first, and export it.",
            )
        )
    with open_store(path, "daemon", create=True) as store:
        if store.has_live():
            raise InputError(
                Fault(
                    file=path.name,
                    field="store",
                    got="live readings",
                    expected="a store without them",
                    effect="Nothing replayed; name another with --store.",
                )
            )
        source = replay_source(
            recording,
            name=recording.path.name,
            pace=args.pace,
            sampling=recording.layout.sampling or rig.sampling,
        )
        _stop_on_signals(source)
        done = Daemon(rig, store, source).run()
    _tell_replay(args, done)
    return 0


def _tell_replay(args: argparse.Namespace, done: Summary) -> None:
    if args.json:
        print_json(
            {
                "file": args.replay,
                "rows": done.rows,
                "boots": done.boots,
                "already_present": done.late,
            }
        )
        return
    more = f", {human_count(done.late)} already present" if done.late else ""
    boots = "1 boot" if done.boots == 1 else f"{done.boots} boots"
    print(f"{args.replay}: {human_count(done.rows)} rows replayed, {boots}{more}.")


def _live(args: argparse.Namespace, rig: Rig, path: Path) -> int:
    from campledger.app.chores import Actor, Chores, chores_of  # noqa: PLC0415
    from campledger.app.daemon import Daemon, Surroundings  # noqa: PLC0415
    from campledger.app.wiring import live_source  # noqa: PLC0415

    source = live_source(rig, kernel_boot() or f"boot {time.time() - _uptime():.0f}")
    _stop_on_signals(source)
    store = _open(path, source)
    if store is None:
        return 0
    with store:
        around = Surroundings(
            chores=Chores(
                chores_of(rig, rig_path(args).resolve(), path.resolve()),
                zone=rig.timezone,
                store=path,
            ),
            actor=Actor(rig.logger.act_command),
        )
        Daemon(rig, store, source, around).run()
    return 0


def _uptime() -> float:
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def _open(path: Path, source: Source) -> Store | None:
    """Open the store; a damaged one is mended, a full disk is waited out."""
    from campledger.app.status import Manager, write_status  # noqa: PLC0415

    manager = Manager()
    since = _uptime()
    while not source.stop.is_set():
        try:
            return open_store(path, "daemon", create=True)
        except StoreDamagedError as error:
            log.error("%s", error)  # noqa: TRY400
            log.warning("%s", salvage(path))
        except (StoreFullError, StoreBusyError) as error:
            if isinstance(error, StoreBusyError) and "another daemon" in str(error):
                raise
            for poller in source.pollers:
                if poller.ident is None:
                    poller.start()
            text = f"NOT SAVED for {_uptime() - since:.0f} s: {error}"
            log.error("%s", text)  # noqa: TRY400
            manager.tell("READY=1", "WATCHDOG=1", f"STATUS={text}")
            write_status(
                {
                    "uptime_s": _uptime(),
                    "text": text,
                    "saving": False,
                }
            )
            source.stop.wait(AGAIN)
    return None


def _give_time(args: argparse.Namespace, rig: Rig, path: Path) -> int:
    now = parse_time(
        args.time_is, option="--time-is", zone=rig.timezone, base=time.time()
    )
    with open_store(path, "write") as store:
        boot = give_time(
            store,
            time_utc=now,
            uptime=_uptime(),
            kind="typed",
            recorder=rig.name,
            identity=kernel_boot(),
            source="command line",
            sure=args.sure,
        )
    if args.json:
        print_json({"boot": boot.number, "start": iso(now - _uptime())})
        return 0
    print(f"Boot {boot.number} is dated by you: it began {iso(now - _uptime())}.")
    return 0
