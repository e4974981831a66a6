"""
The cautions that stand beside an answer and on each printed page.

It advises; it never instructs live work beyond a meter reading. Each caution says for
which rigs it matters, so that a page carries those that concern its reader.

References: hydrogen figure from IEC 62485-2 as reproduced on engineering pages (the
standard itself was not seen); the rest common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from campledger.model.rig import Rig

PAGE_LINE = (
    "It watches and counts; it does not certify. Mains wiring is work for a licensed "
    "person; your local rules decide. Not safety equipment."
)
"""One line for the foot of every printed page."""


@dataclass(frozen=True, kw_only=True)
class Caution:
    """One caution: ``applies`` is the thing a rig must have, or ``always``."""

    key: str
    applies: str
    title: str
    text: str


CAUTIONS = (
    Caution(
        key="gas",
        applies="lead",
        title="Gas",
        text=(
            "Lead batteries give off hydrogen when charged hard, sealed ones too: "
            "vent outdoors, no sparks or flame."
        ),
    ),
    Caution(
        key="short",
        applies="always",
        title="Short circuit",
        text=(
            "A house battery can pass hundreds of amps through a spanner: rings off, "
            "insulated tools, negative off first and on last, cover the other post."
        ),
    ),
    Caution(
        key="fuse",
        applies="always",
        title="Fuses",
        text=(
            "A fuse near the battery, sized to the cable. Sense leads of shunt and "
            "logger get their own small fuse at the tapping point. A fuse that blows "
            "is telling you something: never raise it."
        ),
    ),
    Caution(
        key="lithium",
        applies="lfp",
        title="Lithium",
        text=(
            "No charging below 0 °C or above the maker's limit, with the right "
            "charger profile. A battery that cut itself off may wake at full current. "
            "Never jump or parallel a flat start battery with it, never mix "
            "chemistries in parallel. Swelling, smell or heat: leave it and get out."
        ),
    ),
    Caution(
        key="inverter",
        applies="inverter",
        title="Inverter",
        text=(
            "Mains voltage kills, at camp as at home, and more so on wet ground. No "
            "wiring into vehicle sockets; earthing and residual-current protection "
            "follow local rules and the maker, by a licensed person. Its input lines "
            "are the biggest fire risk in the vehicle."
        ),
    ),
    Caution(
        key="panel",
        applies="solar",
        title="Panels",
        text=(
            "Live whenever there is light, and DC plugs arc: cover or switch off "
            "before unplugging. A short-circuit test needs a meter rated for it."
        ),
    ),
    Caution(
        key="acid",
        applies="always",
        title="Weight and acid",
        text=(
            "A battery can weigh 30 kg: lift with help, and secure it against a "
            "rollover. With acid, wear eye protection and keep water at hand."
        ),
    ),
    Caution(
        key="codes",
        applies="always",
        title="Rules",
        text=(
            "Vehicles, caravans and trailers have local electrical, gas and weight "
            "rules. This tool measures, it does not certify; mains work is for a "
            "licensed person; gross weight and axle limits are the law."
        ),
    ),
    Caution(
        key="driving",
        applies="always",
        title="Driving",
        text="Not for the driver while moving.",
    ),
    Caution(
        key="start",
        applies="always",
        title="Start battery",
        text=(
            "In remote places never rely on the house battery, or on “should "
            "start”, as the only way home: volts do not show cranking strength."
        ),
    ),
    Caution(
        key="food",
        applies="fridge",
        title="Food and medicine",
        text=(
            "Fridge air is not food temperature. The cold line of 5 °C is common "
            "food practice (from memory); medicine has its own limits, and the rig "
            "file can say that a fridge holds it."
        ),
    ),
    Caution(
        key="engine",
        applies="engine",
        title="Engine",
        text=(
            "Charging by engine means driving. Never idle it at camp; exhaust near an "
            "open tent or annex kills."
        ),
    ),
    Caution(
        key="logger",
        applies="always",
        title="This logger",
        text=(
            "In a hot sealed box it is itself a source of heat. It is not safety "
            "equipment: never the only alarm for gas, smoke, carbon monoxide or the "
            "protection of a battery."
        ),
    ),
    Caution(
        key="readonly",
        applies="always",
        title="Only watches",
        text=(
            "It cannot switch, charge or limit anything, and nobody should wire it "
            "so that it can."
        ),
    ),
)


def traits(rig: Rig) -> frozenset[str]:
    """Name what a rig has that a caution may be about."""
    has = {"always", "lead" if rig.house.is_lead else "lfp"}
    kinds = {x.kind for x in rig.loads} | {s.kind for s in rig.sources}
    if kinds & {"fridge", "freezer"}:
        has.add("fridge")
    if kinds & {"dcdc", "isolator"}:
        has.add("engine")
    if "inverter" in kinds:
        has.add("inverter")
    if "solar" in kinds:
        has.add("solar")
    return frozenset(has)


def cautions_for(rig: Rig) -> tuple[Caution, ...]:
    """Choose the cautions that concern a rig, in their fixed order."""
    has = traits(rig)
    return tuple(c for c in CAUTIONS if c.applies in has)


def caution(key: str) -> Caution:
    """
    Give one caution by its key.

    Raises
    ------
    ValueError
        There is no such caution.
    """
    found = next((c for c in CAUTIONS if c.key == key), None)
    if found is None:
        known = ", ".join(c.key for c in CAUTIONS)
        msg = f'caution: key is "{key}", expected one of {known}'
        raise ValueError(msg)
    return found
