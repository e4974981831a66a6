"""Invented answers and findings, as judges hand them to those who print them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from campledger.judge.enough_types import (
    CarAnswer,
    Condition,
    Enough,
    FridgeAnswer,
    HoursToFloor,
    Saving,
    Urgent,
)
from campledger.judge.finding import (
    CorrectionOffer,
    Finding,
    Fingerprint,
    Fitout,
    LimitKind,
    NextSensor,
    Picture,
    Sure,
    Verdict,
)
from campledger.judge.statement_types import LowPoint
from campledger.model.estimates import Estimate

AT = 1777625400.0  # 2026-05-01T18:20:00+09:30
OFFSET = 9.5 * 3600


def invented_enough(**changes):
    answer = Enough(
        at=AT,
        as_of=AT - 60,
        utc_offset=OFFSET,
        basis="this trip",
        verdict="yes",
        reason="the night takes 34 Ah and nothing comes in before dawn",
        conditions=(
            Condition(
                kind="sun",
                text="tomorrow is like the worst day of this trip",
                verdict="too_close",
                spare=1.0,
            ),
        ),
        until=AT + 14 * 3600 + 2400,
        until_word="the next drive",
        soc=Estimate(value=0.92, lo=0.89, hi=0.95),
        used_since_full=8.0,
        used_since=AT - 86400,
        in_hand=Estimate(value=42.0, lo=39.0, hi=45.0),
        spare=Estimate(value=8.0, lo=5.0, hi=11.0),
        low_point=LowPoint(time_utc=AT + 14 * 3600, soc=0.58, spare=8.0),
        low_charge=58.0,
        hours_to_floor=HoursToFloor(p10=18.0, p50=21.0, p90=None),
        horizon=72.0,
        chance_lasts=0.999,
        car=CarAnswer(
            verdict="should_start",
            reason="start battery 12.62 V rested 9 h, not joined; volts only",
            volts=12.62,
            rested=9.0,
            joined=False,
        ),
        fridge=FridgeAnswer(
            name="fridge",
            verdict="holds",
            reason="",
            temp=3.8,
            limit=5.0,
            hours_to_limit=0.54,
        ),
        savings=(
            Saving(
                load="inverter",
                kind="inverter",
                charge=13.0,
                charge_a_day=14.4,
                text="Inverter off: 13 Ah by then",
            ),
            Saving(
                load="fridge",
                kind="fridge",
                charge=3.0,
                charge_a_day=3.5,
                text="",
                note="food reaches 11 degC",
            ),
        ),
        nights_in_hand=1,
        counted_since="Sunday's full charge",
        capacity=100.0,
    )
    return replace(answer, **changes)


def urgent_enough():
    return invented_enough(
        urgent=(Urgent(code="lithium_cold", text="charging a frozen battery"),),
        verdict="cannot_tell",
        reason="no current of the battery is recorded",
        spare=Estimate.missing("no current"),
        in_hand=Estimate.missing("no current"),
        used_since_full=float("nan"),
        low_point=None,
        hours_to_floor=HoursToFloor(p10=None, p50=None, p90=None),
        fridge=FridgeAnswer(
            name="fridge", verdict="cannot_tell", reason="fridge not measured"
        ),
        savings=(),
        as_of=AT - 7200,
    )


def _finding(name, verdict, **more):
    base = Finding(
        id=name,
        title=f"Title of {name}",
        verdict=verdict,
        sure=Sure.MEASURED,
        reads="",
    )
    return replace(base, **more)


def invented_fitout():
    current = np.linspace(0, 4.2, 30)
    picture = Picture(
        kind="slope",
        title="Volts lost on the way to the fridge",
        x=tuple(current),
        y=tuple(0.107 * current + 0.02),
        x_label="fridge current, A",
        y_label="volts lost, V",
        line_x=(0.0, 4.2),
        line_y=(0.02, 0.47),
        line_label="107 milliohm",
    )
    series = Picture(
        kind="series",
        title="Current through the night",
        x=tuple(AT + 60.0 * np.arange(300)),
        y=tuple(np.full(300, 0.47)),
        x_label="time",
        y_label="current, A",
    )
    drop = _finding(
        "C1",
        Verdict.FAULT,
        title="Volt drop to the fridge",
        reads="fridge feed loses 0.45 V at 4.2 A (3.8 %)",
        value=0.107,
        value_lo=0.104,
        value_hi=0.110,
        unit="Ohm",
        limit=0.085,
        limit_kind=LimitKind.COMMON_PRACTICE,
        evidence_count=41,
        evidence_unit="compressor starts",
        cause_of=("C3",),
        next="meter + to +, then - to -, compressor running",
        care="a sense lead before the plug hides the worst joint",
        place="fridge",
        picture=picture,
    )
    standing = _finding(
        "C28",
        Verdict.WORTH_A_LOOK,
        title="Standing draw at night",
        reads="0.47 A with everything off",
        value=0.47,
        unit="A",
        picture=series,
    )
    early = _finding("C3", Verdict.FAULT, cause="C1", reads="fridge stops early")
    cannot = _finding("C9", Verdict.CANNOT_TELL, needs=("voltage_alternator_in_v",))
    fine = _finding("C18", Verdict.PASS, reads="never above 14.6 V")
    absent = _finding("C8", Verdict.NOT_FITTED)
    return Fitout(
        sensors=(_finding("C35", Verdict.PASS),),
        findings=(drop, early, absent, cannot, fine, standing),
        causes=(drop,),
        fingerprint=Fingerprint(made_utc=AT),
        next_sensor=NextSensor(
            channel="voltage_alternator_in_v",
            settles=("C9",),
            text="The charger's input volts would settle most",
        ),
        corrections=(
            CorrectionOffer(
                channel="current_house_a",
                scale=-1.0,
                offset=0.0,
                reason="sense leads swapped",
                text='[[correction]]\nchannel = "current_house_a"\nscale = -1',
            ),
        ),
        summary="One cause to open up; 1 pass, 1 can't tell",
        aged=("fridge feed was 60 milliohm in March",),
    )
