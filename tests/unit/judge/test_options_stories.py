"""The stories of the owner's question from constructed trips, as they are printed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from enough_story import (
    INVERTER,
    THURSDAY,
    estimates_of,
    load_use,
    model_of,
    record_of,
    rig_of,
    source_use,
)

from campledger.judge.options import Change, describe, evaluate, words_of
from campledger.judge.options.changes import inverter_by_12v
from campledger.judge.options.engine import HOURS
from campledger.judge.options.money import mass_of, night_price
from campledger.judge.options.replay import prepare_days
from campledger.model.estimates import FridgeModel
from campledger.model.integrate import to_minutes
from campledger.model.rig import Load, PriceOption
from campledger.model.series import Series
from campledger.present.text_options import money_words, options_json, options_text

VOLTS = 12.6


def trip(
    days=5, *, load=1.5, sun=0.0, start=0.95, floor=0.5, chemistry="agm", drive=None
):
    """A steady load, sun from 9 to 15 h that is all taken, 100 A.h."""
    at = THURSDAY + days * 86400.0
    record = record_of(at, days, {})
    clock = (record.minute_utc % 86400.0) / 3600.0
    amps = np.where((clock >= 9.0) & (clock < 15.0), sun, 0.0)
    driven = np.zeros(len(clock)) if drive is None else np.where(drive(clock), 25.0, 0)
    rig = rig_of([], chemistry=chemistry, floor=floor, sun=sun > 0, charger=25.0)
    est = estimates_of(
        record, charge=95, give=1, draw=load, sun=amps, model=model_of(chemistry)
    )
    soc = np.clip(start + np.cumsum(amps + driven - load) / 60.0 / 100.0, 0.0, 1.0)
    sources = [source_use("alternator", "dcdc", driven, len(clock))]
    if sun:
        sources.append(source_use("solar", "solar", amps, len(clock)))
    sources = [replace(s, power=s.charge * 60.0 * VOLTS) for s in sources]
    battery = replace(
        est.battery,
        soc=soc,
        soc_lo=soc - 0.01,
        soc_hi=soc + 0.01,
        current_corrected=amps + driven - load,
    )
    est = replace(
        est,
        battery=battery,
        sources=tuple(sources),
        not_itemised=np.full(len(clock), load),
    )
    return record, rig, est


def asked(made, *changes, rig=None):
    record, own, est = made
    return evaluate(
        record, rig or own, est, changes=changes, rng=np.random.default_rng(1)
    )


def test_o1_nothing_to_buy_comes_first_and_the_table_is_still_shown():
    made = trip(start=0.86, sun=6.0)
    result = asked(made, Change(capacity=200.0))
    text = options_text(result, made[1])
    assert result.verdict.code == "nothing"
    assert text.startswith("Nothing to buy. Lowest point was 7")
    assert "a battery of 200 Ah" in text


def test_o2_a_panel_twice_as_big_lifts_the_low_point_by_no_more_than_3_ah():
    made = trip(start=0.97, sun=14.0)
    result = asked(made, Change(power_panel=400.0))
    (option,) = result.options
    assert 0.0 <= option.difference.value * 100.0 <= 3.0
    assert result.verdict.code == "nothing"
    assert "more panel would mostly be wasted" in result.verdict.text
    assert "At least" in options_text(result, made[1])


def test_o3_money_for_40_and_15_nights_prints_as_told():
    assert money_words(night_price(350.0, 5.0, 40.0)) == "1.75"
    assert money_words(night_price(650.0, 10.0, 40.0)) == "1.63"
    assert money_words(night_price(350.0, 5.0, 15.0)) == "4.67"
    assert money_words(night_price(650.0, 10.0, 15.0)) == "4.33"


def test_o3_lithium_of_63_ah_weighs_22_kg_less_than_lead_of_30():
    _, rig, _ = trip()
    rig = replace(rig, house=replace(rig.house, mass=30.0))
    change = Change(capacity=63.0, chemistry="lfp")
    assert f"{mass_of(change, rig):+.0f}" == "-22"


def test_o3_a_typed_price_is_found_whatever_the_order_of_its_words():
    made = trip(load=1.0)
    record, rig, est = made
    option = PriceOption(
        change="chemistry=lfp, battery_ah=63", amount=650.0, life_years=10.0
    )
    rig = replace(rig, prices=(option,), nights_per_year=40.0)
    change = Change(capacity=63.0, chemistry="lfp")
    result = asked((record, rig, est), change, rig=rig)
    outcome = result.options[0].outcome
    assert outcome is not None
    assert outcome.price_per_night == pytest.approx(1.625)
    assert "1.63 a night" in options_text(result, rig)


def test_o4_the_laptop_by_inverter_and_by_12_v():
    hours, volts = 4.0, 12.3
    into_brick = 60.0 / 0.88
    power = np.full(4, into_brick / 0.85 / hours + 0.6 * volts)
    by_inverter = power.sum() / volts
    by_12v = inverter_by_12v(power, 0.6 * volts).sum() / volts
    assert f"{by_inverter:.1f}" == "8.9"
    assert f"{into_brick / 0.85 / volts:.1f} + {0.6 * hours:.1f}" == "6.5 + 2.4"
    assert f"{by_12v:.1f}" == "5.5"
    assert f"{by_inverter - by_12v:.1f}" == "3.4"
    idle = np.full(20, 0.6 * volts)
    saved = idle - inverter_by_12v(idle, 0.6 * volts)
    assert f"{saved.sum() / volts:.0f}" == "12"


def test_o4_12_v_charging_is_ranked_before_any_battery_or_panel():
    """8.9 A.h by inverter, 5.5 by 12 V: 3.4 A.h a day keep it above the floor."""
    record, rig, est = trip(days=3, load=0.6, start=0.97, floor=0.5)
    clock = (record.minute_utc % 86400.0) / 3600.0
    evening = (clock > 18.0) & (clock <= 22.0)
    power = np.where(evening, 60.0 / 0.88 / 0.85 / 4.0 + 0.6 * 12.3, 0.0)
    used = power / VOLTS
    current = est.battery.current_corrected - used
    soc = np.clip(0.97 + np.cumsum(current) / 60.0 / 100.0, 0.0, 1.0)
    rig = replace(rig, loads=(INVERTER,), house=replace(rig.house, floor=0.31))
    use = replace(load_use("inverter", used, len(clock)), power=power)
    est = replace(
        est,
        battery=replace(
            est.battery,
            current_corrected=current,
            soc=soc,
            soc_lo=soc - 0.01,
            soc_hi=soc + 0.01,
        ),
        loads=(use,),
        demand={"inverter": power},
    )
    result = asked(
        (record, rig, est),
        Change(capacity=200.0),
        Change(power_panel=400.0),
        Change(inverter_12v=True),
        rig=rig,
    )
    assert result.baseline.hours_below_floor.value > 1.0
    assert (result.verdict.code, result.verdict.met) == ("fix", True)
    assert result.verdict.change == Change(inverter_12v=True)
    assert "12 V charging instead of the inverter" in result.verdict.text


def test_o5_what_if_uses_demand_and_claims_no_saving():
    """Off 02:10 to 07:40 on night 2: a steady draw shows 24.4 A.h, not 31.6."""
    record, rig, est = trip(days=4, load=31.6 / 24.0, start=0.95, floor=0.1)
    clock = (record.minute_utc - THURSDAY) / 3600.0
    off = (clock > 26.0 + 1 / 6) & (clock <= 31.0 + 2 / 3)
    current = np.where(off, 0.0, est.battery.current_corrected)
    shown = np.where(off, np.nan, est.not_itemised)
    est = replace(
        est,
        censored=off,
        not_itemised=shown,
        battery=replace(est.battery, current_corrected=current),
    )
    days = prepare_days(record, rig, est)
    day = days.demand.reshape(4, -1).sum(axis=1) * HOURS / VOLTS
    assert [f"{x:.1f}" for x in day] == ["31.6"] * 4
    measured = -current.reshape(4, -1).sum(axis=1) / 60.0
    assert f"{measured[1]:.1f}" == "24.4"


def test_o6_hotter_than_measured_is_a_range_and_no_verdict():
    """19 degC on the mean, asked about 38."""
    record, rig, est = trip(days=4, load=0.4, start=0.95)
    n = len(record.minute_utc)
    air = 19.0 + 5.0 * np.sin(np.arange(n) / 1440.0 * 2.0 * np.pi)
    series = Series(time_utc=record.minute_utc, value=air, sampling="mean")
    record = replace(
        record,
        channels={**record.channels, "temp_air_c": series},
        minutes={
            **record.minutes,
            "temp_air_c": to_minutes(series, record.minute_utc),
        },
    )
    load = Load(name="fridge", kind="fridge", temp_set=3.0)
    power = np.full(n, 0.2 * VOLTS)
    line = FridgeModel(
        name="fridge",
        base=0.8,
        slope=0.25,
        covariance=np.diag([0.1, 0.0005]),
        residual_std=0.3,
        difference_min=15.0,
        difference_max=17.0,
        days=4,
        current_running=4.0,
        voltage_mean=VOLTS,
    )
    rig = replace(rig, loads=(load,))
    est = replace(
        est,
        loads=(load_use("fridge", 0.2, n),),
        demand={"fridge": power},
        fridges=(line,),
    )
    result = asked((record, rig, est), Change(temp_air=38.0), rig=rig)
    assert result.verdict.code == "cannot_tell"
    assert "hotter than anything you measured" in result.verdict.text
    (made,) = result.options
    assert np.isnan(made.outcome.soc_min.value)
    assert made.outcome.soc_min.lo < made.outcome.soc_min.hi
    row = options_json(result, rig)["options"][0]
    assert row["outcome"]["soc_min"]["value"] is None
    assert "hotter than anything you measured" in row["range_only"]
    assert ".." in options_text(result, rig)


def test_o7_over_the_weight_limit_is_struck():
    made = trip(load=1.0)
    record, rig, est = made
    rig = replace(
        rig,
        house=replace(rig.house, mass=39.0),
        mass_limit=2500.0,
        mass_weighed=2465.0,
    )
    result = asked((record, rig, est), Change(capacity=200.0), rig=rig)
    assert result.options[0].over_limit == pytest.approx(4.0)
    text = options_text(result, rig)
    assert "over your weight limit by 4 kg" in text
    assert "[a battery of 200 Ah]" in text


@pytest.mark.parametrize("chemistry", ["agm", "lfp"])
def test_o8_a_bigger_charger_gains_less_than_2_ah_a_drive_on_lead(chemistry):
    """Two hours a day at noon; taper by acceptance, so both end near full."""
    made = trip(
        days=3,
        load=1.5,
        start=0.75,
        chemistry=chemistry,
        drive=lambda c: (c >= 12) & (c < 14),
    )
    result = asked(made, Change(current_charger=40.0))
    difference = result.options[0].difference.value * 100.0
    assert 0.0 <= difference < 2.0
    (note,) = result.options[0].notes
    assert float(note.split()[0]) < 2.0
    assert "Ah a drive against the trip as driven (3 drives)" in note


def test_o9_no_money_without_prices():
    made = trip(load=1.0)
    result = asked(made, Change(capacity=200.0), Change(current_charger=40.0))
    text = options_text(result, made[1])
    assert "a night" not in text
    assert all(
        o["outcome"]["price_per_night"] is None
        for o in options_json(result, made[1])["options"]
    )


def test_the_unchanged_rig_comes_back_in_the_replay():
    result = asked(trip(start=0.6, sun=6.0), Change(capacity=200.0))
    assert abs(result.validation.bias_daily) < 0.02
    assert result.validation.rmse_hourly < 0.08


def test_sun_that_was_not_recorded_cannot_be_told():
    result = asked(trip(), Change(power_panel=300.0))
    assert result.options[0].outcome is None
    assert "no sun was recorded" in result.options[0].refused


def test_a_bigger_battery_meets_a_need_that_was_missed():
    made = trip(days=3, load=1.0, start=0.95, floor=0.5)
    result = asked(made, Change(capacity=120.0), Change(capacity=200.0))
    assert result.baseline.hours_below_floor.value > 5.0
    assert result.verdict.code == "buy"
    assert result.verdict.met
    assert result.verdict.change == Change(capacity=200.0)


def test_words_and_kinds():
    change = Change(capacity=150.0, power_panel=200.0)
    assert words_of(change) == "battery_ah=150,solar_w=200"
    assert change.kind == "buy"
    assert Change(inverter_12v=True).kind == "fix"
    assert Change(panel_position=True).kind == "habit"
    _, rig, _ = trip()
    assert describe(change, rig) == "a battery of 150 Ah and 200 W of panel"
