"""
Times as text to seconds since 1970: exact to the microsecond, many at once.

One pattern reads a text; every other text of the same shape (digits where it has
digits, the same marks between) is then read by position. Nothing is guessed here: the
order of day and month comes from the caller.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import TYPE_CHECKING, TypeAlias
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.series import BoolArray, FloatArray

IntArray: TypeAlias = NDArray[np.int64]

MONTHS: Mapping[bytes, int] = {
    name: n + 1
    for n, names in enumerate(
        (
            (b"jan",),
            (b"feb",),
            (b"mar",),
            (b"apr",),
            (b"may", b"mai"),
            (b"jun",),
            (b"jul",),
            (b"aug",),
            (b"sep",),
            (b"oct", b"okt"),
            (b"nov",),
            (b"dec", b"dez"),
        )
    )
    for name in names
}

_CLOCK = (
    rb"(?P<h>\d{1,2}):(?P<mi>\d{2})(?::(?P<s>\d{2})(?:[.,](?P<f>\d{1,9}))?)?"
    rb"(?:\s*(?P<ap>[AaPp])\.?[Mm]\.?)?"
    rb"\s*(?P<zone>Z|z|UTC|GMT|(?P<zs>[+-])(?P<zh>\d{2}):?(?P<zm>\d{2})|[+-]\d{2})?"
)
_PATTERNS = tuple(
    re.compile(rb"^\s*" + text + rb"\s*$")
    for text in (
        rb"(?P<a>\d{1,4})(?P<m1>[-/.])(?P<b>\d{1,2})(?P=m1)(?P<c>\d{1,4})"
        rb"[T ,_]+" + _CLOCK,
        rb"(?P<a>\d{1,2})[- /.]*(?P<name>[A-Za-z]{3})[A-Za-z]*[- /.,]*(?P<c>\d{4})"
        rb"[T ,]+" + _CLOCK,
        rb"(?P<a>\d{4})(?P<b>\d{2})(?P<c>\d{2})[T _]?(?P<h>\d{2})(?P<mi>\d{2})"
        rb"(?P<s>\d{2})(?P<zone>Z)?",
        _CLOCK,
    )
)

LENGTH_MOST = 64
"""No time is longer than this."""
TEMPLATES_MOST = 200
"""Shapes of one column beyond which the rest is read one by one."""


@dataclass(frozen=True, kw_only=True)
class Spans:
    """Where the parts of a text stand, found once for all texts of its shape."""

    parts: Mapping[str, tuple[int, int]]
    month: int
    afternoon: bool | None
    zoned: bool
    zone_sign: int


def match_time(text: bytes) -> Spans | None:
    """Find the parts of one text, None if it is no time."""
    for pattern in _PATTERNS:
        match = pattern.match(text)
        if match is None:
            continue
        groups = match.groupdict()
        wanted = ("a", "b", "c", "h", "mi", "s", "f", "zh", "zm")
        parts = {n: match.span(n) for n in wanted if groups.get(n)}
        name = (groups.get("name") or b"").lower()
        if name and name not in MONTHS:
            return None
        half = (groups.get("ap") or b"").lower()
        zone = groups.get("zone") or b""
        if len(zone) == 3 and zone[:1] in b"+-":
            start = match.start("zone")
            parts["zh"] = (start + 1, start + 3)
        return Spans(
            parts=parts,
            month=MONTHS.get(name, 0),
            afternoon=half == b"p" if half else None,
            zoned=bool(zone),
            zone_sign=-1 if zone[:1] == b"-" else 1,
        )
    return None


def _digits(table: NDArray[np.uint8], span: tuple[int, int]) -> IntArray:
    value = np.zeros(len(table), dtype=np.int64)
    for k in range(*span):
        value = value * 10 + (table[:, k].astype(np.int64) - 48)
    return value


def days_from_civil(year: IntArray, month: IntArray, day: IntArray) -> IntArray:
    """Give days since 1970-01-01 of Gregorian dates (ISO 8601 calendar)."""
    months = (year - 1970) * 12 + month - 1
    first = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    days: IntArray = first + day - 1
    return days


def month_length(year: IntArray, month: IntArray) -> IntArray:
    """Give the days of each month."""
    one = np.ones_like(year)
    after = days_from_civil(year + month // 12, month % 12 + 1, one)
    length: IntArray = after - days_from_civil(year, month, one)
    return length


@dataclass(frozen=True, kw_only=True)
class TimeStyle:
    """What the texts do not say: order, zone, and the date of the first."""

    date_order: str = "ymd"
    zone: tzinfo = UTC
    start_date: str = ""


@dataclass(kw_only=True)
class TimeColumn:
    """Reads a column of times, block by block; remembers where the last one was."""

    style: TimeStyle
    last: float = float("nan")
    rolled: int = 0
    last_clock: int = -1

    def read(self, texts: list[bytes] | NDArray[np.uint8]) -> FloatArray:
        """
        Read texts, given as a list or, all of one length, as a table of bytes.

        Returns
        -------
        time_utc : (n,) float64
            NaN where a text is no time of this style. [s]
        """
        micros, zoned, clock_only, ok = self._local(texts)
        if clock_only.any():
            micros, ok = self._add_dates(micros, clock_only, ok)
        micros = np.where(zoned | ~ok, micros, self.to_utc(micros, ok & ~zoned))
        out: FloatArray = np.where(ok, micros / 1e6, np.nan)
        if ok.any():
            self.last = float(out[ok][-1])
        return out

    def _local(
        self, texts: list[bytes] | NDArray[np.uint8]
    ) -> tuple[IntArray, BoolArray, BoolArray, BoolArray]:
        n = len(texts)
        micros = np.zeros(n, dtype=np.int64)
        zoned, clock_only = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
        ok = np.zeros(n, dtype=bool)
        for rows, table in _tables(texts):
            for members, spans in _shapes(table):
                at = rows[members]
                values, good = self._civil(table[members], spans)
                micros[at], ok[at] = values, good
                zoned[at] = spans.zoned
                clock_only[at] = "a" not in spans.parts
        return micros, zoned, clock_only, ok

    def _civil(
        self, table: NDArray[np.uint8], spans: Spans
    ) -> tuple[IntArray, BoolArray]:
        zero = np.zeros(len(table), dtype=np.int64)
        part = {n: _digits(table, s) for n, s in spans.parts.items()}
        good = np.ones(len(table), dtype=bool)
        hour = part["h"]
        if spans.afternoon is not None:
            good &= (hour >= 1) & (hour <= 12)
            hour = hour % 12 + 12 * spans.afternoon
        minute, second = part["mi"], part.get("s", zero)
        good &= (hour < 24) & (minute < 60) & (second < 60)
        micros = ((hour * 60 + minute) * 60 + second) * 1_000_000
        if "f" in part:
            width = spans.parts["f"][1] - spans.parts["f"][0]
            fraction = part["f"]
            micros += (
                fraction * 10 ** (6 - width)
                if width <= 6
                else fraction // 10 ** (width - 6)
            )
        if "a" in part:
            days, fits = self._days(part, spans)
            micros, good = micros + days * 86_400_000_000, good & fits
        if "zh" in part:
            minutes = part["zh"] * 60 + part.get("zm", zero)
            micros -= spans.zone_sign * minutes * 60_000_000
        return micros, good

    def _days(
        self, part: Mapping[str, IntArray], spans: Spans
    ) -> tuple[IntArray, BoolArray]:
        wide = {
            n: spans.parts[n][1] - spans.parts[n][0]
            for n in ("a", "b", "c")
            if n in part
        }
        order = "ymd" if wide["a"] == 4 else self.style.date_order
        if spans.month:
            day, year = part["a"], part["c"]
            month = np.full_like(day, spans.month)
        elif order == "ymd":
            year, month, day = part["a"], part["b"], part["c"]
        elif order == "mdy":
            month, day, year = part["a"], part["b"], part["c"]
        else:
            day, month, year = part["a"], part["b"], part["c"]
        year_wide = wide["a"] if order == "ymd" and not spans.month else wide["c"]
        if year_wide == 2:
            year = year + 2000
        fits = (
            (month >= 1) & (month <= 12) & (year >= 1970) & (year < 2200) & (day >= 1)
        )
        year, month = np.where(fits, year, 2000), np.where(fits, month, 1)
        fits &= day <= month_length(year, month)
        return days_from_civil(year, month, np.where(fits, day, 1)), fits

    def _add_dates(
        self, micros: IntArray, clock_only: BoolArray, ok: BoolArray
    ) -> tuple[IntArray, BoolArray]:
        if not self.style.start_date:
            return micros, ok & ~clock_only
        start = datetime.fromisoformat(self.style.start_date)
        base = (start.toordinal() - datetime(1970, 1, 1).toordinal()) * 86_400_000_000  # noqa: DTZ001
        at = np.flatnonzero(clock_only & ok)
        clock = micros[at]
        before = np.concatenate(([self.last_clock], clock[:-1]))
        fell = clock < before - 43_200_000_000
        rolled = self.rolled + np.cumsum(fell)
        out = micros.copy()
        out[at] = clock + base + rolled * 86_400_000_000
        if len(at):
            self.rolled, self.last_clock = int(rolled[-1]), int(clock[-1])
        return out, ok

    def to_utc(self, micros: IntArray, mine: BoolArray) -> IntArray:
        """Turn local microseconds into UTC by the zone; the second 2 am by order."""
        zone = self.style.zone
        if zone is UTC or not mine.any():
            return micros
        quarters = micros // 900_000_000
        out = micros.copy()
        known = {
            int(q): _offsets(int(q) * 900, zone) for q in np.unique(quarters[mine])
        }
        early = np.array([known.get(int(q), (0, 0))[0] for q in np.unique(quarters)])
        late = np.array([known.get(int(q), (0, 0))[1] for q in np.unique(quarters)])
        which = np.searchsorted(np.unique(quarters), quarters)
        first = micros - early[which] * 1_000_000
        out[mine] = first[mine]
        twice = np.flatnonzero(mine & (early[which] > late[which]))
        last = self.last * 1e6
        for k in twice:
            before = float(out[k - 1]) if k else last
            if first[k] < before:
                out[k] = micros[k] - late[which[k]] * 1_000_000
        return out


def _tables(
    texts: list[bytes] | NDArray[np.uint8],
) -> list[tuple[IntArray, NDArray[np.uint8]]]:
    """Lay texts of each length out as a table of bytes."""
    if isinstance(texts, np.ndarray):
        return [(np.arange(len(texts)), texts)]
    lengths = np.fromiter(map(len, texts), dtype=np.int64, count=len(texts))
    found = []
    for length in np.unique(lengths).tolist():
        if 0 < length <= LENGTH_MOST:
            rows = np.flatnonzero(lengths == length)
            joined = b"".join([texts[k] for k in rows])
            table = np.frombuffer(joined, dtype=np.uint8).reshape(len(rows), length)
            found.append((rows, table))
    return found


def _shapes(table: NDArray[np.uint8]) -> list[tuple[IntArray, Spans]]:
    """Sort texts of one length by shape; those that are no times are left out."""
    digit = (table >= 48) & (table <= 57)
    masked = np.where(digit, np.uint8(48), table)
    left = np.arange(len(table))
    found: list[tuple[IntArray, Spans]] = []
    for _ in range(TEMPLATES_MOST):
        if not len(left):
            break
        same = (masked[left] == masked[left[0]]).all(axis=1)
        spans = match_time(table[left[0]].tobytes())
        if spans is not None:
            found.append((left[same], spans))
        left = left[~same]
    for k in left:
        spans = match_time(table[k].tobytes())
        if spans is not None:
            found.append((np.array([k]), spans))
    return found


def _offsets(local: int, zone: tzinfo) -> tuple[int, int]:
    """Give the zone's offsets at a local time, first and second time round. [s]"""
    naive = datetime(1970, 1, 1) + timedelta(seconds=local)  # noqa: DTZ001
    pair = [
        naive.replace(tzinfo=zone, fold=fold).utcoffset() or timedelta()
        for fold in (0, 1)
    ]
    return int(pair[0].total_seconds()), int(pair[1].total_seconds())


def zone_of(name: str) -> tzinfo | None:
    """Take a zone's name or an offset such as +09:30; None if it is neither."""
    offset = re.fullmatch(r"([+-])(\d{2}):?(\d{2})", name)
    if offset:
        minutes = int(offset[2]) * 60 + int(offset[3])
        sign = -1 if offset[1] == "-" else 1
        return timezone(timedelta(minutes=sign * minutes)) if minutes < 1440 else None
    if name.upper() in {"UTC", "Z"}:
        return UTC
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return None
