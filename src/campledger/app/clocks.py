"""
Several files with different clocks, laid together by what they both recorded.

The first file's clock is the reference: which of two clocks is right no overlap can
tell. A large offset is shown and asked about, never applied by itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.errors import Fault, FaultsError
from campledger.formats.overlap import find_offset
from campledger.formats.recording import read_recording
from campledger.model.series import Series

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from campledger.formats.overlap import ClockOffset
    from campledger.formats.recording import Recording
    from campledger.model.series import FloatArray

KEYS = ("clock", "clock_offset_s")
OVERLAP, OWN = "overlap", "own"
SAME_CLOCK = 60.0
"""Clocks of two recorders within this are the same clock, drifting. [s] Common
practice, no source."""
ASK_OVERLAP = 6 * 3600.0
"""Only an overlap this long makes a large offset worth asking about. [s] Common
practice, no source."""
TOGETHER = 0.5
"""Files that lie one after the other by their own clocks are days of one recorder:
only if this share of the shorter one lies within the other is it asked about. Common
practice, no source."""
FIRST_LOOKED_AT = ("voltage_house_v", "current_house_a")
POINTS_LEAST = 100


@dataclass(frozen=True, kw_only=True)
class ClockAnswer:
    """What ``--set`` said: ``overlap``, ``own`` or nothing; or the offset itself."""

    rule: str = ""
    seconds: float = math.nan


@dataclass(frozen=True, kw_only=True)
class Laid:
    """How far a file's clock is ahead of the first one's, s, and the line to show."""

    seconds: float = 0.0
    text: str = ""


def clock_answer(settings: Mapping[str, str]) -> ClockAnswer:
    """
    Read the answers about clocks.

    Raises
    ------
    FaultsError
        A value that means nothing.
    """
    rule = settings.get("clock", "")
    text = settings.get("clock_offset_s", "")
    if rule not in ("", OVERLAP, OWN):
        raise FaultsError(_fault("import", f'clock "{rule}"', f"{OVERLAP} or {OWN}"))
    seconds = math.nan
    if text:
        try:
            seconds = float(text)
        except ValueError:
            seconds = math.nan
        if not math.isfinite(seconds):
            raise FaultsError(
                _fault("import", f'clock_offset_s "{text}"', "seconds, e.g. -3600")
            )
    return ClockAnswer(rule=rule, seconds=seconds)


def _fault(file: str, got: str, expected: str, effect: str = "") -> Fault:
    return Fault(
        file=file,
        field="clock",
        got=got,
        expected=expected,
        effect=f"{effect} Nothing loaded.".strip(),
    )


def lay_together(opened: Sequence[Recording], answer: ClockAnswer) -> tuple[Laid, ...]:
    """
    Say for each file how far its clock is ahead of the first one's.

    Parameters
    ----------
    opened : sequence of Recording
        Opened, not yet read; files with boots date themselves and stay as they are.
    answer : ClockAnswer
        What the person said.

    Raises
    ------
    FaultsError
        A large offset that nobody has answered, or an answer that the files do not
        bear out.
    """
    if math.isfinite(answer.seconds):
        text = f"times moved by {-answer.seconds:+g} s, as typed (clock_offset_s)."
        moved = Laid(seconds=answer.seconds, text=text)
        return tuple(Laid() if r.layout.time.boot else moved for r in opened)
    out = [Laid() for _ in opened]
    dated = [k for k, r in enumerate(opened) if not r.layout.time.boot]
    if len(dated) < 2 or answer.rule == OWN:
        return tuple(out)
    first = opened[dated[0]]
    faults = []
    for k in dated[1:]:
        laid = _one(first, opened[k], answer.rule)
        if isinstance(laid, Fault):
            faults.append(laid)
        else:
            out[k] = laid
    if faults:
        raise FaultsError(*faults)
    return tuple(out)


def _one(first: Recording, other: Recording, rule: str) -> Laid | Fault:
    found, channel, together = _offset(first, other)
    file, reference = other.path.name, first.path.name
    if found is None or not found.sure:
        if rule != OVERLAP:
            return Laid()
        why = "no overlap that tells" if found is None else _words(found, channel)
        return _fault(
            file,
            f"{why}",
            f"readings that agree with {reference} at one offset only",
            "Say it with --set clock_offset_s=SECONDS, or --set clock=own.",
        )
    if abs(found.seconds) <= max(SAME_CLOCK, 2.0 * found.step):
        return Laid()
    ahead = "ahead of" if found.seconds > 0 else "behind"
    text = (
        f"its clock is {_span(abs(found.seconds))} {ahead} that of {reference} by "
        f"their own overlap ({_words(found, channel)})"
    )
    if rule == OVERLAP:
        return Laid(seconds=found.seconds, text=f"{text}; laid to it.")
    if found.overlap < ASK_OVERLAP or together < TOGETHER:
        return Laid()
    return _fault(
        file,
        f"a clock {_span(abs(found.seconds))} {ahead} that of {reference} "
        f"({_words(found, channel)})",
        "the same clock",
        "Lay it to the first file's with --set clock=overlap, or leave it with "
        "--set clock=own.",
    )


def _words(found: ClockOffset, channel: str) -> str:
    return (
        f"{channel}: {found.overlap / 3600.0:.1f} h shared, correlation of changes "
        f"{found.agreement:.2f}, next best {max(found.second, 0.0):.2f}"
    )


def _span(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02d} min {rest:02d} s"
    return f"{minutes} min {rest:02d} s"


def _offset(
    first: Recording, other: Recording
) -> tuple[ClockOffset | None, str, float]:
    """Find the offset; the channel used; the share that overlaps by own clocks."""
    shared = [c for c in first.channels if c in other.channels]
    shared.sort(key=lambda c: (c not in FIRST_LOOKED_AT, c))
    if not shared:
        return None, "", 0.0
    channel = FIRST_LOOKED_AT[0] if FIRST_LOOKED_AT[0] in shared else shared[0]
    one, two = _series(first, channel), _series(other, channel)
    if one is None or two is None:
        return None, channel, 0.0
    a, b = one.time_utc, two.time_utc
    common = min(a[-1], b[-1]) - max(a[0], b[0])
    share = common / max(min(a[-1] - a[0], b[-1] - b[0]), 1.0)
    return find_offset(one, two), channel, float(share)


def _series(recording: Recording, channel: str) -> Series | None:
    """Read one channel of a file, beside the import, leaving no trace."""
    again = read_recording(
        recording.path, recording.layout, need_voltage=False, keep_rejected=False
    )
    if again is None:
        return None
    times: list[FloatArray] = []
    values: list[FloatArray] = []
    with again:
        for chunk in again:
            if chunk.time_utc is not None:
                good = np.isfinite(chunk.time_utc) & np.isfinite(chunk.values[channel])
                times.append(chunk.time_utc[good])
                values.append(chunk.values[channel][good])
    if sum(map(len, times)) < POINTS_LEAST:
        return None
    time, index = np.unique(np.concatenate(times), return_index=True)
    return Series(time_utc=time, value=np.concatenate(values)[index])
