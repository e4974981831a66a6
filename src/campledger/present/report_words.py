"""What could not be told and what was assumed, gathered into sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.model.words import Word
from campledger.present import wording as w

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.rig import Correction, House
    from campledger.present.report_data import ReportData


def _defaults(house: House) -> Mapping[str, str]:
    """Put the defaults of the rig file that decide an answer into words."""
    return {
        "house.floor": f"the floor: {w.share(house.floor)} of the capacity now",
        "house.absorption_v": (f"absorption at {w.number(house.voltage_absorption)} V"),
        "house.full_below_a": (
            f"full when the current falls below {w.number(house.current_full)} A"
        ),
        "house.cutoff_v": f"disconnection at {w.number(house.voltage_cutoff)} V",
        "house.capacity_rated_h": (
            f"a rating at {w.number(house.duration_rated / 3600, 0)} hours"
        ),
        "house.nominal_v": f"nominal volts of {w.number(house.voltage_nominal)}",
    }


def cannot_tell(data: ReportData) -> list[str]:
    """Give one sentence for each thing that this record does not show, and why."""
    statement, estimates = data.statement, data.estimates
    found = []
    if "current_house_a" not in data.channels:
        found.append("No amp-hours of the battery: current_house_a is not recorded.")
    capacity = statement.capacity
    if not np.isfinite(capacity.value) or capacity.word >= Word.ASSUMED:
        why = capacity.reason or "no swing of this trip was deep enough to show it"
        found.append(
            f"What the battery really holds: {why}. "
            "What is in hand rests on the rating."
        )
    missing = [
        w.name_of(a.name) for a in statement.total.loads if a.word is Word.MISSING
    ]
    if missing:
        found.append(f"{w.listed(missing)}: not measured and not to be worked out.")
    groups = {tuple(sorted(x.group)) for x in estimates.loads if len(x.group) > 1}
    for group in sorted(groups):
        names = w.listed([w.name_of(n) for n in group])
        found.append(f"{names}: only their sum is known, they look alike.")
    if any(s.kind == "net" for s in estimates.sources):
        found.append(
            "What the sources gave in all: they have no current channel, so only what "
            "reached the battery and the metered loads is counted."
        )
    elif any(s.name == "net" for s in estimates.sources):
        found.append("Sun and drive apart: the sources have no current channel.")
    if "temp_air_c" not in data.channels:
        found.append("What heat did to the fridge: temp_air_c is not recorded.")
    if "voltage_start_v" not in data.channels:
        found.append("Whether the car would have started: voltage_start_v is missing.")
    if statement.total.coverage < 0.995:
        found.append(
            f"What happened in {w.share(1 - statement.total.coverage, 1)} of the trip: "
            "nothing was recorded."
        )
    return found


def assumptions(data: ReportData) -> list[str]:
    """Give one sentence for each assumption that stands behind the figures."""
    statement, rig = data.statement, data.rig
    found = [
        w.sentence(f"{text} (assumed; say it in the rig file)")
        for key, text in _defaults(rig.house).items()
        if key in rig.assumed
    ]
    if any(d.dawn_word >= Word.ASSUMED for d in statement.days):
        found.append("Dawn at 6 am: no position is known.")
    total = statement.total
    if total.charging_loss_word >= Word.ASSUMED and w.known(total.charging_loss_share):
        found.append(
            f"A charging loss of {w.share(total.charging_loss_share)} of what came in."
        )
    guesses = [
        w.name_of(m.name) for m in statement.misses if m.figure == "guess" and m.planned
    ]
    if guesses:
        found.append(f"In the plan, guessed: {w.listed(guesses)}.")
    undated = [b for b in data.boots if b.dated_by in {"assumed", "clock"}]
    if undated:
        found.append(
            f"The recorder's own clock dates {w.plural(len(undated), 'start')} of it; "
            "nothing better was at hand."
        )
    found += [_correction(item) for item in data.rig.corrections]
    return found


def counted(data: ReportData) -> list[str]:
    """Give what those who estimated noted on the way, each once."""
    estimates, notes = data.estimates, list(data.statement.notes)
    sides: list[tuple[str, tuple[str, ...]]] = [
        *((use.name, use.notes) for use in estimates.loads),
        *((use.name, use.notes) for use in estimates.sources),
        *((model.name, model.notes) for model in estimates.fridges),
    ]
    notes += [f"{w.name_of(name)}: {note}" for name, told in sides for note in told]
    return list(dict.fromkeys(w.sentence(note) for note in notes if note))


def _correction(item: Correction) -> str:
    text = f"{w.number(item.scale, 3)} x raw {w.signed(item.offset, 3)}"
    why = f" ({item.reason})" if item.reason else ""
    return f"Readings of {item.channel} are corrected: {text}{why}."


def gap_words(volts_before: float, volts_after: float, cutoff: float) -> str:
    """Say what the volts on both sides of a gap let one conclude."""
    if not np.isfinite(volts_before):
        return "nothing is known of the volts before it"
    before = f"{w.number(volts_before, 2)} V before"
    after = f", {w.number(volts_after, 2)} V after" if np.isfinite(volts_after) else ""
    if volts_before <= cutoff + 0.3:
        return f"{before}{after}: dark, battery likely flat; not counted as zero use"
    return f"{before}{after}: cause not known"
