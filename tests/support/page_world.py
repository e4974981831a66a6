"""A page with invented answers, served on loopback by the real server and scribe."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from tests.support.answers import OFFSET, invented_enough
from tests.support.report_trip import invented_trip

from campledger.app.page.gate import House
from campledger.app.page.limits import Rate
from campledger.app.page.pairing import Pairing, boot_time
from campledger.app.page.places import (
    DRIVING,
    FACTS,
    LIVE,
    PAIRING,
    TRIED,
    make_folder,
    put,
    put_json,
)
from campledger.app.page.scribe import Desk, serve
from campledger.app.page.server import make_server
from campledger.present.phone import account, ask, lines
from campledger.present.phone.markup import section
from campledger.store import Rows, Window, open_store

if TYPE_CHECKING:
    from campledger.app.page.trying import Change

RIG_TEXT = """
[rig]
name = "Demo van"
timezone = "Australia/Darwin"
[house]
chemistry = "agm"
capacity_rated_ah = 100
[load.fridge]
kind = "fridge"
[load.inverter]
kind = "inverter"
"""
LOADS = ("fridge", "inverter", "lights")


class FakeWorker:
    """Works changes out at once, from the invented answer."""

    def __init__(self, folder):
        self.folder, self.refreshed, self.asked = folder, 0, []

    def refresh(self, *, force=False):
        self.refreshed += 1
        return force or self.refreshed == 1

    def attempt(self, change: Change, identity):
        self.asked.append(change)
        said = invented_enough(verdict="too_close")
        put(
            self.folder / TRIED / f"{change.key(identity)}.html",
            lines.tried(said, ["as asked"]),
        )
        return "waiting"


def write_parts(folder, answer=None, *, driving=False, days=4):
    """Put invented answers where the page finds them."""
    make_folder(folder)
    answer = answer or invented_enough()
    *_, statement = invented_trip(days=days, dt=600.0)
    rest = "".join(
        (
            ask.try_it(LOADS),
            section("today", "Today's account", account.today(statement)),
            section("lows", "Low point of each day", account.strip(statement)),
            section("notes", "Notes", ask.notes([(answer.at, "<b>x</b>")], OFFSET)),
        )
    )
    first = lines.four_lines(answer, clock="your phone's time")
    put(folder / LIVE, f"{first}\n<!-- rest -->\n{rest}")
    put(folder / DRIVING, lines.one_line(answer))
    put_json(
        folder / FACTS,
        {
            "identity": "a1",
            "at": answer.at,
            "uptime": boot_time(),
            "written": time.time(),
            "driving": driving,
            "loads": list(LOADS),
            "proofs": "",
        },
    )


def make_store(path):
    """Make a store with a minute of live readings of a running boot."""
    with open_store(path, "daemon", create=True) as store:
        boot = store.begin_boot("Demo van", identity="x")
        seconds = np.arange(1.0, 61.0)
        values = {"voltage_house_v": np.full(60, 12.6)}
        rows = Rows(uptime=seconds, values=values, wall=1.8e9 + seconds)
        store.append_window(Window(boot=boot.id, rows=(rows,)))
        store.seal(boot.id)
    return path


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class World:
    """The folder, the store, a code and the address of a running page."""

    def __init__(self, root: Path, *, burst=40.0):
        self.folder = make_folder(root / "van.page")
        self.rig = root / "rig.toml"
        self.rig.write_text(RIG_TEXT, encoding="utf-8")
        self.store = make_store(root / "van.db")
        self.code = Pairing(path=self.folder / PAIRING).new_code()
        self.port = free_port()
        self.host = f"127.0.0.1:{self.port}"
        self.url = f"http://{self.host}/"
        self.worker = FakeWorker(self.folder)
        self.house = House(
            folder=self.folder,
            name='Demo van <script>alert("x")</script>',
            hosts=frozenset({self.host, f"localhost:{self.port}"}),
            worker=self.worker,
            network="Van net",
            rate=Rate(burst=burst, a_second=burst / 4),
        )
        self._stop = threading.Event()
        self._up = threading.Event()
        self._threads = [
            threading.Thread(target=self._scribe, daemon=True),
            threading.Thread(target=self._serve, daemon=True),
        ]

    def _scribe(self):
        desk = Desk(
            rig_name="Demo van", rig=self.rig, store=self.store, folder=self.folder
        )
        serve(desk, self._stop)

    def _serve(self):
        async def main():
            server = make_server(self.house)
            server.listen(self.port, address="127.0.0.1")
            self._up.set()
            while not self._stop.is_set():
                await asyncio.sleep(0.05)
            server.stop()
            await server.close_all_connections()

        asyncio.run(main())

    def __enter__(self):
        for thread in self._threads:
            thread.start()
        assert self._up.wait(10)
        return self

    def __exit__(self, *_):
        self._stop.set()
        for thread in self._threads:
            thread.join(10)

    def notes(self):
        with open_store(self.store) as store:
            return [e.body["text"] for e in store.entries("note")]


@contextlib.contextmanager
def page_process(rig, store, port):
    """Run ``campledger page`` as it is installed, on a port of loopback."""
    text = Path(rig).read_text(encoding="utf-8")
    own = Path(store).with_name("page_rig.toml")
    own.write_text(f'{text}\n[page]\nlisten = "127.0.0.1:{port}"\n', encoding="utf-8")
    words = ["--rig", str(own), "--store", str(store)]
    running = subprocess.Popen(
        [sys.executable, "-m", "campledger", "page", *words],
        stderr=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
    )
    try:
        yield running
    finally:
        running.terminate()
        running.wait(20)
