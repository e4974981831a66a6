"""
Pushed minutes of many rigs, summed in the time-series server that holds them.

Speaks the query interface that Prometheus made common (``/api/v1/query_range``); every
answer is one number for a rig and a day. A window of 59 s at each whole minute takes
each pushed minute once and never a stale one.
"""

from __future__ import annotations

import json
import math
import time
import urllib.error
import urllib.parse
import urllib.request
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from campledger.errors import Fault, InputError
from campledger.judge.fleet import PlaceTotal, RigAccount
from campledger.model.series import parse_channel

if TYPE_CHECKING:
    from campledger.model.series import FloatArray

PREFIX = "campledger_minutes_"
"""Measurement and field as the server joins them."""
DAY, HOURS = 86400.0, 60.0
LOOK_BACK = 730
"""Days before now in which a trip is looked for."""
HOLE = 3
"""Days without a reading that end a trip, as everywhere (72 h)."""
ANSWER_MOST = 64_000_000
TIMEOUT = 60.0
CURRENT, VOLTS = "current_house_a", "voltage_house_v"
PART = "sum by (rig) (sum_over_time({bound}(last_over_time({name}[59s]), 0)[1d:1m]))"


@dataclass(frozen=True, kw_only=True)
class Daily:
    """One number for each rig and day; NaN where the server has none."""

    days: FloatArray
    values: dict[str, FloatArray]


class Server:
    """Asks the server; one object, one address."""

    def __init__(self, address: str) -> None:
        self.address = address.rstrip("/")

    def names(self) -> list[str]:
        """Name the pushed series."""
        match = f'{{__name__=~"{PREFIX}.+"}}'
        found = self._ask("label/__name__/values", {"match[]": match})
        return sorted(str(n) for n in found if str(n).startswith(PREFIX))

    def daily(self, query: str, first: float, last: float) -> Daily:
        """Ask for one value a day; each stands for the day that ends there."""
        days = np.arange(first, last + 1.0, DAY)
        asked = {"query": query, "start": first, "end": last, "step": "86400"}
        # Points of days gone by arrive late; an answer kept from before lacks them.
        found = self._ask("query_range", {**asked, "nocache": "1"})
        values: dict[str, FloatArray] = {}
        for series in found.get("result", []):
            row = np.full(len(days), np.nan)
            for when, text in series.get("values", []):
                at = round((float(when) - first) / DAY)
                if 0 <= at < len(row):
                    row[at] = float(text)
            values[str(series.get("metric", {}).get("rig", "unnamed"))] = row
        return Daily(days=days, values=values)

    def _ask(self, what: str, fields: dict[str, Any]) -> Any:  # noqa: ANN401
        url = f"{self.address}/api/v1/{what}?{urllib.parse.urlencode(fields)}"
        try:
            with urllib.request.urlopen(url, timeout=TIMEOUT) as answer:  # noqa: S310
                text = answer.read(ANSWER_MOST + 1)
            said = json.loads(text)
            if said.get("status") != "success":
                why = str(said.get("error", "no success"))[:80]
                raise self.refused(why)
            return said["data"]
        except urllib.error.HTTPError as error:
            why = f"HTTP {error.code}"
            raise self.refused(why) from error
        except (OSError, ValueError, KeyError, AttributeError) as error:
            why = str(error)[:80]
            raise self.refused(why) from error

    def refused(self, got: str) -> InputError:
        """Say in a line why there is no page."""
        return InputError(
            Fault(
                file=self.address,
                field="/api/v1",
                got=got,
                expected="a time-series server that answers query_range",
                effect="No page written.",
            )
        )


def server_accounts(
    address: str, *, now: float | None = None
) -> tuple[list[RigAccount], list[str]]:
    """
    Make the account of every rig that pushed its minutes.

    Raises
    ------
    InputError
        The server does not answer such questions, or holds no pushed minutes.
    """
    server = Server(address)
    names = server.names()
    if not names:
        why = "no pushed minutes"
        raise server.refused(why)
    fields = {n.removeprefix(PREFIX) for n in names}
    counted = PREFIX + (CURRENT if CURRENT in fields else VOLTS)
    last = math.ceil((time.time() if now is None else now) / DAY) * DAY
    counts = server.daily(
        f"sum by (rig) (count_over_time({counted}[1d]))", last - LOOK_BACK * DAY, last
    )
    trips = {
        rig: run
        for rig, row in counts.values.items()
        if (run := _last_run(row)) is not None
    }
    if not trips:
        why = f"no readings in {LOOK_BACK} days"
        raise server.refused(why)
    first = float(counts.days[min(a for a, _ in trips.values())])
    lead = round((first - counts.days[0]) / DAY)
    tables = _tables(server, fields, first, last)
    accounts = [
        _account(
            rig, (a - lead, b - lead), counts.values[rig][a : b + 1], tables, first
        )
        for rig, (a, b) in trips.items()
    ]
    notes = [
        "Summed in the server from pushed minutes, by whole days UTC. Not pushed and "
        "so not known here: state of charge, capacity, resistance, findings."
    ]
    return accounts, notes


def _last_run(counts: FloatArray) -> tuple[int, int] | None:
    """Find the first and last day of the newest run of days with readings."""
    seen = np.flatnonzero(np.nan_to_num(counts) > 0)
    if not len(seen):
        return None
    breaks = np.flatnonzero(np.diff(seen) > HOLE)
    first = seen[breaks[-1] + 1] if len(breaks) else seen[0]
    return int(first), int(seen[-1])


def _tables(
    server: Server, fields: set[str], first: float, last: float
) -> dict[str, Daily]:
    out = {}
    if CURRENT in fields:
        name = PREFIX + CURRENT
        for key, bound in (("into", "clamp_min"), ("out", "clamp_max")):
            query = PART.format(bound=bound, name=name)
            out[key] = server.daily(query, first, last)
    if VOLTS in fields:
        query = f"min by (rig) (min_over_time({PREFIX}{VOLTS}[1d]))"
        out["volts"] = server.daily(query, first, last)
    for field in sorted(fields):
        channel = parse_channel(field)
        if channel is None or channel.quantity != "current" or channel.qualifier:
            continue
        if channel.place != "house":
            query = f"sum by (rig) (sum_over_time({PREFIX}{field}[1d]))"
            out[f"at {channel.place}"] = server.daily(query, first, last)
    return out


def _account(
    rig: str,
    run: tuple[int, int],
    counts: FloatArray,
    tables: dict[str, Daily],
    first: float,
) -> RigAccount:
    def part(key: str) -> FloatArray:
        table = tables.get(key)
        if table is None or rig not in table.values:
            return np.full(1, np.nan)
        return table.values[rig][run[0] : run[1] + 1]

    def total(key: str) -> float:
        values = part(key)
        return float(np.nansum(values)) / HOURS if _known(values) else math.nan

    volts = part("volts")
    places = [
        PlaceTotal(name=key.removeprefix("at "), charge=total(key))
        for key in tables
        if key.startswith("at ") and math.isfinite(total(key))
    ]
    return RigAccount(
        name=rig,
        kind="server",
        start_utc=first + (run[0] - 1) * DAY,
        end_utc=first + run[1] * DAY,
        covered=float(np.nansum(counts)) * 60.0 / (DAY * (run[1] - run[0] + 1)),
        into=total("into"),
        out=-total("out"),
        volts_min=float(np.nanmin(volts)) if _known(volts) else math.nan,
        places=tuple(places),
        missing=("state of charge: not pushed", "findings: need the store"),
    )


def _known(values: FloatArray) -> bool:
    return bool(np.isfinite(values).any())
