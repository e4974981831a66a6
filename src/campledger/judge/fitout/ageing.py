"""The fingerprint of a fit-out: what ages, and what aged since an earlier one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.finding import Fingerprint, Verdict
from campledger.judge.fitout import battery, fridge, loads, wiring

if TYPE_CHECKING:
    from campledger.judge.fitout.evidence import Evidence


def take_fingerprint(evidence: Evidence) -> Fingerprint:
    """
    Keep what ages, for a later year.

    Parameters
    ----------
    evidence : Evidence
        The trip.

    Returns
    -------
    fingerprint : Fingerprint
        NaN or absent where not measured.

    References
    ----------
    .. [1] Common practice, no source.
    """
    nan = float("nan")
    loops, per_k = {}, nan
    name = evidence.names["fridge"]
    wanted = ("voltage_house_v", f"voltage_{name}_v", f"current_{name}_a")
    if name and all(evidence.has(c) for c in wanted):
        loop = evidence.fridge_loop
        if loop.count >= wiring.STEPS_LEAST:
            loops[name] = loop.value
    if name and evidence.has(f"current_{name}_a"):
        per_k = fridge.charge_per_k(evidence, np.isfinite(evidence.minute_utc))
    resistance, temp, _ = battery.battery_resistance(evidence)
    standing = nan
    if evidence.has("current_house_a"):
        result = loads.standing_draw(evidence)
        night = (evidence.hour > 2.0) & (evidence.hour <= 5.0)
        night &= np.isfinite(evidence.current)
        if result.verdict != Verdict.CANNOT_TELL and night.any():
            standing = float(np.percentile(-evidence.current[night], 5))
    zeros = {
        p.channel: float(p.logged or 0.0) - float(p.typed or 0.0)
        for p in evidence.proofs
        if p.step == 1 and p.logged is not None
    }
    return Fingerprint(
        made_utc=evidence.record.end_utc,
        loops=loops,
        resistance_house=resistance,
        resistance_temp=temp,
        current_standing=standing,
        zeros=zeros,
        fridge_charge_per_k=per_k,
    )


def what_aged(now: Fingerprint, before: Fingerprint | None) -> tuple[str, ...]:
    """
    Lay two fingerprints side by side.

    Parameters
    ----------
    now, before : Fingerprint
        Of this trip and of an earlier one.

    Returns
    -------
    lines : tuple of str
        One for each figure that both hold.

    References
    ----------
    .. [1] Common practice, no source.
    """
    if before is None:
        return ()
    rows = [
        (f"{place} feed", 1000 * now.loops[place], 1000 * before.loops[place], "mOhm")
        for place in now.loops
        if place in before.loops
    ]
    rows.append(
        (
            "battery and lugs",
            1000 * now.resistance_house,
            1000 * before.resistance_house,
            "mOhm",
        )
    )
    rows.append(("standing draw", now.current_standing, before.current_standing, "A"))
    rows += [
        (f"zero of {c}", now.zeros[c], before.zeros[c], "A")
        for c in now.zeros
        if c in before.zeros
    ]
    rows.append(
        (
            "fridge for each kelvin",
            now.fridge_charge_per_k,
            before.fridge_charge_per_k,
            "Ah a day",
        )
    )
    return tuple(
        f"{what}: {a:.3g} {unit}, was {b:.3g}"
        for what, a, b, unit in rows
        if np.isfinite(a) and np.isfinite(b)
    )
