"""Several trips: weighed by nights, judged on each, the hardest apart. No source."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from test_options_verdict import GOOD, RIG, option, outcome

from campledger.judge.options.several import TripOptions, together
from campledger.judge.options.types import Change

BATTERY, PANEL = Change(capacity=200.0), Change(power_panel=200.0)


def trip(name, nights, base, *options, air=20.0, sun=300.0, validation=GOOD):
    made = SimpleNamespace(
        baseline=base,
        options=options,
        validation=validation,
        verdict=SimpleNamespace(text=""),
    )
    return TripOptions(
        name=name, nights=nights, air_mean=air, sun_a_day=sun, options=made
    )


def test_hours_are_weighed_by_nights():
    made = together(
        [trip("long", 9, outcome(0.0)), trip("short", 1, outcome(5.0))], RIG
    )
    assert made.baseline.below_a_night == pytest.approx(0.5)
    assert (made.baseline.nights_met, made.baseline.nights) == (9, 10)


def test_nothing_only_if_every_trip_met_it():
    good = [trip("a", 4, outcome(low=0.7)), trip("b", 2, outcome(low=0.55))]
    made = together(good, RIG)
    assert made.verdict.code == "nothing"
    assert "55%, on b" in made.verdict.text


def test_a_change_must_meet_it_on_every_trip():
    made = together(
        [
            trip(
                "cool",
                4,
                outcome(),
                option(BATTERY, outcome()),
                option(PANEL, outcome()),
            ),
            trip(
                "hot",
                4,
                outcome(6.0),
                option(BATTERY, outcome(2.0)),
                option(PANEL, outcome()),
            ),
        ],
        RIG,
    )
    assert (made.verdict.code, made.verdict.met) == ("buy", True)
    assert made.verdict.change == PANEL


def test_none_meets_it_the_nearest_is_named():
    made = together([trip("a", 2, outcome(6.0), option(BATTERY, outcome(2.0)))], RIG)
    assert not made.verdict.met
    assert "nearest: a battery of 200 Ah" in made.verdict.text


def test_a_change_that_one_trip_cannot_tell_is_not_recommended():
    told = trip("a", 2, outcome(6.0), option(PANEL, outcome()))
    dark = trip("b", 2, outcome(6.0), option(PANEL, None))
    made = together([told, dark], RIG)
    assert made.options[0].missing == ("b",)
    assert made.verdict.code == "cannot_tell"


def test_a_refused_replay_on_a_failed_trip_leaves_the_verdict_open():
    bad = SimpleNamespace(accepted=False, reason="it misses the record")
    made = together(
        [trip("a", 2, outcome(6.0), option(BATTERY, outcome()), validation=bad)], RIG
    )
    assert made.verdict.code == "cannot_tell"
    assert "it misses the record" in made.verdict.text


def test_the_hottest_and_the_cloudiest_are_shown_apart():
    made = together(
        [
            trip("cool", 3, outcome(), air=15.0, sun=100.0),
            trip("hot", 3, outcome(), air=33.0, sun=500.0),
            trip("unknown", 3, outcome(), air=float("nan"), sun=float("nan")),
        ],
        RIG,
    )
    assert made.hottest is not None
    assert made.hottest.name == "hot"
    assert made.cloudiest is not None
    assert made.cloudiest.name == "cool"
