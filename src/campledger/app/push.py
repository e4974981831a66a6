"""
To a time-series server: one synchronous writer over `pushing`'s batches.

The client never queues, since its queue loses points without a word; the store is the
queue. The token is read from a file or a variable and goes nowhere else.
"""

from __future__ import annotations

import math
import os
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from campledger.app.pushing import (
    MEASUREMENT,
    Batch,
    Cursor,
    Destination,
    batches,
    redated,
)
from campledger.app.times import iso
from campledger.errors import CampledgerError, Fault, InputError
from campledger.store import open_store

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from campledger.model.rig import PushSettings, Rig

TOKEN_VARIABLE = "CAMPLEDGER_PUSH_TOKEN"  # noqa: S105  # the name, not the token
TIMEOUT = 20_000
"""Longest wait for an answer. [ms] Common practice, no source."""
FIRST_WAIT, LONGEST_WAIT = 1.0, 60.0
"""Back-off after a failed write. [s] Common practice, no source."""
TOO_LARGE, TOO_MANY = 413, 429
AGAIN = frozenset({408, TOO_MANY, 500, 502, 503, 504})
"""Answers that may be otherwise later."""
SAME = 1e-6
"""Sums read back may differ by this share: another order of adding."""


class UnreachableError(CampledgerError):
    """The server did not take a batch in the time given; the cursor stands."""


@dataclass(kw_only=True)
class Pushed:
    """What a run did."""

    points: int = 0
    batches: int = 0
    retries: int = 0
    seconds: float = 0.0
    compared: int = 0
    differing: list[str] = field(default_factory=list)
    not_compared: str = ""
    notes: list[str] = field(default_factory=list)


def read_token(settings: PushSettings) -> str:
    """
    Find the token: the file named in the rig, else the variable.

    Raises
    ------
    InputError
        The file cannot be read.
    """
    if not settings.token_file:
        return os.environ.get(TOKEN_VARIABLE, "")
    try:
        return Path(settings.token_file).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            Fault(
                file="rig",
                field="push.token_file",
                got=f"{settings.token_file}, which cannot be read",
                expected=f"a file with the token, or {TOKEN_VARIABLE}",
                effect="Nothing pushed.",
            )
        ) from error


def destination_of(rig: Rig, stream: str) -> Destination:
    """
    Say where to push to.

    Raises
    ------
    InputError
        The rig names no server.
    """
    settings = rig.push
    missing = [k for k in ("url", "bucket") if not getattr(settings, k)]
    if missing:
        raise InputError(
            *(
                Fault(
                    file="rig",
                    field=f"push.{key}",
                    got="none",
                    expected="a server's address" if key == "url" else "a bucket",
                    effect="Nothing pushed.",
                )
                for key in missing
            )
        )
    return Destination(
        url=settings.url, org=settings.org, bucket=settings.bucket, stream=stream
    )


class Writer:
    """
    The client's end: writes a batch or says why not, and asks what is there.

    Parameters
    ----------
    destination : Destination
        Where to.
    token : str
        Sent, never shown.
    patience : float
        Seconds that one batch may take with all its retries.
    """

    def __init__(
        self,
        destination: Destination,
        token: str,
        *,
        patience: float,
        sleep: Callable[[float], None] = time.sleep,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self.destination = destination
        self.patience = patience
        self.sleep, self.now = sleep, now
        self.retries = 0
        self.client: Any = InfluxDBClient(
            url=destination.url,
            token=token or "none",
            org=destination.org or "-",
            timeout=TIMEOUT,
            enable_gzip=True,
        )
        self.api: Any = self.client.write_api(write_options=SYNCHRONOUS)

    def close(self) -> None:
        """Let go of the connection."""
        self.api.close()
        self.client.close()

    def write(self, lines: bytes) -> None:
        """
        Write lines; waits and tries again while that may help.

        Raises
        ------
        UnreachableError
            The server did not answer as it should within the patience.
        InputError
            The server refuses: token, bucket or the points themselves.
        """
        end = self.now() + self.patience
        wait = FIRST_WAIT
        while True:
            try:
                self.api.write(
                    bucket=self.destination.bucket, record=lines, write_precision="ms"
                )
            except ApiException as error:
                if error.status == TOO_LARGE and b"\n" in lines:
                    self._halves(lines)
                    return
                if error.status not in AGAIN:
                    raise self._refused(error) from None
                asked = _retry_after(error)
                why = f"HTTP {error.status}"
            except (HTTPError, OSError) as error:
                asked, why = 0.0, type(error).__name__
            else:
                return
            pause = max(wait, asked)
            if self.now() + pause > end:
                msg = f"{self.destination.url}: no success ({why}), expected an answer"
                raise UnreachableError(msg)
            self.retries += 1
            self.sleep(pause)
            wait = min(2.0 * wait, LONGEST_WAIT)

    def _halves(self, lines: bytes) -> None:
        rows = lines.split(b"\n")
        middle = len(rows) // 2
        self.write(b"\n".join(rows[:middle]))
        self.write(b"\n".join(rows[middle:]))

    def _refused(self, error: ApiException) -> InputError:
        expected = {
            401: f"a valid token (push.token_file or {TOKEN_VARIABLE})",
            403: "a token that may write to this bucket",
            404: "an existing org and bucket",
        }.get(error.status or 0, "points that the server takes")
        return InputError(
            Fault(
                file=self.destination.url,
                field=f"bucket {self.destination.bucket}",
                got=f"HTTP {error.status} {error.reason or ''}".strip(),
                expected=expected,
                effect="Nothing lost; the rest waits in the store.",
            )
        )

    def found(
        self, rig: str, first: float, last: float
    ) -> dict[str, tuple[int, float]]:
        """
        Ask the server what it has of a span: count and sum by field.

        Raises
        ------
        CannotAskError
            It does not answer such questions.
        """
        name = MEASUREMENT[self.destination.stream]
        span = (
            f'from(bucket: "{_quoted(self.destination.bucket)}") '
            f"|> range(start: {_stamp(first)}, stop: {_stamp(last + 0.001)}) "
            f'|> filter(fn: (r) => r._measurement == "{name}" '
            f'and r.rig == "{_quoted(rig)}")'
        )
        out: dict[str, tuple[int, float]] = {}
        try:
            api = self.client.query_api()
            counts = {
                r.get_field(): int(r.get_value())
                for table in api.query(f"{span} |> count()")
                for r in table.records
            }
            sums = {
                r.get_field(): float(r.get_value())
                for table in api.query(f"{span} |> sum()")
                for r in table.records
            }
        except (ApiException, HTTPError, OSError, ValueError) as error:
            status = getattr(error, "status", None)
            msg = f"HTTP {status}" if status else type(error).__name__
            raise CannotAskError(msg) from None
        for field_name, count in counts.items():
            out[field_name] = (count, sums.get(field_name, math.nan))
        return out


class CannotAskError(CampledgerError):
    """The server does not answer questions about what it holds."""


def _quoted(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')


def _stamp(moment: float) -> str:
    whole = math.floor(moment)
    parts = round((moment - whole) * 1000.0)
    return f"{iso(whole).removesuffix('+00:00')}.{min(parts, 999):03d}Z"


def _retry_after(error: ApiException) -> float:
    headers: Any = error.headers or {}
    try:
        return min(float(headers.get("Retry-After", 0.0)), 600.0)
    except (TypeError, ValueError):
        return 0.0


def push_all(
    path: Path,
    rig: Rig,
    destination: Destination,
    writer: Writer,
    *,
    live: bool,
    told: Callable[[Pushed], None] = lambda _: None,
) -> Pushed:
    """
    Push everything that waits; what was taken stays taken, whatever happens after.

    Raises
    ------
    UnreachableError, InputError
        From the writer; the cursor says how far it came.
    """
    done = Pushed()
    begun = time.monotonic()
    with open_store(path) as store:
        cursor = Cursor.load(store, destination)
        origins = {b.id: b.start_utc - b.rate * b.uptime_first for b in store.boots()}
        for boot, moved in redated(store, cursor):
            done.notes.append(
                f"boot {boot.number} was dated anew by {moved:+.0f} s after it was "
                "pushed; the server keeps the older times"
            )
        ask = True
        chunk: list[Batch] = []
        for batch in _ahead(batches(store, rig, destination, cursor, live=live)):
            if batch.lines:
                writer.write(batch.lines)
                done.points += batch.points
                done.batches += 1
                chunk.append(batch)
            if batch.done is None:
                continue
            ask = ask and _compare(writer, rig, chunk, done)
            chunk = []
            number, at = batch.done
            cursor.boots[number] = (at, origins[number])
            cursor.save(path, destination)
            told(done)
    done.retries = writer.retries
    done.seconds = time.monotonic() - begun
    return done


def _ahead(made: Iterator[Batch]) -> Iterator[Batch]:
    """Make the next batch while one is on its way."""
    with ThreadPoolExecutor(1) as maker:
        coming = maker.submit(next, made, None)
        while (batch := coming.result()) is not None:
            coming = maker.submit(next, made, None)
            yield batch


def _compare(writer: Writer, rig: Rig, chunk: list[Batch], done: Pushed) -> bool:
    """Compare a chunk with what the server has; False if it cannot be asked."""
    if not chunk:
        return True
    first, last = min(b.first for b in chunk), max(b.last for b in chunk)
    try:
        found = writer.found(rig.name, first, last)
    except CannotAskError as error:
        done.not_compared = f"not read back: the server answers no queries ({error})"
        return False
    names = {n for b in chunk for n in b.counts}
    for name in sorted(names):
        count = sum(b.counts.get(name, 0) for b in chunk)
        total = math.fsum(b.sums.get(name, 0.0) for b in chunk)
        there, summed = found.get(name, (0, math.nan))
        done.compared += count
        near = abs(summed - total) <= SAME * max(abs(total), 1.0)
        if there != count or not near:
            done.differing.append(
                f"{name} {iso(first)} to {iso(last)}: wrote {count} (sum {total:.6g}), "
                f"found {there} (sum {summed:.6g})"
            )
    return True
