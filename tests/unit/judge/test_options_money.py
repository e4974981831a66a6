"""Kilograms, words and money. Arithmetic of the owner's stories; no source else."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from campledger.judge.options.engine import HOURS
from campledger.judge.options.money import mass_of, night_price, price_of, words_of
from campledger.judge.options.types import Change
from campledger.model.rig import House, PriceOption, Rig, Source

RIG = Rig(
    name="van",
    timezone="UTC",
    house=House(chemistry="agm", capacity_rated=100.0, mass=30.0),
    sources=(Source(name="solar", kind="solar", power_panel=120.0, mass=9.0),),
    nights_per_year=40.0,
)
DAYS = SimpleNamespace(sun=np.zeros(288))


def walked(amps):
    return SimpleNamespace(current=np.full((1, 288), -amps))


def test_mass_scales_with_what_was_typed():
    assert mass_of(Change(capacity=200.0), RIG) == pytest.approx(30.0)
    assert mass_of(Change(power_panel=240.0), RIG) == pytest.approx(9.0)
    assert mass_of(Change(without=("fridge",)), RIG) == 0.0


def test_another_chemistry_weighs_what_its_kind_does():
    change = Change(capacity=63.0, chemistry="lfp")
    assert mass_of(change, RIG) == pytest.approx(63.0 / 8.0 - 30.0)


def test_a_battery_of_unknown_mass_has_no_difference():
    rig = replace(RIG, house=replace(RIG.house, mass=None))
    assert mass_of(Change(capacity=200.0), rig) is None


def test_panel_mass_is_assumed_where_none_was_typed():
    rig = replace(RIG, sources=(Source(name="s", kind="solar", power_panel=120.0),))
    assert mass_of(Change(power_panel=220.0), rig) == pytest.approx(7.5)


def test_years_decide_when_they_are_the_shorter_life():
    """20 A.h a night of 100: 5 nights a cycle; 3000 cycles = 375 years of 40 nights."""
    rig = replace(
        RIG,
        prices=(
            PriceOption(
                change="battery_ah=200",
                amount=400.0,
                life_years=10.0,
                life_cycles=3000.0,
            ),
        ),
    )
    amps = 20.0 / (288 * HOURS)
    price = price_of(Change(capacity=200.0), rig, walked(amps), 100.0, DAYS)
    assert price == pytest.approx(400.0 / 10.0 / 40.0)


def test_cycles_decide_when_they_wear_it_out_first():
    """100 A.h a night of 100 is a cycle a night: 200 cycles last 5 years of 40."""
    rig = replace(
        RIG,
        prices=(
            PriceOption(
                change="battery_ah=200",
                amount=400.0,
                life_years=10.0,
                life_cycles=200.0,
            ),
        ),
    )
    amps = 100.0 / (288 * HOURS)
    price = price_of(Change(capacity=200.0), rig, walked(amps), 100.0, DAYS)
    assert price == pytest.approx(400.0 / 5.0 / 40.0)


@pytest.mark.parametrize("missing", ["prices", "nights", "life"])
def test_no_money_without_all_of_price_nights_and_life(missing):
    option = PriceOption(change="battery_ah=200", amount=400.0, life_years=10.0)
    rig = replace(RIG, prices=(option,))
    if missing == "prices":
        rig = RIG
    elif missing == "nights":
        rig = replace(rig, nights_per_year=None)
    else:
        rig = replace(rig, prices=(replace(option, life_years=None),))
    assert price_of(Change(capacity=200.0), rig, walked(1.0), 100.0, DAYS) is None


def test_amounts_of_the_story():
    assert night_price(350.0, 5.0, 40.0) == pytest.approx(1.75)
    assert night_price(650.0, 10.0, 15.0) == pytest.approx(4.333, abs=1e-3)


def test_every_part_of_a_change_has_its_word():
    change = Change(
        capacity=200.0,
        chemistry="lfp",
        power_panel=0.0,
        current_charger=40.0,
        without=("fan", "usb"),
        inverter_12v=True,
        hours={"lights": 2.0},
        set_point={"fridge": 5.0},
        panel_position=True,
        fixed="C9",
        temp_air=38.0,
        sun_share=0.5,
    )
    assert words_of(change) == (
        "battery_ah=200,chemistry=lfp,solar_w=0,charger_a=40,without=fan+usb,"
        "replace=inverter:12v,hours=lights:2,set_point=fridge:5,panel_position,"
        "fixed=C9,temp_mean_c=38,sun_share=0.5"
    )
