"""
C6 and C8: what the fuses carried, and the feed from the car to its charger.

C7 is judged from the description and stands in ``description``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.steps import runs
from campledger.judge.cables import input_current
from campledger.judge.finding import Picture, Verdict
from campledger.judge.fitout.row import Result, Row, cannot_tell
from campledger.judge.fitout.wiring import expected_loop

if TYPE_CHECKING:
    from campledger.judge.fitout.evidence import Array, Evidence
    from campledger.model.rig import Cable

FUSE_SHARE = 0.80
FUSE_MINUTES = 10
TRAILER_LOOK, TRAILER_FAULT = 0.5, 1.0
"""Limits and figures of this group: each row of ``ROWS`` names the kind and source;
what no row names is common practice, no source."""


def fuse_loading(evidence: Evidence) -> Result:
    """C6: what each fuse carried for ten minutes, against its rating."""
    worst: tuple[float, float, int, Cable] | None = None
    judged = 0
    for cable in evidence.rig.cables:
        channel = f"current_{cable.place_to}_a"
        if cable.current_fuse is None or not evidence.has(channel):
            continue
        judged += 1
        size = np.abs(np.nan_to_num(evidence.minute(channel)))
        level = _sustained(size, FUSE_MINUTES)
        if worst is None or level / cable.current_fuse > worst[0]:
            over = runs(size > FUSE_SHARE * cable.current_fuse)
            long = max(over, key=lambda r: r[1] - r[0], default=(0, 0))
            minutes = long[1] - long[0]
            mean = float(np.mean(size[long[0] : long[1]])) if minutes else level
            shown = mean if minutes > FUSE_MINUTES else level
            worst = (shown / cable.current_fuse, shown, minutes, cable)
    if worst is None:
        return cannot_tell(
            "No fused cable of the rig file has a measured current.",
            "a current channel for each fused circuit",
        )
    share, level, minutes, cable = worst
    bad = share > FUSE_SHARE and minutes > FUSE_MINUTES
    text = (
        f"{cable.current_fuse:g} A fuse ({cable.name}) carried {level:.1f} A for "
        f"{minutes} min ({share:.0%}): will nuisance-blow in heat."
        if bad
        else f"No fuse carried more than {share:.0%} of its rating for ten minutes "
        f"(most: {cable.name}, {level:.1f} of {cable.current_fuse:g} A)."
    )
    return Result(
        verdict=Verdict.FAULT if bad else Verdict.PASS,
        reads=text,
        value=share,
        count=judged,
        place=cable.name,
        picture=_plateau(evidence, cable) if bad else None,
    )


def _sustained(size: Array, minutes: int) -> float:
    """Largest level that was held for so many minutes."""
    if len(size) < minutes:
        return float(np.max(size, initial=0.0))
    frames = np.lib.stride_tricks.sliding_window_view(size, minutes)
    return float(np.max(np.min(frames, axis=1)))


def _plateau(evidence: Evidence, cable: Cable) -> Picture:
    size = np.abs(evidence.minute(f"current_{cable.place_to}_a"))
    top = int(np.nanargmax(size))
    part = slice(max(0, top - 60), top + 60)
    x = evidence.minute_utc[part]
    level = FUSE_SHARE * float(cable.current_fuse or 0.0)
    return Picture(
        kind="plateau",
        title=f"Current through the {cable.name} fuse",
        x=tuple(x.tolist()),
        y=tuple(size[part].tolist()),
        x_label="Time",
        y_label="Current, A",
        line_x=(float(x[0]), float(x[-1])),
        line_y=(level, level),
        line_label="80 % of the fuse",
    )


def _trailer(evidence: Evidence) -> Cable | None:
    words = ("trailer", "tow", "plug")
    return next(
        (c for c in evidence.rig.cables if any(w in c.name for w in words)), None
    )


def _no_trailer(evidence: Evidence) -> str:
    if _trailer(evidence) is None:
        return "no cable named trailer, tow or plug in the rig file"
    return "" if evidence.names["charger"] else "no engine charger in the rig file"


def trailer_feed(evidence: Evidence) -> Result:
    """C8: the loss from car to trailer, drive by drive."""
    cable = _trailer(evidence)
    points = feed_points(evidence)
    loops = []
    for drive in evidence.drives:
        use = (points.minute >= drive.first) & (points.minute < drive.last)
        use &= points.current > 5.0
        if np.sum(use) >= 10:
            gap = points.drop[use] - points.zero
            loops.append(float(np.median(gap / points.current[use])))
    if not loops:
        return cannot_tell(
            "No drive with ten minutes of more than 5 A.", "a drive that charges"
        )
    full = float(np.percentile(points.current, 95))
    wanted = expected_loop(cable)
    design = wanted * full if np.isfinite(wanted) else 0.0
    worst = max(loops)
    lost = worst * full
    over = lost - design
    verdict = Verdict.PASS
    if over > TRAILER_LOOK:
        verdict = Verdict.FAULT if over > TRAILER_FAULT else Verdict.WORTH_A_LOOK
    grown = (loops[-1] - loops[0]) * full
    tail = (
        f", {grown:.1f} of it appeared after the first drive: plug"
        if grown > 0.3
        else ""
    )
    return Result(
        verdict=verdict,
        reads=(
            f"{lost:.1f} V lost between car and trailer at {full:.0f} A (by design "
            f"about {design:.1f}){tail}."
        ),
        value=over,
        count=len(loops),
        place=cable.name if cable else "",
    )


@dataclass(frozen=True, kw_only=True)
class FeedPoints:
    """
    Minutes of the feed to the charger: drop (V) against input current (A).

    ``minute`` are indices of the grid, ``zero`` the drop seen at no current (V).
    """

    minute: Array
    current: Array
    drop: Array
    zero: float


def feed_points(evidence: Evidence) -> FeedPoints:
    """Give the feed's drop against the charger's input current, engine on."""
    name = evidence.names["charger"]
    source = evidence.rig.source(name)
    out = evidence.minute(f"current_{name}_a")
    at_input = evidence.minute(f"voltage_{name}_in_v")
    start = evidence.minute("voltage_start_v")
    given = evidence.minute(f"voltage_{name}_v")
    given = np.where(np.isfinite(given), given, evidence.voltage)
    efficiency = source.efficiency if source else 0.9
    with np.errstate(invalid="ignore", divide="ignore"):
        current = input_current(1.0, 1.0, 1.0, efficiency) * out * given / at_input
    drop = start - at_input
    good = np.isfinite(current) & np.isfinite(drop) & (at_input > 9.0)
    quiet = good & (np.abs(out) < 0.3)
    zero = float(np.median(drop[quiet])) if np.sum(quiet) >= 10 else 0.0
    busy = good & (out > 1.0)
    if evidence.engine is not None:
        busy &= evidence.engine[0]
    index = np.flatnonzero(busy)
    return FeedPoints(minute=index, current=current[index], drop=drop[index], zero=zero)


ROWS: tuple[Row, ...] = (
    Row(
        id="C6",
        title="Fuse against the current seen",
        rule=fuse_loading,
        needs=(),
        limit=FUSE_SHARE,
        unit="share",
        counts="fused circuits",
        next="Feel the fuse holder, or measure the millivolts across the fuse; check "
        "what the cable may carry before anything is changed.",
        care="The fuse guards the cable, not the appliance: share the load out or "
        "find why it draws so much.",
    ),
    Row(
        id="C8",
        title="Trailer or tow feed drop",
        rule=trailer_feed,
        needs=(
            "voltage_start_v",
            "voltage_{charger}_in_v",
            "current_{charger}_a",
            "voltage_house_v",
        ),
        limit=TRAILER_LOOK,
        unit="V",
        counts="drives",
        fitted=_no_trailer,
        next="Millivolts across each half of the plug under load; feel for heat.",
        care="A long feed loses some by design; only what is above the rig's expected "
        "figure is judged.",
    ),
)
