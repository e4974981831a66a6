"""Writes of a phone: checked here, handed to the scribe, which checks them again."""

from __future__ import annotations

import asyncio
import json
from typing import Any

from tornado.web import HTTPError

from campledger.app.page.gate import COOKIE, WRITE_COST, Gate
from campledger.app.page.places import (
    SOCKET,
)

BODY_MOST = 1024
"""Largest write. [byte] (asked)"""
COOKIE_DAYS = 400


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
