"""
Serve finished answers over plain http; never opens the store, loads no numbers.

Reading is open on the network that it listens on. What a phone writes is handed to the
scribe, which checks it again. Every request meets the same gate: host, rate, method.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import math
import subprocess
import sys
import time
from typing import TYPE_CHECKING, Any

from tornado.httpserver import HTTPServer
from tornado.web import Application, HTTPError

from campledger.app.page.gate import (
    TRY_COST,
    Gate,
    House,
    age_of,
    is_driving,
    now_of,
)
from campledger.app.page.limits import Doors
from campledger.app.page.places import (
    DRIVING,
    LIVE,
    TRIED,
)
from campledger.app.page.trying import read_change
from campledger.app.page.writing import BODY_MOST, Forget, Pair, Write
from campledger.present.phone import ask, shell
from campledger.present.phone.markup import section, text

if TYPE_CHECKING:
    from tornado.iostream import IOStream

log = logging.getLogger(__name__)

HEADER_MOST = 8192
SLOW = 10.0
"""A request that is not whole after this is dropped. [s]"""
EVERY = 600.0
"""Answers are worked out anew so often. [s] (asked)"""
EVENT_APART = 120.0
"""Events do not have the answers worked out more often than this. [s]"""
LOOK = 5.0
KINDS = {
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "icon.svg": "image/svg+xml",
}


class First(Gate):
    """The page."""

    def get(self) -> None:
        """Serve the last answer at once, with its age."""
        house, facts = self.house, self.house.facts()
        live = house.part(LIVE)
        if not live:
            house.worker.refresh()
            self.page(shell.waiting("The first answer is being worked out."), refresh=5)
            return
        if is_driving(house, facts) and self.get_query_argument("passenger", "") != "1":
            self.page(shell.driving(house.part(DRIVING)))
            return
        first, _, rest = live.partition("<!-- rest -->")
        paired = house.pairing.knows(self.token())
        forms = ask.writing(
            paired=paired,
            ready=house.pairing.ready(),
            proofs=str(facts.get("proofs", "")),
        )
        title = "Write" if paired else "Write from this phone"
        inside = (
            f"<main><h1>{text(house.name)}</h1>"
            f'<div id="live">{first}{shell.age_line(age_of(facts))}{rest}</div>'
            f"{section('write', title, forms)}</main>"
        )
        self.page(inside)


class Fresh(Gate):
    """What the script asks every 20 s."""

    def get(self) -> None:
        """Say which answer there is, and how old."""
        facts = self.house.facts()
        age = age_of(facts)
        self.set_header("Content-Type", "application/json")
        self.finish(
            json.dumps(
                {
                    "identity": str(facts.get("identity", "")),
                    "age_s": 0 if math.isnan(age) else round(age),
                    "driving": is_driving(self.house, facts),
                }
            )
        )


class Again(Gate):
    """Work the answers out on request."""

    cost = TRY_COST

    def get(self) -> None:
        """Start it, unless it was done a minute ago."""
        if self.house.worker.refresh():
            words = "It is being worked out; the last answer stays until then."
        else:
            words = "It was worked out within the last minute."
        self.page(shell.message(words))


class Try(Gate):
    """Work a change out; nothing is switched."""

    cost = TRY_COST

    def get(self) -> None:
        """Serve the result, or say that it is under way."""
        facts = self.house.facts()
        given = {
            name: [v.decode("utf-8", "replace") for v in values]
            for name, values in self.request.query_arguments.items()
        }
        part = "part" in given
        loads = facts.get("loads")
        try:
            change = read_change(given, loads if isinstance(loads, list) else [])
        except ValueError as error:
            self.set_status(400)
            self._send(f"<p>{text(str(error))}.</p>", part=part)
            return
        identity = str(facts.get("identity", ""))
        done = self.house.part(f"{TRIED}/{change.key(identity)}.html")
        if done:
            self._send(done, part=part)
            return
        state = self.house.worker.attempt(change, identity)
        if state == "failed":
            self._send("<p>Could not be worked out.</p>", part=part)
        elif state == "busy":
            self.set_status(503)
            self._send("<p>Others are asking; wait a moment.</p>", part=part, again=3)
        else:
            self.set_status(202)
            self._send("<p>Working it out.</p>", part=part, again=2)

    def _send(self, inside: str, *, part: bool, again: int = 0) -> None:
        if part:
            self.set_header("Content-Type", "text/html; charset=utf-8")
            self.finish(inside)
            return
        back = '<p><a class="button" href="/">Back</a></p>'
        self.page(f"<main>{inside}{back}</main>", refresh=again)


class Asset(Gate):
    """Style, script and icon."""

    cost = 0.5

    def get(self, name: str) -> None:
        """Serve one of three files."""
        self.set_header("Content-Type", KINDS[name])
        if self.request.query == shell.mark(name):
            self.set_header("Cache-Control", "max-age=31536000, immutable")
        else:
            self.set_header("Cache-Control", "max-age=3600")
        self.finish(shell.asset(name))


class Nothing(Gate):
    """Any other address."""

    def get(self) -> None:
        """
        Refuse.

        Raises
        ------
        HTTPError
            Always.
        """
        raise HTTPError(404)

    post = get


class Server(HTTPServer):
    """A server with bounds on connections: how many, and how long one lives."""

    doors: Doors
    sweeping: asyncio.TimerHandle | None = None

    def handle_stream(self, stream: IOStream, address: Any) -> None:  # noqa: ANN401
        """Let a connection in if there is room."""
        who = str(address[0]) if isinstance(address, tuple) else ""
        if not self.doors.enter(who, stream):
            stream.close()
            return
        if self.sweeping is None:
            self._sweep()
        super().handle_stream(stream, address)

    def _sweep(self) -> None:
        self.doors.sweep()
        again = bool(self.doors.inside)
        loop = asyncio.get_running_loop()
        self.sweeping = loop.call_later(LOOK, self._sweep) if again else None


def make_application(house: House) -> Application:
    """Lay out the addresses."""
    more = {"house": house}
    return Application(
        [
            (r"/", First, more),
            (r"/fresh", Fresh, more),
            (r"/again", Again, more),
            (r"/try", Try, more),
            (r"/(page\.css|page\.js|icon\.svg)", Asset, more),
            (r"/write", Write, more),
            (r"/pair", Pair, more),
            (r"/forget", Forget, more),
        ],
        default_handler_class=Nothing,
        default_handler_args=more,
        log_function=lambda _: None,
        compress_response=False,
        serve_traceback=False,
    )


def make_server(house: House) -> Server:
    """Make the server, not listening yet."""
    server = Server(
        make_application(house),
        max_header_size=HEADER_MOST,
        max_body_size=BODY_MOST,
        max_buffer_size=4 * HEADER_MOST,
        idle_connection_timeout=SLOW,
        body_timeout=SLOW,
        decompress_request=False,
    )
    server.doors = Doors()
    return server


def start_scribe(told: dict[str, str]) -> subprocess.Popen[bytes]:
    """Start the part that writes; it ends when our end of its input closes."""
    words = [sys.executable, "-m", "campledger.app.page.scribe", json.dumps(told)]
    return subprocess.Popen(  # noqa: S603  # our own words
        words, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL
    )


async def keep_going(house: House, told: dict[str, str], stop: asyncio.Event) -> None:
    """Keep the scribe alive and the answers fresh: by time, and after an event."""
    scribe = start_scribe(told)
    due, seen = -math.inf, now_of(house)
    try:
        while not stop.is_set():
            if scribe.poll() is not None:
                log.warning("the writing part ended with %d", scribe.returncode)
                scribe = start_scribe(told)
            now, found = time.monotonic(), now_of(house)
            event = found != seen and now >= due - EVERY + EVENT_APART
            if now >= due or event:
                due, seen = now + EVERY, found
                house.worker.refresh(force=True)
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), LOOK)
    finally:
        if scribe.stdin is not None:
            scribe.stdin.close()
        scribe.terminate()
        scribe.wait()
