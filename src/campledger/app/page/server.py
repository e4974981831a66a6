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
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

from tornado.httpserver import HTTPServer
from tornado.web import Application, HTTPError, RequestHandler

from campledger.app.page.limits import Doors, Rate
from campledger.app.page.pairing import Pairing, boot_time
from campledger.app.page.places import (
    DRIVING,
    FACTS,
    LIVE,
    NOW,
    PAIRING,
    SOCKET,
    TRIED,
    take_json,
)
from campledger.app.page.trying import read_change
from campledger.present.phone import ask, shell
from campledger.present.phone.markup import section, text

if TYPE_CHECKING:
    from pathlib import Path

    from tornado.iostream import IOStream

    from campledger.app.page.worker import Worker

log = logging.getLogger(__name__)

BODY_MOST = 1024
"""Largest write. [byte] (asked)"""
HEADER_MOST = 8192
SLOW = 10.0
"""A request that is not whole after this is dropped. [s]"""
EVERY = 600.0
"""Answers are worked out anew so often. [s] (asked)"""
EVENT_APART = 120.0
"""Events do not have the answers worked out more often than this. [s]"""
LOOK = 5.0
DRIVING_OLD = 1200.0
"""What the answers say about driving counts no longer than this. [s]"""
LOOK_OLD = 120.0
WRITE_COST, TRY_COST = 4.0, 2.0
COOKIE = "page_phone"
COOKIE_DAYS = 400
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; "
        "frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
KINDS = {
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "icon.svg": "image/svg+xml",
}


@dataclass(kw_only=True)
class House:
    """What every handler needs."""

    folder: Path
    name: str
    hosts: frozenset[str]
    worker: Worker
    network: str = ""
    rate: Rate = field(default_factory=Rate)
    pairing: Pairing = field(init=False)
    faults: int = 0

    def __post_init__(self) -> None:
        """Find the pairing file."""
        self.pairing = Pairing(path=self.folder / PAIRING)

    def facts(self) -> dict[str, Any]:
        """Give what is known about the answer that is there."""
        return take_json(self.folder / FACTS)

    def part(self, name: str) -> str:
        """Give a finished part, empty if there is none yet."""
        try:
            return (self.folder / name).read_text(encoding="utf-8")
        except OSError:
            return ""


def age_of(facts: dict[str, Any]) -> float:
    """Give the age of an answer on the boot-time clock, else by the wall clock. [s]"""
    uptime = facts.get("uptime")
    if not isinstance(uptime, (int, float)):
        return math.nan
    age = boot_time() - uptime
    written = facts.get("written")
    wall = time.time() - written if isinstance(written, (int, float)) else age
    # After a restart the boot-time clock began anew: it cannot be younger than that.
    return age if age >= 0.0 and age <= max(wall, 0.0) + 120.0 else max(wall, 0.0)


def now_of(house: House) -> dict[str, Any]:
    """Give what the scribe saw at its last look; empty if that is long ago."""
    found = take_json(house.folder / NOW)
    uptime = found.pop("uptime", None)
    fresh = isinstance(uptime, (int, float)) and 0 <= boot_time() - uptime < LOOK_OLD
    return found if fresh else {}


def is_driving(house: House, facts: dict[str, Any]) -> bool:
    """Tell whether the vehicle moves: the newest look, else the answers' word."""
    now = now_of(house)
    if now:
        return bool(now.get("driving"))
    return bool(facts.get("driving")) and age_of(facts) < DRIVING_OLD


class Gate(RequestHandler):
    """The gate that every request passes."""

    house: House
    cost = 1.0

    def initialize(self, house: House) -> None:
        """Keep what handlers need."""
        self.house = house

    def set_default_headers(self) -> None:
        """Set what protects the reader, on refusals too."""
        self.clear_header("Server")
        for name, value in HEADERS.items():
            self.set_header(name, value)

    def prepare(self) -> None:
        """
        Refuse a wrong host, a client that asks too often, and odd methods.

        Raises
        ------
        HTTPError
            Refused.
        """
        address = self.request.remote_ip or ""
        if not self.house.rate.allow(address, self.cost):
            raise HTTPError(429)
        if self.request.host.lower() not in self.house.hosts:
            raise HTTPError(421)
        if self.request.method not in {"GET", "HEAD", "POST"}:
            raise HTTPError(405)

    def write_error(self, status_code: int, **_: object) -> None:
        """Say the least."""
        with contextlib.suppress(ValueError):
            self.set_status(status_code, HTTPStatus(status_code).phrase)
        self.set_header("Content-Type", "text/plain; charset=utf-8")
        self.finish(f"{status_code}\n")

    def log_exception(self, kind: Any, value: Any, trace: Any) -> None:  # noqa: ANN401
        """Count our own faults; nothing of a request goes into the log."""
        if isinstance(value, HTTPError):
            return
        self.house.faults += 1
        if self.house.faults in {1, 10, 100, 1000}:
            log.error("page handler: %s, %d so far", kind.__name__, self.house.faults)

    def head(self, *words: str) -> None:
        """Answer like a read; the server leaves the body out."""
        self.get(*words)

    def token(self) -> str:
        """Give the phone's cookie, empty if it has none."""
        with contextlib.suppress(Exception):
            return self.get_cookie(COOKIE) or ""
        return ""

    def page(self, inside: str, *, refresh: int = 0) -> None:
        """Send a whole page."""
        facts = self.house.facts()
        self.set_header("Content-Type", "text/html; charset=utf-8")
        age = age_of(facts)
        self.finish(
            shell.whole_page(
                inside,
                name=self.house.name,
                network=self.house.network,
                identity=str(facts.get("identity", "")),
                age=0.0 if math.isnan(age) else age,
                refresh=refresh,
            )
        )


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


class Write(Gate):
    """Hand a write to the scribe; the cookie goes with it, nothing else."""

    cost = WRITE_COST
    do = "write"

    def check_xsrf_cookie(self) -> None:
        """Not by cookie: origin, own header and a strict cookie stand for it."""

    def get(self) -> None:
        """
        Refuse.

        Raises
        ------
        HTTPError
            Always.
        """
        raise HTTPError(405)

    async def post(self) -> None:
        """Check the envelope, ask the scribe, pass on what it says."""
        asked = self._read()
        message = {**asked, "do": self.do, "token": self.token()}
        said = await self._scribe(message)
        token = said.pop("token", None)
        if isinstance(token, str):
            self.set_cookie(
                COOKIE,
                token,
                expires_days=COOKIE_DAYS,
                httponly=True,
                samesite="Strict",
                path="/",
            )
        if self.do == "forget":
            self.clear_cookie(COOKIE, path="/", httponly=True, samesite="Strict")
        if said.pop("changed", False):
            self.house.worker.refresh(force=True)
        self.set_status(int(said.pop("status", 500)))
        self.set_header("Content-Type", "application/json")
        self.finish(json.dumps(said))

    def _read(self) -> dict[str, object]:
        headers = self.request.headers
        kind = headers.get("Content-Type", "").split(";")[0].strip().lower()
        if kind != "application/json":
            raise HTTPError(415)
        if headers.get("Origin", "").lower() != f"http://{self.request.host.lower()}":
            raise HTTPError(403)
        if headers.get("X-Page-Write") != "1":
            raise HTTPError(403)
        if headers.get("Sec-Fetch-Site", "same-origin") != "same-origin":
            raise HTTPError(403)
        if len(self.request.body) > BODY_MOST:
            raise HTTPError(413)
        try:
            asked = json.loads(self.request.body.decode("utf-8"))
        except (ValueError, RecursionError):
            raise HTTPError(400) from None
        if not isinstance(asked, dict):
            raise HTTPError(400)
        return asked

    async def _scribe(self, message: dict[str, object]) -> dict[str, Any]:
        away = {"status": 503, "text": "Not kept: the writing part is not there."}
        try:
            async with asyncio.timeout(20.0):
                path = str(self.house.folder / SOCKET)
                reader, writer = await asyncio.open_unix_connection(path)
                try:
                    writer.write(json.dumps(message).encode() + b"\n")
                    raw = await reader.readline()
                finally:
                    writer.close()
            said = json.loads(raw)
        except (OSError, ValueError, TimeoutError):
            return away
        return said if isinstance(said, dict) else away


class Pair(Write):
    """Pair this phone by the code on the label."""

    do = "pair"


class Forget(Write):
    """Let go of this phone."""

    do = "forget"


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
