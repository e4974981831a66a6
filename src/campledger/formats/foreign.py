"""
Other people's recordings: a map proposed by looking; what two answers fit is asked.

Nothing here is guessed. A hint may help the person, it is never applied.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from campledger.errors import Fault, FaultsError
from campledger.formats.foreigncolumns import find_columns
from campledger.formats.foreignlook import SHORT, Look
from campledger.formats.foreigntable import find_table
from campledger.formats.foreigntime import find_time
from campledger.formats.importsummary import thousands
from campledger.formats.layout import (
    DATE_ORDERS,
    SEPARATORS,
    RecordingMap,
)
from campledger.formats.recording import Recording
from campledger.formats.textsource import TextSource
from campledger.formats.timetext import zone_of
from campledger.formats.tomlfile import shorten
from campledger.model.series import parse_channel

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

STEPS_NEEDED = 20
STEP_LEAST = 0.5
"""Steps of current [A] that tell its sign, and how many are needed."""
STEPS_AGREE = 0.9
SIGN_ROWS = 400_000
SET_KEYS = (
    "voltage",
    "current",
    "time",
    "date",
    "current_sign",
    "current_unit",
    "voltage_unit",
    "temp_unit",
    "power_unit",
    "date_order",
    "start_date",
    "zone",
    "decimal",
    "separator",
    "time_format",
    "sampling",
)


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """A map for confirmation, and in words what was seen."""

    layout: RecordingMap
    notes: tuple[str, ...]
    left_out: tuple[str, ...]


def propose_map(
    path: Path,
    *,
    answers: Mapping[str, str] | None = None,
    places: Iterable[str] = (),
    zone: str = "UTC",
) -> Proposal:
    """
    Look at a foreign text recording and propose its map.

    Parameters
    ----------
    path : Path
        The recording.
    answers : mapping of str to str
        What ``--set KEY=VALUE`` has answered; a channel's name may be a key too.
    places : iterable of str
        Sources and loads of the rig.
    zone : str
        The rig's zone, for times that carry no offset.

    Raises
    ------
    FaultsError
        Everything that must be asked, one line each.
    """
    look = Look(path=path, answers=answers or {}, places=tuple(places), zone=zone)
    check_answers(path, look.answers)
    source = TextSource(path)
    text = source.head.decode(source.encoding, "replace").removeprefix("\ufeff")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if len(text) > 100_000:
        lines.pop()
    find_table(look, lines)
    time = find_time(look)
    columns = find_columns(look, time)
    if look.faults:
        raise FaultsError(*look.faults)
    layout = RecordingMap(
        columns=tuple(columns),
        time=time,
        encoding=source.encoding,
        separator=look.separator,
        decimal=look.decimal,
        header_line=look.header_line,
        sampling=look.answers.get("sampling", ""),
    )
    layout = _find_sign(look, layout)
    if look.faults:
        raise FaultsError(*look.faults)
    return Proposal(
        layout=layout, notes=tuple(look.notes), left_out=tuple(look.left_out)
    )


def check_answers(path: Path, answers: Mapping[str, str]) -> None:
    """Refuse keys and values of ``--set`` that mean nothing."""
    allowed: Mapping[str, tuple[str, ...]] = {
        "current_sign": ("+in", "+out"),
        "date_order": DATE_ORDERS,
        "decimal": (".", ","),
        "separator": tuple(SEPARATORS),
        "sampling": ("point", "mean"),
        "current_unit": ("A", "mA"),
        "voltage_unit": ("V", "mV"),
        "temp_unit": ("C", "F", "K"),
        "power_unit": ("W", "kW"),
        "time_format": ("text", "epoch_s", "epoch_ms", "sheet"),
    }
    faults = []
    for key, value in answers.items():
        expected = ""
        if key not in SET_KEYS and key != "recorder" and parse_channel(key) is None:
            expected = "one of " + ", ".join(SET_KEYS) + " or a channel"
        elif key in allowed and value not in allowed[key]:
            expected = " or ".join(allowed[key])
        elif key == "zone" and zone_of(value) is None:
            expected = "a zone or offset, e.g. +08:00"
        elif key == "start_date" and not _is_date(value):
            expected = "a date, e.g. 2026-05-01"
        if expected:
            faults.append(
                Fault(
                    file=path.name,
                    field=f"--set {key}",
                    got=f'"{shorten(value)}"',
                    expected=expected,
                    effect="Nothing loaded.",
                )
            )
    if faults:
        raise FaultsError(*faults)


def _is_date(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _find_sign(look: Look, layout: RecordingMap) -> RecordingMap:
    """Find which way the current counts up: a charging step lifts the volts."""
    wanted = SHORT["current"]
    if wanted not in [c.channel for c in layout.columns]:
        return layout
    answer = look.answers.get("current_sign")
    sign = (1 if answer == "+in" else -1) if answer else _sign_by_steps(look, layout)
    if not sign:
        look.ask(
            "current",
            "charge and discharge could not be told apart; expected + on charge",
            "",
            "Give --set current_sign=+in or +out.",
        )
        return layout
    return replace(
        layout,
        columns=tuple(
            replace(c, sign=sign) if c.channel == wanted else c for c in layout.columns
        ),
    )


def _sign_by_steps(look: Look, layout: RecordingMap) -> int:
    pair = (SHORT["voltage"], SHORT["current"])
    only = replace(
        layout, columns=tuple(c for c in layout.columns if c.channel in pair)
    )
    if len(only.columns) < 2:
        return 0
    up = down = rows = 0
    for chunk in Recording(look.path, only, look.names, keep_rejected=False):
        volts, amps = chunk.values[pair[0]], chunk.values[pair[1]]
        d_volts, d_amps = np.diff(volts), np.diff(amps)
        step = (np.abs(d_amps) >= STEP_LEAST) & (np.abs(d_volts) >= 0.002)
        rising = d_volts[step] * d_amps[step] > 0
        up, down = up + int(rising.sum()), down + int((~rising).sum())
        rows += len(volts)
        if rows > SIGN_ROWS:
            break
    total = up + down
    if total < STEPS_NEEDED or max(up, down) < STEPS_AGREE * total:
        return 0
    sign, word = (1, "+in") if up > down else (-1, "+out")
    look.notes.append(
        f"current counts {word}: volts follow it so in {thousands(max(up, down))} of "
        f"{thousands(total)} steps"
    )
    return sign
