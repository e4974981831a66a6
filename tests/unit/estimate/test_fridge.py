"""Cooling loads: the line against temperature, hours kept out, warming."""

import numpy as np
import pytest
from tests.support.cases import make_record

from campledger.estimate.fridge import cooling_hours, fit_fridges
from campledger.estimate.fridge_use import charge_an_hour, duty_at
from campledger.estimate.fridge_warming import (
    saving_share,
    time_constant,
    time_to_limit,
    warming,
)
from campledger.model.estimates import Estimate, LoadUse
from campledger.model.rig import House, Load, Rig
from campledger.model.words import Word

DAYS = 8
N = DAYS * 1440
START = 1_717_200_000.0 // 86400 * 86400
TIME = START + 60.0 * (1 + np.arange(N))
HOUR = np.mod(TIME, 86400) / 3600
DAY = np.arange(N) // 1440
AIR = (
    22 + np.array([0, 3, -2, 5, 1, 4, -1, 2])[DAY] + 6 * np.sin((HOUR - 9) * np.pi / 12)
)
INSIDE = 4.0


def make_use(rate_a_day, censored=None):
    """A fridge of 4 A whose minutes make up a given charge a day."""
    duty = np.clip(rate_a_day / (4.0 * 24), 0, 1)
    phase = np.cumsum(duty)
    on = np.diff(np.floor(phase), prepend=0) > 0
    charge = np.where(on, 4.0 / 60, 0.0)
    nothing = np.zeros(0, dtype=bool)
    return LoadUse(
        name="fridge",
        word=Word.MEASURED,
        power=charge * 60 * 13,
        power_lo=charge,
        power_hi=charge,
        charge=charge,
        on_share=on.astype(float),
        energy=Estimate(value=1, lo=1, hi=1),
        current_running=4.0,
        current_standing=0.0,
        starts=0,
        censored=nothing if censored is None else censored,
    )


def minute_record(columns, **more):
    """Minute means; a row before the first minute, so that the grid holds all of it."""
    time = np.concatenate(([START], TIME))
    first = {k: np.concatenate(([v[0]], v)) for k, v in columns.items()}
    return make_record(time, first, **more)


def make_rig(**more):
    return Rig(
        name="t",
        timezone="UTC",
        house=House(chemistry="lfp", capacity_rated=100.0),
        loads=(Load(name="fridge", kind="fridge", temp_set=4.0),),
        **more,
    )


def record(air=AIR, inside=None):
    columns = {"voltage_house_v": np.full(N, 13.0)}
    if air is not None:
        columns["temp_air_c"] = air
    if inside is not None:
        columns["temp_fridge_c"] = inside
    return minute_record(columns, sampling="mean")


def test_line_through_exact_hours():
    rate = 3.0 + 1.2 * (AIR - INSIDE)
    (fit,) = fit_fridges(record(), make_rig(), (make_use(rate),))
    assert fit.slope == pytest.approx(1.2, abs=0.05)
    assert fit.base + fit.slope * 20 == pytest.approx(27.0, abs=0.4)
    hot = fit.charge_a_day(29.0)
    assert hot.value == pytest.approx(37.8, rel=0.03)
    assert hot.lo < 37.8 < hot.hi
    assert fit.voltage_mean == pytest.approx(13.0)
    assert not fit.inside_measured
    assert any("assumed" in n for n in fit.notes)


def test_degree_hour_arithmetic():
    # facts S7-07: 0.9 W/K, 2 W: 717.6 Wh a day at 31 K, 501.6 at 21 K
    watts = 2 + 0.9 * (AIR - INSIDE)
    (fit,) = fit_fridges(record(), make_rig(), (make_use(watts * 24 / 13),))
    assert fit.charge_a_day(21.0).value * 13 == pytest.approx(501.6, rel=0.02)
    assert fit.charge_a_day(31.0).value * 13 == pytest.approx(717.6, rel=0.05)


def test_hotter_than_anything_measured_is_said():
    (fit,) = fit_fridges(record(), make_rig(), (make_use(1.2 * (AIR - 4)),))
    assert fit.charge_a_day(fit.difference_max + 4.9).reason == ""
    assert "hotter" in fit.charge_a_day(fit.difference_max + 5.1).reason


def test_pull_down_and_flat_out_hours_are_kept_out():
    rate = 3.0 + 1.2 * (AIR - INSIDE)
    rate[:300] = 96.0  # pull-down from a warm start
    rate[3 * 1440 + 600 : 3 * 1440 + 1080] = 96.0  # flat out on the hottest day
    inside = np.full(N, 4.0)
    inside[:300] = np.linspace(24, 5, 300)
    use = make_use(rate)
    (fit,) = fit_fridges(record(inside=inside), make_rig(), (use,))
    assert fit.slope == pytest.approx(1.2, abs=0.12)
    hours = cooling_hours(record(inside=inside), make_rig(), use)
    assert set(hours.kind) == {0.0, 1.0, 2.0}
    assert any("pull-down" in n for n in fit.notes)
    assert any("flat out" in n for n in fit.notes)


def test_no_air_temperature_gives_the_mean_day_and_says_so():
    (fit,) = fit_fridges(record(air=None), make_rig(), (make_use(np.full(N, 24.0)),))
    assert fit.slope == 0
    assert fit.charge_a_day(40.0).value == pytest.approx(24, rel=0.02)
    assert any("weather" in n for n in fit.notes)


def test_hours_without_power_are_left_out():
    rate = 3.0 + 1.2 * (AIR - INSIDE)
    dark = (DAY == 4) & (HOUR > 2) & (HOUR < 8)
    use = make_use(np.where(dark, 0.0, rate), censored=dark)
    (fit,) = fit_fridges(record(), make_rig(), (use,))
    assert fit.charge_a_day(20.0).value == pytest.approx(27.0, rel=0.05)


def test_charge_an_hour_stops_at_flat_out():
    (fit,) = fit_fridges(record(), make_rig(), (make_use(1.2 * (AIR - 4)),))
    hours = charge_an_hour(fit, np.array([-50.0, 20.0, 500.0]))
    assert hours[0] == 0
    assert hours[1] == pytest.approx(1.0, rel=0.1)
    assert hours[2] == 4.0
    assert duty_at(fit, 20.0) == pytest.approx(0.25, rel=0.1)


def test_warming_and_saving():
    # job B11: tau 12 h, 8 h off: saves 27 %, inside reaches 11 deg on a 20 deg night
    tau = 12 * 3600.0
    assert saving_share(8 * 3600.0, tau) == pytest.approx(0.27, abs=0.005)
    assert warming(np.array([8 * 3600.0]), 3.0, 20.0, tau)[0] == pytest.approx(
        11.3, abs=0.1
    )
    assert saving_share(0.0, tau) == 0
    limit = time_to_limit(3.0, 20.0, 8.0, tau)
    assert warming(np.array([limit]), 3.0, 20.0, tau)[0] == pytest.approx(8.0)
    assert time_to_limit(3.0, 7.0, 8.0, tau) == float("inf")
    assert time_to_limit(9.0, 20.0, 8.0, tau) == 0


def test_time_constant_from_a_long_stop_only():
    use = make_use(np.full(N, 24.0))
    inside = np.full(N, 4.0)
    tau, note = time_constant(use, inside, AIR)
    assert np.isnan(tau)
    assert "cannot be told" in note
    stop = slice(2000, 2400)
    use.on_share[:] = 0.3
    use.on_share[stop] = 0.0
    air = np.full(N, 24.0)
    inside[stop] = 24 - 20 * np.exp(-np.arange(400) * 60.0 / 36000.0)
    tau, note = time_constant(use, inside, air)
    assert tau == pytest.approx(36000, rel=0.02)
    assert time_constant(use, inside, None)[1] == ""


def test_time_constant_from_a_pull_down():
    # steady: a gap of 20 K at a quarter duty, so flat out it holds 80 K; tau 10 h
    use = make_use(np.full(N, 24.0))
    air, inside = np.full(N, 24.0), np.full(N, 4.0)
    run = slice(2000, 2300)
    use.on_share[:] = 0.25
    use.on_share[run] = 1.0
    inside[run] = -56 + 70 * np.exp(-np.arange(300) * 60.0 / 36000.0)
    tau, note = time_constant(use, inside, air)
    assert tau == pytest.approx(36000, rel=0.1)
    assert "cooling down" in note
