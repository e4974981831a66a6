"""
The proof steps at the bench: what to do, what should be seen.

Pure: it says what to ask and what to read; `proof_verdicts` judges. The steps are
common practice, no source. A step of a part that the rig has not is left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from campledger.model.rig import Load, Rig

HOUSE = "current_house_a"
VOLTS = "voltage_house_v"
SHORT, STEADY, LONG = 15.0, 60.0, 1800.0
"""How long a step reads. [s]"""
IDLE = 300.0
ISOLATOR = 180.0
CARE = (
    "The battery can drive hundreds of amperes: take rings off, have the fuses in, "
    "keep tools off the posts. Where mains or fixed wiring is opened, leave it to a "
    "licensed person and the local code."
)
METER_CARE = "Zero the clamp meter first, jaws closed, away from any cable."


@dataclass(frozen=True, kw_only=True)
class Step:
    """
    One proof to make.

    ``kind`` names the rule that judges it. ``ask`` is the question for a meter reading,
    empty where the meter is not needed. ``seconds`` is how long the sensors are read
    after Enter. ``channel`` is judged; ``expected`` is in its unit, None without one.
    """

    number: int
    kind: str
    do: str
    see: str
    seconds: float
    channel: str = ""
    ask: str = ""
    name: str = ""
    expected: float | None = None
    tolerance: float | None = None


def proof_steps(
    rig: Rig, channels: Sequence[str], *, zero_limits: dict[str, float]
) -> tuple[Step, ...]:
    """
    Lay out the steps of a rig with these channels.

    Parameters
    ----------
    rig : Rig
        As described.
    channels : sequence of str
        What the sensors give.
    zero_limits : dict of str to float
        Largest zero error of each current: two counts of its chip, at least 20 mA.

    Returns
    -------
    steps : tuple of Step
        In the order to make them.
    """
    have = frozenset(channels)
    return (
        *_zeros(channels, zero_limits),
        *_known_load(have),
        *_circuits(rig, have),
        *_volts(channels),
        *_engine(rig, have),
        *_fridges(rig, have),
        *_inverters(rig, have),
        *_standing(rig, have),
        _cut(rig),
    )


def _zeros(channels: Sequence[str], limits: dict[str, float]) -> Iterator[Step]:
    for channel in channels:
        if channel.startswith("current_"):
            yield Step(
                number=1,
                kind="zero",
                channel=channel,
                do="Isolate everything: main fuse out, panel and charger off.",
                see=f"0 A within {limits[channel]:.3f} A",
                seconds=SHORT,
                expected=0.0,
                tolerance=limits[channel],
            )


def _known_load(have: frozenset[str]) -> Iterator[Step]:
    if HOUSE not in have:
        return
    yield Step(
        number=2,
        kind="load",
        channel=HOUSE,
        do=(
            "Main fuse in, charger and panel off. Switch one steady load on, about "
            f"5 A (a lamp, no compressor). {METER_CARE}"
        ),
        see="minus what the clamp shows, within 3 %",
        seconds=STEADY,
        ask="Clamp meter on that load's wire, amperes",
    )
    yield Step(
        number=3,
        kind="flip",
        channel=HOUSE,
        do="Load off. Switch the charger on, or start the engine.",
        see="the sign turns over: above 0, into the battery",
        seconds=SHORT,
    )


def _circuits(rig: Rig, have: frozenset[str]) -> Iterator[Step]:
    for load in rig.loads:
        if load.kind in {"logger", "standby"}:
            continue
        own = f"current_{load.name}_a"
        channel = own if own in have else HOUSE
        if channel not in have:
            continue
        yield Step(
            number=4,
            kind="circuit" if channel == own else "switch",
            channel=channel,
            name=load.name,
            do=(
                "Charger, panel and other loads off. Press Enter, then switch "
                f"{load.name} on within 5 s and leave it on."
            ),
            see="what the clamp shows on its wire, within 3 %",
            seconds=STEADY / 2,
            ask=f"Clamp meter on the wire of {load.name}, amperes",
        )


def _volts(channels: Sequence[str]) -> Iterator[Step]:
    for channel in channels:
        if channel.startswith("voltage_"):
            place = (
                channel.removeprefix("voltage_").removesuffix("_v").replace("_", " ")
            )
            yield Step(
                number=5,
                kind="volts",
                channel=channel,
                do="Leave all as it is; nothing may start while you measure.",
                see="what the meter shows, within 0.03 V",
                seconds=SHORT,
                ask=f"Voltmeter where {place} is measured, volts",
                tolerance=0.03,
            )


def _engine(rig: Rig, have: frozenset[str]) -> Iterator[Step]:
    crank = "voltage_start_v" if "voltage_start_v" in have else VOLTS
    if rig.start is not None and crank in have:
        yield Step(
            number=6,
            kind="crank",
            channel=crank,
            do="Press Enter, then crank the engine once within 10 s.",
            see="the volts dip and come back, no reading is lost",
            seconds=SHORT,
        )
    for source in rig.sources:
        if source.kind != "isolator":
            continue
        own = f"current_{source.name}_a"
        channel = "state_isolator" if "state_isolator" in have else own
        if channel in have:
            yield Step(
                number=7,
                kind="isolator",
                channel=channel,
                name=source.name,
                do="Engine on for a minute. Press Enter, then switch it off.",
                see="the isolator drops: nothing flows any more",
                seconds=ISOLATOR,
            )


def _fridges(rig: Rig, have: frozenset[str]) -> Iterator[Step]:
    for load in rig.loads:
        channel = f"temp_{load.name}_c"
        if load.kind in {"fridge", "freezer"} and channel in have:
            yield Step(
                number=8,
                kind="cool",
                channel=channel,
                name=load.name,
                do=f"{load.name} on, from warm; half an hour.",
                see="it cools by 1 K at least",
                seconds=LONG,
            )


def _inverters(rig: Rig, have: frozenset[str]) -> Iterator[Step]:
    for load in rig.loads:
        own = f"current_{load.name}_a"
        channel = own if own in have else HOUSE
        if load.kind == "inverter" and channel in have:
            yield Step(
                number=9,
                kind="idle",
                channel=channel,
                name=load.name,
                do="All other loads and chargers off. Inverter on, nothing plugged in.",
                see="its idle draw" + _about(load),
                seconds=IDLE,
                ask="Clamp meter on the inverter's DC wire, amperes",
                expected=load.current_idle,
            )


def _about(load: Load) -> str:
    idle = load.current_idle
    return f", described as {idle:g} A" if idle is not None else ""


def _standing(rig: Rig, have: frozenset[str]) -> Iterator[Step]:
    if HOUSE not in have:
        return
    known = sum(
        x.current_on or 0.0 for x in rig.loads if x.kind in {"logger", "standby"}
    )
    yield Step(
        number=10,
        kind="standing",
        channel=HOUSE,
        do="Switch everything off as for a night away; half an hour.",
        see=f"no more than 0.15 A beyond the {known:g} A that are described",
        seconds=LONG,
        expected=known,
        tolerance=0.15,
    )


def _cut(rig: Rig) -> Step:
    return Step(
        number=11,
        kind="cut",
        do=(
            "Start the logger (campledger log), let it run two minutes, pull its power "
            "without warning, plug it in again, run this command again and come here."
        ),
        see=f"nothing lost but the last {rig.logger.window:g} s",
        seconds=0.0,
        ask="When did you pull it (HH:MM:SS on this computer; Enter = not done)",
        tolerance=rig.logger.window,
    )
