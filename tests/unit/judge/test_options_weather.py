"""Hotter and cloudier: figures inside what was measured, ranges beyond. No source."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from campledger.judge.options.types import Change
from campledger.judge.options.weather import weather_of
from campledger.model.estimates import FridgeModel
from campledger.model.rig import House, Load, Rig

RIG = Rig(
    name="van",
    timezone="UTC",
    house=House(chemistry="agm", capacity_rated=100.0),
    loads=(Load(name="fridge", kind="fridge", temp_set=3.0),),
)


def fridge(**more):
    given = {
        "name": "fridge",
        "base": 4.0,
        "slope": 1.5,
        "covariance": np.zeros((2, 2)),
        "residual_std": 1.0,
        "difference_min": 12.0,
        "difference_max": 20.0,
        "days": 5,
        "current_running": 4.0,
        "voltage_mean": 12.5,
    }
    return FridgeModel(**{**given, **more})


def trip(air=19.0, sun=(1.0, 0.5, 0.9, 0.8), models=None):
    lit = np.repeat(np.array(sun), 288) * 50.0
    days = SimpleNamespace(
        air_mean=air,
        loads={"fridge": np.ones(4 * 288)},
        sun=lit,
        sun_known=bool(np.any(lit)),
    )
    return SimpleNamespace(fridges=models or (fridge(),)), days


def ask(change, **more):
    estimates, days = trip(**more)
    return weather_of(change, RIG, estimates, days)


def test_as_driven_changes_nothing():
    made = ask(Change(capacity=200.0))
    assert made.cooling == {}
    assert (made.sun, made.ranged, made.refused) == (1.0, "", "")


def test_a_little_warmer_is_a_figure_on_the_fitted_line():
    """16 K: 28 A.h a day; 20 K: 34."""
    made = ask(Change(temp_air=23.0))
    assert made.cooling["fridge"] == pytest.approx(34.0 / 28.0)
    assert made.ranged == ""


def test_o6_19_degc_asked_about_38_is_hotter_than_anything_measured():
    made = ask(Change(temp_air=38.0))
    assert "38 degC is hotter than anything you measured" in made.ranged
    assert "up to 23 degC" in made.ranged
    # 35 K: 56.5 A.h; the upper end 15 K beyond is 45 % more: a wide range.
    assert made.cooling["fridge"] == pytest.approx(56.5 / 28.0)
    assert made.cooling_std > 0.1


def test_a_fridge_never_takes_more_than_running_on_end():
    made = ask(Change(temp_air=60.0), models=(fridge(slope=9.0),))
    now = 4.0 + 9.0 * 16.0
    assert made.cooling["fridge"] == pytest.approx(96.0 / now)


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"air": float("nan")}, "air temperature was not measured"),
        ({"models": (fridge(name="other"),)}, "no fitted line against air"),
    ],
)
def test_what_was_not_measured_is_refused(more, why):
    assert why in ask(Change(temp_air=25.0), **more).refused


def test_less_sun_inside_the_measured_days_is_a_figure():
    made = ask(Change(sun_share=0.8))
    assert made.sun == 0.8
    assert made.ranged == ""


def test_cloudier_than_any_day_is_a_range():
    assert "cloudier than any day" in ask(Change(sun_share=0.3)).ranged
    assert "sunnier than any day" in ask(Change(sun_share=2.0)).ranged


def test_sun_that_was_not_recorded_is_refused():
    assert "no sun was recorded" in ask(Change(sun_share=0.5), sun=(0,) * 4).refused


def test_both_at_once_say_both():
    made = ask(Change(temp_air=38.0, sun_share=0.2))
    assert "hotter" in made.ranged
    assert "cloudier" in made.ranged
