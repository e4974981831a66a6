"""The contract's order of verdicts, from outcomes made by hand. No source."""

from __future__ import annotations

from dataclasses import replace

import pytest

from campledger.judge.options.types import (
    Change,
    OptionResult,
    Outcome,
    Validation,
)
from campledger.judge.options.verdict import code_of, decide, describe, rank
from campledger.model.estimates import Estimate
from campledger.model.rig import House, Rig

RIG = Rig(
    name="van", timezone="UTC", house=House(chemistry="agm", capacity_rated=100.0)
)
GOOD = Validation(bias_daily=0.0, rmse_hourly=0.05, accepted=True)


def plain(value):
    return Estimate(value=value, lo=value, hi=value)


def outcome(below=0.0, off=0.0, *, low=0.6, mass=0.0, price=None):
    return Outcome(
        soc_min=plain(low),
        hours_below_floor=plain(below),
        hours_without_power=plain(off),
        fridge_hours_lost=plain(0.0),
        unused_solar=plain(0.0),
        days_short_of_full=0,
        mass=mass,
        margin=None,
        price_per_night=price,
        floor=0.5,
        capacity=100.0,
    )


def option(change, made, **more):
    return OptionResult(
        change=change, outcome=made, difference=plain(0.1), shows=True, **more
    )


def verdict(base, *options, validation=GOOD, faults=None):
    return decide(base, options, validation, RIG, faults or {})


SHORT = outcome(6.0, low=0.4)
BATTERY, PANEL = Change(capacity=200.0), Change(power_panel=200.0)


def test_nothing_comes_first_whatever_would_have_helped():
    made = verdict(outcome(), option(BATTERY, outcome(low=0.9)))
    assert (made.code, made.met, made.change) == ("nothing", True, None)
    assert made.text.startswith("Nothing to buy. Lowest point was 60 Ah of 100")


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ((BATTERY, Change(without=("fan",))), "habit"),
        ((BATTERY, Change(fixed="C9")), "fix"),
        ((Change(panel_position=True), Change(inverter_12v=True)), "fix"),
        ((BATTERY, Change(panel_position=True)), "habit"),
        ((Change(fixed="C9"), Change(hours={"fan": 1.0})), "habit"),
        ((BATTERY,), "buy"),
    ],
)
def test_the_cheapest_kind_that_meets_it_is_named(changes, code):
    made = verdict(SHORT, *(option(c, outcome()) for c in changes))
    assert (made.code, made.met) == (code, True)


def test_fewest_kilograms_among_purchases():
    made = verdict(
        SHORT, option(BATTERY, outcome(mass=30.0)), option(PANEL, outcome(mass=8.0))
    )
    assert made.change == PANEL


def test_over_the_weight_limit_is_never_recommended():
    made = verdict(
        SHORT,
        option(PANEL, outcome(mass=8.0), over_limit=4.0),
        option(BATTERY, outcome(mass=30.0)),
    )
    assert made.change == BATTERY


def test_none_meets_it_the_nearest_is_named_and_met_is_false():
    made = verdict(
        SHORT, option(BATTERY, outcome(3.0)), option(PANEL, outcome(3.0, 1.0))
    )
    assert (made.code, made.met, made.change) == ("buy", False, BATTERY)
    assert "nearest: a battery of 200 Ah" in made.text


def test_a_replay_that_was_refused_tells_nothing():
    bad = replace(GOOD, accepted=False, reason="it misses the record")
    made = verdict(SHORT, option(BATTERY, outcome()), validation=bad)
    assert made.code == "cannot_tell"
    assert "it misses the record" in made.text


def test_what_cannot_be_told_says_why():
    dark = OptionResult(
        change=PANEL,
        outcome=None,
        difference=Estimate.missing("x"),
        shows=False,
        refused="no sun was recorded",
    )
    made = verdict(SHORT, dark)
    assert made.code == "cannot_tell"
    assert "no sun was recorded" in made.text


def test_never_measured_weather_gets_a_range_and_no_verdict():
    nan = float("nan")
    wide = replace(outcome(), soc_min=Estimate(value=nan, lo=0.1, hi=0.4))
    hot = Change(temp_air=38.0)
    made = verdict(outcome(), option(hot, wide, ranged="38 degC is hotter"))
    assert (made.code, made.met) == ("cannot_tell", False)
    assert "between 10 and 40 Ah" in made.text


def test_measured_weather_takes_the_place_of_the_trip_as_driven():
    warm = Change(temp_air=25.0)
    made = verdict(
        outcome(),
        option(warm, outcome(4.0)),
        option(replace(BATTERY, temp_air=25.0), outcome()),
    )
    assert (made.code, made.met) == ("buy", True)


def test_a_found_fault_is_told_with_its_name():
    made = verdict(
        SHORT,
        option(Change(fixed="C9"), outcome()),
        faults={"C9": "charger starved"},
    )
    assert "charger starved" in made.text


def test_more_panel_that_finds_no_place_is_called_wasted():
    made = verdict(outcome(), option(PANEL, outcome(), wasted=0.8))
    assert "would mostly be wasted" in made.text


def test_ties_name_what_would_break_them_and_not_a_better_one():
    cheap = outcome(mass=-22.0, price=1.625)
    same = outcome(mass=0.0, price=1.75)
    made = verdict(
        SHORT,
        option(Change(capacity=63.0, chemistry="lfp"), cheap),
        option(Change(capacity=100.0, new_battery=True), same),
    )
    assert "About the same money a night" in made.tie
    assert "Kilograms and charge speed would break the tie" in made.tie
    assert "better" not in made.tie + made.text


def test_close_kilograms_are_a_tie_too():
    made = verdict(
        SHORT, option(BATTERY, outcome(mass=8.0)), option(PANEL, outcome(mass=9.0))
    )
    assert "About the same" in made.tie


def test_order_and_codes():
    order = [
        Change(without=("fan",)),
        Change(fixed="C9"),
        Change(inverter_12v=True),
        Change(panel_position=True),
        BATTERY,
    ]
    assert [rank(c) for c in order] == [0, 1, 2, 3, 4]
    assert [code_of(c) for c in order] == ["habit", "fix", "fix", "habit", "buy"]
    assert describe(Change(), RIG) == "van as driven"
    assert describe(Change(temp_air=38.0, sun_share=0.5), RIG) == (
        "air of 38 degC on the mean and 0.5 times this trip's sun"
    )
