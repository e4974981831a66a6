"""What the sun's estimate says in words: consistent with, never lost."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.sun_fit import NOON_LEAST

if TYPE_CHECKING:
    from campledger.estimate.sun_camps import Camp
    from campledger.estimate.sun_fit import PanelFit
    from campledger.estimate.sun_held import HeldEvidence
    from campledger.estimate.sun_possible import Possible
    from campledger.model.rig import Source
    from campledger.model.series import BoolArray, FloatArray

SILENT_LEAST = 20
"""Shorter silences are not reported. [minutes]"""
UNSEEN_SHARE = 0.05
"""More than this in hours never seen free is said. Common practice, no source."""


def tell_sun(
    source: Source,
    camps: tuple[Camp, ...],
    evidence: HeldEvidence,
    fit: PanelFit,
    possible: Possible,
    power: FloatArray,
    shaded: BoolArray,
    silent: int,
) -> tuple[str, ...]:
    """
    Say in lines what was found and on what it rests.

    Parameters
    ----------
    source : Source
        The panel.
    camps : tuple of Camp
        Stays.
    evidence : HeldEvidence
        What a full battery held back.
    fit : PanelFit
        The panel.
    possible : Possible
        What it could have given.
    power : (m,) float64
        What it gave. [W]
    shaded : (m,) bool
        Consistent with shade. [1]
    silent : int
        Minutes of daylight without output below the set point. [1]

    Returns
    -------
    notes : tuple of str
        For the statement and the report.

    References
    ----------
    .. [1] Common practice, no source.
    """
    notes = []
    held = float(evidence.held.sum()) / 60.0
    unused = possible.energy - float(np.nansum(power)) / 60.0
    if held > 0.1:
        notes.append(
            f"held back for {held:.1f} h: volts at the set point "
            f"({evidence.floating:.2f} or {evidence.absorption:.2f} V) while the "
            "current followed the loads or fell; consistent with about "
            f"{max(unused, 0.0):.0f} W.h more"
        )
        if evidence.compensation > 0:
            notes.append(
                "set points follow the cold: "
                f"{1000 * evidence.compensation:.0f} mV a kelvin below 25 Cel added"
            )
    if fit.smooth_minutes < 20:
        notes.append(
            "no clear sun without holding back was seen: strength from the nameplate"
        )
    if shaded.any():
        notes.append(
            f"consistent with shade for {shaded.sum() / 60:.1f} h: low at the same "
            "place of the sun on several days of one camp"
        )
    if silent >= SILENT_LEAST:
        notes.append(
            f"{silent / 60:.1f} h of daylight gave nothing although volts were below "
            "the set point: not held back; look at fuse, plug, cover"
        )
    notes += _place_notes(camps, fit) + _unseen_notes(evidence, power, possible)
    if source.power_panel is None:
        notes.append("no nameplate given")
    return tuple(notes)


def _place_notes(camps: tuple[Camp, ...], fit: PanelFit) -> list[str]:
    if all(c.placed for c in camps):
        return []
    notes = ["camps without a position keep the rig file's latitude"]
    moved = [n for n in fit.noon if abs(n) > NOON_LEAST]
    if moved:
        notes.append(
            f"solar noon fitted in {len(moved)} camps, by {min(moved) / 60:+.0f} to "
            f"{max(moved) / 60:+.0f} min (a lean to east or west looks alike)"
        )
    return notes


def _unseen_notes(
    evidence: HeldEvidence, power: FloatArray, possible: Possible
) -> list[str]:
    """Name it when no free sun of the middle of any day was seen."""
    unused = np.where(evidence.held, possible.power - np.nan_to_num(power), 0.0)
    known = np.isfinite(possible.index) & ~evidence.held & ~evidence.doubtful
    clock = np.arange(len(power)) // 60 % 24
    total = np.bincount(clock, unused, 24)
    seen = np.bincount(clock, known.astype(np.float64), 24)
    hidden = float(total[seen < 10].sum()) / max(float(np.nansum(possible.power)), 1e-9)
    if hidden < UNSEEN_SHARE:
        return []
    return [
        f"{hidden:.0%} of what was possible lies in hours that were never seen free: "
        "there only the clear-sky model and the other hours speak"
    ]
