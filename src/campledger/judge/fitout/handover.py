"""
The data of the handover page: rig as described, proofs, findings, fingerprint.

Nothing is judged here and nothing is printed; the page is made elsewhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.judge.cables import JOINTS, TEMP_WORKING, loop_resistance
from campledger.judge.finding import Fingerprint, Fitout, Handover, Proof

if TYPE_CHECKING:
    from campledger.model.rig import Cable, Rig, Source
    from campledger.model.series import TripRecord

STEPS: tuple[tuple[int, str], ...] = (
    (1, "Everything isolated: zero reading"),
    (2, "One known steady load for 60 s: sign and scale"),
    (3, "Charger or engine on: the sign flips"),
    (4, "Each circuit on and off in turn"),
    (5, "Volts at battery, fridge plug, charger input by meter"),
    (6, "Crank once"),
    (7, "Engine off, wait for the isolator to drop"),
    (8, "Fridge on from warm, 30 min"),
    (9, "Inverter on, nothing plugged in, 5 min"),
    (10, "All off, 30 min: standing draw"),
    (11, "Logger's power pulled without warning, restarted"),
)
"""The proof steps of commissioning: common practice, no source."""


def _source_words(source: Source) -> str:
    if source.kind == "solar":
        power = f"{source.power_panel:g} W, " if source.power_panel else ""
        return f"solar, {power}{source.regulator}, {source.voltage_absorption:g} V"
    rated = f"{source.current_rated:g} A, " if source.current_rated else ""
    if source.kind == "isolator":
        low, high = source.voltage_cut_out, source.voltage_cut_in
        return f"isolator, in {high:g} V, out {low:g} V"
    return f"{source.kind}, {rated}{source.voltage_absorption:g} V"


def _cable_words(cable: Cable) -> str:
    loop = loop_resistance(cable.length, cable.area, temp=TEMP_WORKING, joints=JOINTS)
    text = (
        f"{cable.place_from} to {cable.place_to}, {cable.length:g} m one way, "
        f"{cable.size}, expected {1000 * loop:.0f} milliohm"
    )
    if cable.current_fuse is not None:
        text += f", fuse {cable.current_fuse:g} A"
        if cable.distance_fuse is not None:
            text += f" at {cable.distance_fuse:g} m"
    return text


def describe(rig: Rig) -> tuple[tuple[str, str], ...]:
    """
    Write a rig as its owner described it, in short lines.

    Parameters
    ----------
    rig : Rig
        The vehicle.

    Returns
    -------
    lines : tuple of (str, str)
        A name and its words; defaults say "assumed".

    References
    ----------
    .. [1] Common practice, no source.
    """
    house = rig.house
    floor = " (assumed)" if "house.floor" in rig.assumed else ""
    volts = " (assumed)" if "house.absorption_v" in rig.assumed else ""
    lines = [
        (
            "House battery",
            f"{house.chemistry}, {house.capacity_rated:g} Ah, floor "
            f"{house.floor:.0%}{floor}, absorption {house.voltage_absorption:g} V"
            f"{volts}, float {house.voltage_float:g} V",
        )
    ]
    if rig.start is not None:
        lines.append(("Start battery", rig.start.chemistry))
    lines.append(("Alternator", rig.alternator))
    lines += [(s.name, _source_words(s)) for s in rig.sources]
    lines += [
        (
            x.name,
            x.kind + (f", {x.current_on:g} A while on" if x.current_on else ""),
        )
        for x in rig.loads
    ]
    lines += [(f"Cable {c.name}", _cable_words(c)) for c in rig.cables]
    return tuple(lines)


def make_handover(
    record: TripRecord,
    rig: Rig,
    fitout: Fitout,
    *,
    proofs: tuple[Proof, ...] = (),
    earlier: Fingerprint | None = None,
) -> Handover:
    """
    Gather what the printed handover page needs.

    Parameters
    ----------
    record : TripRecord
        The shakedown trip.
    rig : Rig
        The vehicle as described.
    fitout : Fitout
        Its findings.
    proofs : tuple of Proof
        Commissioning readings as typed in.
    earlier : Fingerprint, optional
        Of an earlier year.

    Returns
    -------
    handover : Handover
        Plain data.

    References
    ----------
    .. [1] Common practice, no source.
    """
    return Handover(
        vehicle=rig.name,
        rig=rig,
        trip_start_utc=record.start_utc,
        trip_end_utc=record.end_utc,
        utc_offset=record.utc_offset,
        described=describe(rig),
        proofs=tuple(sorted(proofs, key=lambda p: (p.step, p.time_utc))),
        steps=STEPS,
        fitout=fitout,
        earlier=earlier,
    )
