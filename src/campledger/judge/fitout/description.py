"""
Checks of the rig file alone, before any record exists.

Each is labelled "from description": it is as good as the file.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.judge.cables import (
    DROP_TIGHT,
    JOINTS,
    TEMP_WORKING,
    VOLTAGE_NOMINAL,
    input_current,
    loop_resistance,
)
from campledger.judge.finding import Finding, LimitKind, Sure, Verdict

if TYPE_CHECKING:
    from campledger.model.rig import Cable, Rig

FUSE_DISTANCE = 0.2
FUSE_DISTANCE_BOXED = 1.0
FUSE_SOURCE = (
    "a trade summary of AS/NZS 3001.2:2022 5.4, second-hand: within 200 mm of the "
    "battery, just outside its enclosure, or up to 1 m if suitably enclosed"
)
INPUT_VOLTS = 12.5
FLOORS = {True: 0.5, False: 0.2}
_CARE = "Not a log result: from description, as good as the rig file."


def _fuse_of(cable: Cable) -> tuple[list[str], list[str], list[str]]:
    """Give what is wrong, what is doubtful, and what is not said of one fuse."""
    bad, soft, missing = [], [], []
    if cable.current_rating is None:
        missing.append(f"rating_a of [cable.{cable.name}]")
    elif (cable.current_fuse or 0.0) > cable.current_rating:
        bad.append(
            f"the {cable.name} cable may carry {cable.current_rating:g} A and has a "
            f"{cable.current_fuse:g} A fuse"
        )
    far = cable.distance_fuse
    if far is not None and far > FUSE_DISTANCE_BOXED:
        bad.append(f"{far:.1f} m of unfused {cable.name} cable from the battery")
    elif far is not None and far > FUSE_DISTANCE + 1e-9:
        soft.append(
            f"the {cable.name} fuse is {far:.2f} m from the battery: fine only if "
            "suitably enclosed"
        )
    return bad, soft, missing


def check_fuses(rig: Rig) -> Finding:
    """
    Judge fuses against cables and their distance from the battery (C7).

    Parameters
    ----------
    rig : Rig
        The vehicle as described.

    Returns
    -------
    finding : Finding
        Id C7, from description.

    References
    ----------
    .. [1] The trade summary named in the finding; the rest is arithmetic.
    """
    bad, soft, missing = [], [], []
    fused = [c for c in rig.cables if c.current_fuse is not None]
    judged = len(fused)
    for cable in fused:
        hard, mild, absent = _fuse_of(cable)
        bad += hard
        soft += mild
        missing += absent
    verdict = Verdict.PASS
    if bad:
        verdict = Verdict.FAULT
    elif soft:
        verdict = Verdict.WORTH_A_LOOK
    elif not judged:
        verdict = Verdict.CANNOT_TELL
    text = "The file shows " + "; ".join([*bad, *soft]) + "."
    if verdict == Verdict.PASS:
        text = f"{judged} fuses lie inside the cable figures that you gave."
    elif verdict == Verdict.CANNOT_TELL:
        text = "The rig file describes no fused cable."
        missing = missing or ["[cable.NAME] tables with fuse_a and rating_a"]
    return Finding(
        id="C7",
        title="Fuse bigger than the cable, or far from the battery",
        verdict=verdict,
        sure=Sure.MEASURED if not missing else Sure.LIKELY,
        reads=f"From description: {text}",
        value=float(len(bad) + len(soft)),
        unit="circuits",
        limit=0.0,
        limit_kind=LimitKind.DERIVED,
        limit_source=f"rating_a of the rig file; {FUSE_SOURCE}",
        evidence_count=judged,
        evidence_unit="fused cables",
        next="Look and measure: the print on the fuse and on the sheath, and the "
        "distance from the post.",
        care=_CARE,
        needs=tuple(missing) if verdict == Verdict.CANNOT_TELL else (),
        from_description=True,
    )


def _note(
    name: str, title: str, verdict: Verdict, reads: str, *, value: float, unit: str
) -> Finding:
    return Finding(
        id=name,
        title=title,
        verdict=verdict,
        sure=Sure.MEASURED,
        reads=f"From description: {reads}",
        value=value,
        unit=unit,
        limit_kind=LimitKind.DERIVED,
        limit_source="arithmetic on the rig file",
        evidence_count=1,
        evidence_unit="description",
        next="Check the figure in the rig file against the thing itself.",
        care=_CARE,
        from_description=True,
    )


def _charger_input(rig: Rig) -> list[Finding]:
    found = []
    for source in rig.sources:
        if source.kind != "dcdc" or not source.current_rated:
            continue
        drawn = input_current(
            source.current_rated,
            source.voltage_absorption,
            INPUT_VOLTS,
            source.efficiency,
        )
        cable = rig.cable_to(source.name)
        fuse = cable.current_fuse if cable else None
        bad = fuse is not None and fuse < drawn
        text = (
            f"{source.name} gives {source.current_rated:g} A and draws about "
            f"{drawn:.0f} A at {INPUT_VOLTS} V"
        )
        text += f"; its fuse is {fuse:g} A." if fuse is not None else "."
        found.append(
            _note(
                f"D1.{source.name}",
                "Charger input current",
                Verdict.WORTH_A_LOOK if bad else Verdict.PASS,
                text,
                value=drawn,
                unit="A",
            )
        )
    return found


def _charge_limit(rig: Rig) -> list[Finding]:
    found = []
    total = sum(s.current_rated or 0.0 for s in rig.sources if s.kind != "solar")
    limit = rig.house.current_charge_max
    if total:
        bad = total > limit
        found.append(
            _note(
                "D2",
                "Charger against the battery's limit",
                Verdict.WORTH_A_LOOK if bad else Verdict.PASS,
                f"chargers give {total:g} A; the battery takes {limit:g} A"
                + (" (assumed)." if "house.charge_max_a" in rig.assumed else "."),
                value=total,
                unit="A",
            )
        )
    return found


def _floor(rig: Rig) -> Finding:
    house = rig.house
    usual = FLOORS[house.is_lead]
    low = house.floor < usual - 1e-9
    said = " (assumed)" if "house.floor" in rig.assumed else ""
    usable = (1 - house.floor) * (house.capacity_now or house.capacity_rated)
    return _note(
        "D3",
        "Floor and usable charge",
        Verdict.WORTH_A_LOOK if low else Verdict.PASS,
        f"floor {house.floor:.0%}{said} leaves {usable:.0f} Ah to use"
        + (f"; {usual:.0%} is usual for this chemistry." if low else "."),
        value=usable,
        unit="Ah",
    )


def _cable(rig: Rig, cable: Cable) -> Finding:
    loop = loop_resistance(cable.length, cable.area, temp=TEMP_WORKING, joints=JOINTS)
    load = rig.load(cable.place_to)
    source = rig.source(cable.place_to)
    current = load.current_on if load else None
    if source is not None and source.kind == "dcdc" and source.current_rated:
        current = input_current(
            source.current_rated, source.voltage_absorption, INPUT_VOLTS
        )
    words = f"{cable.size} read as {cable.area:.2f} mm2 of copper"
    text = f"{cable.name}: {words}, {1000 * loop:.0f} milliohm out and back at 40 degC"
    verdict = Verdict.PASS
    if current:
        share = loop * current / VOLTAGE_NOMINAL
        text += f", {loop * current:.2f} V ({share:.1%}) at {current:.1f} A"
        tight = load is not None and load.kind in ("fridge", "freezer")
        if tight and share > DROP_TIGHT:
            verdict = Verdict.WORTH_A_LOOK
            text += ", over the 3 % figure"
    if "auto" in cable.size.lower():
        text += "; sizes of automotive cable vary by maker"
    return _note(
        f"D4.{cable.name}",
        "Cable as described",
        verdict,
        text + ".",
        value=1000 * loop,
        unit="milliohm",
    )


def _mass(rig: Rig) -> list[Finding]:
    parts = [rig.house.mass, rig.start.mass if rig.start else None]
    parts += [s.mass for s in rig.sources] + [x.mass for x in rig.loads]
    parts += [c.mass for c in rig.cables]
    known = [m for m in parts if m]
    if rig.mass_limit is None or rig.mass_weighed is None:
        return []
    margin = rig.mass_limit - rig.mass_weighed
    text = f"{abs(margin):.0f} kg {'under' if margin >= 0 else 'over'} the limit"
    if known:
        text += f"; {sum(known):.0f} kg of electrical parts are described"
    return [
        _note(
            "D5",
            "Mass",
            Verdict.PASS if margin >= 0 else Verdict.FAULT,
            text + ".",
            value=margin,
            unit="kg",
        )
    ]


def check_description(rig: Rig) -> tuple[Finding, ...]:
    """
    Judge the rig file alone: fuses, charger input, limits, floor, cables, masses.

    Parameters
    ----------
    rig : Rig
        The vehicle as described.

    Returns
    -------
    findings : tuple of Finding
        C7 first, then D1 to D5; all labelled "from description".

    References
    ----------
    .. [1] Common practice, no source.
    """
    return (
        check_fuses(rig),
        *_charger_input(rig),
        *_charge_limit(rig),
        _floor(rig),
        *(_cable(rig, c) for c in rig.cables),
        *_mass(rig),
    )
