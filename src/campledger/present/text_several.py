"""Several trips together: the sentence, a row for each change, the hardest trips."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.options import describe
from campledger.present.jsonout import num
from campledger.present.text_options import change_json, options_json

if TYPE_CHECKING:
    from campledger.judge.options import Several, TripOptions
    from campledger.judge.options.several import Together
    from campledger.model.rig import Rig

WIDTH = 78
HEAD = (
    f"{'':<36}{'nights':>8}{'below floor':>13}{'no power':>10}{'lowest':>9}"
    f"\n{'':<36}{'met':>8}{'h a night':>13}{'h a night':>10}{'%':>9}"
)
HUNDRED = 100.0


def _row(label: str, row: Together) -> str:
    shown = label if len(label) <= 35 else label[:34] + "…"
    met = f"{row.nights_met}/{row.nights}"
    return (
        f"{shown:<36}{met:>8}{row.below_a_night:>13.1f}"
        f"{row.without_power_a_night:>10.1f}{row.lowest * HUNDRED:>9.0f}"
    )


def _alone(kind: str, trip: TripOptions | None) -> list[str]:
    if trip is None:
        return []
    made = trip.options.baseline
    seen = f"{trip.air_mean:.0f} degC on the mean" if kind == "Hottest" else ""
    if kind == "Cloudiest":
        seen = f"{trip.sun_a_day:.0f} Wh of possible sun a day"
    return textwrap.wrap(
        f"{kind}: {trip.name} ({seen}, {trip.nights} nights): lowest "
        f"{made.soc_min.value:.0%}, {made.hours_below_floor.value:.1f} h below the "
        f"floor, {made.hours_without_power.value:.1f} h without power. "
        f"{trip.options.verdict.text}",
        WIDTH,
    )


def several_text(several: Several, rig: Rig) -> str:
    """Write the verdict, the table and the trips that test a rig hardest."""
    lines = textwrap.wrap(several.verdict.text, WIDTH)
    lines += ["", HEAD, _row("as driven (measured)", several.baseline)]
    for row in several.options:
        if row.change is None:
            continue
        label = describe(row.change, rig)
        if row.nights == 0:
            lines += textwrap.wrap(f"{label}: can't tell on any trip.", WIDTH)
            continue
        lines.append(_row(label, row))
        if row.missing:
            lines += textwrap.wrap(f"can't tell on {', '.join(row.missing)}", WIDTH)
    lines.append("")
    lines += _alone("Hottest", several.hottest)
    lines += _alone("Cloudiest", several.cloudiest)
    if several.hottest is None:
        lines.append("No trip measured the air: which was hottest is not known.")
    lines.append("Each trip counts by its nights; hotter or cloudier ones prove more.")
    return "\n".join(lines)


def _together(row: Together) -> dict[str, object]:
    return {
        "change": None if row.change is None else change_json(row.change),
        "nights": row.nights,
        "nights_met": row.nights_met,
        "hours_below_floor_per_night": num(row.below_a_night),
        "hours_without_power_per_night": num(row.without_power_a_night),
        "soc_min": num(row.lowest),
        "soc_min_on": row.lowest_on or None,
        "missing": list(row.missing),
    }


def several_json(several: Several, rig: Rig) -> dict[str, object]:
    """Give all trips, what they say together, and the hardest two by name."""
    verdict = several.verdict
    hot, dull = several.hottest, several.cloudiest
    return {
        "trips": [
            {
                "name": t.name,
                "nights": t.nights,
                "temp_air_mean_c": num(t.air_mean) if np.isfinite(t.air_mean) else None,
                "solar_possible_wh_per_day": (
                    num(t.sun_a_day) if np.isfinite(t.sun_a_day) else None
                ),
                **options_json(t.options, rig),
            }
            for t in several.trips
        ],
        "together": {
            "baseline": _together(several.baseline),
            "options": [_together(row) for row in several.options],
        },
        "hottest": None if hot is None else hot.name,
        "cloudiest": None if dull is None else dull.name,
        "verdict": {
            "code": verdict.code,
            "met": verdict.met,
            "change": None if verdict.change is None else change_json(verdict.change),
            "text": verdict.text,
        },
    }
