"""The owner's answer as text and JSON: sentence first, no figure that was not seen."""

from __future__ import annotations

from dataclasses import replace

import pytest

from campledger.judge.options.several import TripOptions, together
from campledger.judge.options.types import (
    Change,
    OptionResult,
    Options,
    Outcome,
    Validation,
    Verdict,
)
from campledger.model.estimates import Estimate
from campledger.model.rig import House, Rig
from campledger.present.text_options import (
    change_json,
    hours_words,
    money_words,
    options_json,
    options_text,
)
from campledger.present.text_several import several_json, several_text

NAN = float("nan")
RIG = Rig(
    name="van",
    timezone="UTC",
    house=House(chemistry="agm", capacity_rated=100.0),
    currency="AUD",
)


def plain(value, lo=None, hi=None):
    return Estimate(
        value=value, lo=value if lo is None else lo, hi=value if hi is None else hi
    )


def outcome(below=0.0, **more):
    given = {
        "soc_min": plain(0.4, 0.35, 0.45),
        "hours_below_floor": plain(below),
        "hours_without_power": plain(0.0),
        "fridge_hours_lost": plain(0.0),
        "unused_solar": plain(120.0),
        "days_short_of_full": 1,
        "mass": 0.0,
        "margin": None,
        "price_per_night": None,
        "floor": 0.5,
        "capacity": 100.0,
    }
    return Outcome(**{**given, **more})


def option(change, made, **more):
    return OptionResult(
        change=change,
        outcome=made,
        difference=plain(0.2),
        **{"shows": True, **more},
    )


def options(*results, accepted=True, below=6.0):
    return Options(
        baseline=outcome(below),
        validation=Validation(
            bias_daily=0.012,
            rmse_hourly=0.071,
            rmse_held_out=0.082,
            held_out_days=5,
            accepted=accepted,
            reason="" if accepted else "it misses the record",
        ),
        options=results,
        verdict=Verdict(code="buy", met=True, change=None, text="The sentence."),
        grid=None,
        path=None,
        spare_sun=340.0,
        notes=("A note.",),
    )


BATTERY = Change(capacity=200.0)


def test_the_sentence_stands_first_and_the_trip_before_its_changes():
    lines = options_text(options(option(BATTERY, outcome())), RIG).splitlines()
    assert lines[0] == "The sentence."
    driven = next(i for i, x in enumerate(lines) if x.startswith("as driven"))
    change = next(i for i, x in enumerate(lines) if x.startswith("a battery of 200"))
    assert driven < change
    assert "40±5" in lines[driven]


def test_the_replays_own_error_is_always_printed():
    text = options_text(options(), RIG)
    assert "daily bias +1.2%" in text
    assert "7% of the mean absolute hourly net charge" in text
    assert "held out of the learning 8%" in text
    assert "At least 340 Wh of sun" in text
    assert text.endswith("A note.")


def test_a_refused_replay_leaves_the_verdict_open():
    assert "the verdict is open" in options_text(options(accepted=False), RIG)


def test_what_was_never_measured_has_ends_and_no_figure():
    wide = outcome(
        soc_min=plain(NAN, 0.1, 0.4), hours_below_floor=plain(NAN, 2.0, 30.0)
    )
    made = options(option(Change(temp_air=38.0), wide, ranged="38 degC is hotter"))
    text = options_text(made, RIG)
    assert "10..40" in text
    assert "2..30" in text
    assert "38 degC is hotter: a range only" in text
    row = options_json(made, RIG)["options"][0]
    assert row["outcome"]["soc_min"]["value"] is None
    assert row["outcome"]["soc_min"]["lo"] == 0.1
    assert row["range_only"] == "38 degC is hotter"


def test_no_difference_is_said():
    text = options_text(options(option(BATTERY, outcome(), shows=False)), RIG)
    assert "no difference that this trip can show" in text


def test_money_stands_only_where_a_price_was_typed():
    assert "a night" not in options_text(options(option(BATTERY, outcome())), RIG)
    priced = outcome(price_per_night=1.625)
    text = options_text(options(option(BATTERY, priced)), RIG)
    assert "AUD 1.63 a night over its life (prices typed by you)" in text


def test_what_cannot_be_told_says_why():
    dark = option(Change(power_panel=200.0), None, refused="no sun was recorded")
    text = options_text(options(dark), RIG)
    assert "200 W of panel: can't tell, no sun was recorded." in text


def test_json_keeps_the_contracts_keys():
    made = options_json(options(option(BATTERY, outcome())), RIG)
    assert set(made) >= {"baseline", "validation", "options", "verdict"}
    assert set(made["validation"]) >= {"bias_daily", "rmse_hourly"}
    assert set(made["baseline"]) >= {
        "soc_min",
        "hours_below_floor",
        "hours_without_power",
        "unused_solar_wh",
        "fridge_hours_lost",
        "mass_kg",
        "price_per_night",
    }
    assert set(made["verdict"]) >= {"code", "met", "change", "text"}
    assert change_json(BATTERY)["battery_ah"] == 200.0


def test_words_of_numbers():
    assert money_words(1.625) == "1.63"
    assert hours_words(plain(2.04)) == "2.0"
    assert hours_words(plain(NAN, 1.0, 9.0)) == "1..9"


@pytest.fixture
def several():
    cool = options(option(BATTERY, outcome()), below=0.0)
    hot = options(option(BATTERY, outcome()), below=6.0)
    trips = [
        TripOptions(
            name="cool", nights=4, air_mean=15.0, sun_a_day=200.0, options=cool
        ),
        TripOptions(name="hot", nights=2, air_mean=31.0, sun_a_day=600.0, options=hot),
    ]
    return together(trips, RIG)


def test_several_trips_as_text(several):
    text = several_text(several, RIG)
    assert text.startswith("2 trips, 6 nights: the need was met on 4 nights.")
    assert "4/6" in text
    assert "6/6" in text
    assert "Hottest: hot (31 degC on the mean, 2 nights)" in text
    assert "Cloudiest: cool (200 Wh of possible sun a day" in text


def test_several_trips_as_json(several):
    made = several_json(several, RIG)
    assert (made["hottest"], made["cloudiest"]) == ("hot", "cool")
    assert made["together"]["baseline"]["nights_met"] == 4
    assert made["together"]["options"][0]["nights_met"] == 6
    assert made["verdict"]["code"] == "buy"
    assert made["trips"][1]["temp_air_mean_c"] == 31.0


def test_unknown_weather_is_said_to_be_unknown():
    one = TripOptions(
        name="dark", nights=1, air_mean=NAN, sun_a_day=NAN, options=options()
    )
    made = together([one], RIG)
    assert "No trip measured the air" in several_text(made, RIG)
    assert several_json(made, RIG)["hottest"] is None


def test_a_change_nobody_can_tell_is_said():
    dark = option(Change(power_panel=200.0), None, refused="no sun")
    one = TripOptions(
        name="dark", nights=1, air_mean=20.0, sun_a_day=NAN, options=options(dark)
    )
    text = several_text(together([one], RIG), RIG)
    assert "200 W of panel: can't tell on any trip." in text


def test_over_the_limit_is_struck():
    made = options(option(replace(BATTERY), outcome(), over_limit=4.0))
    text = options_text(made, RIG)
    assert "[a battery of 200 Ah]" in text
    assert "over your weight limit by 4 kg" in text
