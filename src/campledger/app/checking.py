"""What ``check`` finds without touching a sensor: rig, plan, store, disk, clock."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from typing import TYPE_CHECKING

from campledger.app.context import store_path
from campledger.app.importing import strangers
from campledger.app.status import logger_lines
from campledger.app.times import iso, offset_at
from campledger.errors import InputError, StoreError
from campledger.formats.planfile import read_plan
from campledger.judge.fitout import check_description
from campledger.judge.possible import Possible, what_can_be_told
from campledger.model.rig import COOLING
from campledger.store import Store, open_store

if TYPE_CHECKING:
    import argparse
    from pathlib import Path

    from campledger.model.rig import Rig


@dataclass(frozen=True, kw_only=True)
class CheckResult:
    """Lines to print, and what the channels allow."""

    lines: tuple[str, ...]
    channels: tuple[str, ...]
    possible: Possible
    assumed: tuple[str, ...]
    description: tuple[str, ...]

    def as_object(self) -> dict[str, object]:
        """Give the JSON."""
        return {
            "lines": list(self.lines),
            "channels": list(self.channels),
            "assumed": list(self.assumed),
            "description": list(self.description),
            "questions": [
                {
                    "text": q.text,
                    "can_tell": not q.missing,
                    "missing": list(q.missing),
                }
                for q in self.possible.questions
            ],
            "best_next_sensor": self.possible.best_next or None,
            "would_settle": self.possible.would_settle,
        }


def check_all(args: argparse.Namespace, rig: Rig, plan: Path | None) -> CheckResult:
    """
    Check rig, plan and store.

    Raises
    ------
    InputError
        The plan file is wrong.
    """
    lines = [f"rig: {rig.name}: read, nothing wrong."]
    assumed = tuple(key for key in sorted(rig.assumed) if _matters(key, rig))
    if assumed:
        lines.append(f"rig: assumed, because not typed: {', '.join(assumed)}.")
    if plan is not None:
        said = read_plan(plan)
        lines.append(f"plan: {said.name}: read, nothing wrong.")
    sensed = {channel for s in rig.sensors for _, channel in s.channels}
    stored, store_lines = _store(args, rig)
    lines += store_lines
    lines += logger_lines()
    description = tuple(
        f"{f.title}: {f.reads}"
        for f in check_description(rig)
        if str(f.verdict) in {"fault", "worth_a_look"}
    )
    lines += [f"description: {text}" for text in description]
    channels = tuple(sorted(sensed | set(stored)))
    return CheckResult(
        lines=tuple(lines),
        channels=channels,
        possible=what_can_be_told(channels, rig),
        assumed=assumed,
        description=description,
    )


def _matters(key: str, rig: Rig) -> bool:
    """Tell whether a default can decide an answer about this rig."""
    group, *rest = key.split(".")
    load = rig.load(rest[0]) if group == "load" else None
    source = rig.source(rest[0]) if group == "source" else None
    if load is not None:
        return load.kind in COOLING and rest[-1] in {"cold_line_c", "contents"}
    if source is not None:
        sunny = rest[-1] in {"tilt_deg", "azimuth_deg", "regulator", "panel_w"}
        joins = rest[-1] in {"cut_in_v", "cut_out_v"}
        engine = rest[-1] in {"derate_c", "input_min_v", "efficiency"}
        if source.kind == "solar":
            return not joins and not engine
        return not sunny and (joins == (source.kind == "isolator"))
    return group in {"house", "start", "engine", "recording"}


def _store(args: argparse.Namespace, rig: Rig) -> tuple[tuple[str, ...], list[str]]:
    try:
        path = store_path(args)
    except InputError:
        return (), ["store: none yet."]
    try:
        with open_store(path) as store:
            return _store_lines(store, rig)
    except StoreError as error:
        return (), [f"store: {error}"]


def _store_lines(store: Store, rig: Rig) -> tuple[tuple[str, ...], list[str]]:
    span = store.span()
    free = shutil.disk_usage(store.path.resolve().parent).free
    lines = [f"store: {store.path.name}: free room {free / 1e6:.0f} MB."]
    if free < rig.logger.free_warn:
        lines.append(f"store: less than {rig.logger.free_warn / 1e6:.0f} MB free.")
    undated = [b for b in store.boots() if not b.dated]
    if undated:
        rows = sum(b.rows for b in undated)
        lines.append(f"store: {rows} readings have no date yet (in totals, in no day).")
    if span is None:
        return (), [*lines, "store: no dated readings."]
    offset = offset_at(rig.timezone, span[0])
    lines.append(f"store: readings {iso(span[0], offset)} to {iso(span[1], offset)}.")
    channels = tuple(store.record(*span).channels)
    lines.extend(
        f"store: {name}: a place that the rig does not name; kept, unused."
        for name in strangers(channels, rig)
    )
    return channels, lines
