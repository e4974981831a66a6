"""The gate that every request passes: host, rate, method; and what handlers need."""

from __future__ import annotations

import contextlib
import logging
import math
import time
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

from tornado.web import HTTPError, RequestHandler

from campledger.app.page.limits import Rate
from campledger.app.page.pairing import Pairing, boot_time
from campledger.app.page.places import (
    FACTS,
    NOW,
    PAIRING,
    take_json,
)
from campledger.present.phone import shell

if TYPE_CHECKING:
    from pathlib import Path

    from campledger.app.page.worker import Worker

log = logging.getLogger(__name__)

DRIVING_OLD = 1200.0
"""What the answers say about driving counts no longer than this. [s]"""
LOOK_OLD = 120.0
WRITE_COST, TRY_COST = 4.0, 2.0
COOKIE = "page_phone"
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
