"""The owner's part of the report: verdict first, rig marked, money only if typed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from campledger.judge.options.types import (
    Change,
    Grid,
    OptionResult,
    Options,
    Outcome,
    Path,
    Validation,
    Verdict,
)
from campledger.model.estimates import Estimate
from campledger.model.rig import House, Rig, StartBattery
from campledger.present.report_html import Chart
from campledger.present.report_owner import options_table, owner_section


def plain(value):
    return Estimate(value=value, lo=value, hi=value)


@pytest.fixture
def rig():
    house = House(chemistry="agm", capacity_rated=100.0, floor=0.5)
    return Rig(name="story", timezone="UTC", house=house, start=StartBattery())


@pytest.fixture
def options():
    driven = Outcome(
        soc_min=plain(0.4),
        hours_below_floor=plain(6.0),
        hours_without_power=plain(0.0),
        fridge_hours_lost=plain(0.0),
        unused_solar=plain(100.0),
        days_short_of_full=1,
        mass=0.0,
        margin=None,
        price_per_night=None,
        floor=0.5,
        capacity=100.0,
    )
    change = Change(capacity=150.0)
    heavy = OptionResult(
        change=change,
        outcome=replace(driven, soc_min=plain(0.6), mass=15.0),
        difference=plain(0.2),
        shows=True,
        over_limit=4.0,
    )
    dark = OptionResult(
        change=Change(power_panel=200.0),
        outcome=None,
        difference=Estimate.missing("no sun"),
        shows=False,
        refused="no sun was recorded",
    )
    size = np.linspace(50.0, 300.0, 20)
    grid = Grid(
        capacities=size,
        panels=size * 2.0,
        soc_min=np.clip(size[:, None] / 400.0 + size[None, :] / 800.0, 0.0, 1.0),
        capacity_now=100.0,
        panel_now=200.0,
    )
    hours = np.arange(288) * 600.0
    path = Path(
        time_utc=hours,
        driven=np.full(288, 0.4),
        changed=np.full(288, 0.6),
        change=change,
    )
    return Options(
        baseline=driven,
        validation=Validation(bias_daily=0.01, rmse_hourly=0.1, accepted=True),
        options=(heavy, dark),
        verdict=Verdict(code="buy", met=True, change=change, text="Enough with it."),
        grid=grid,
        path=path,
        spare_sun=100.0,
    )


def test_the_verdict_stands_first(options, rig):
    section = owner_section(options, rig, 0.0)
    assert "Enough with it." in str(section.blocks[0])
    charts = [b for b in section.blocks if isinstance(b, Chart)]
    assert len(charts) == 2
    assert "100 Ah and 200 W" in charts[1].see
    assert "40 %" in charts[0].see
    assert "60 %" in charts[0].see


def test_what_cannot_be_told_is_said(options, rig):
    text = "".join(
        b for b in owner_section(options, rig, 0.0).blocks if isinstance(b, str)
    )
    assert "no sun was recorded" in text


def test_over_the_limit_is_struck_and_there_is_no_money(options, rig):
    text = options_table(options, rig)
    assert "over your weight limit by 4" in text
    assert "a night" not in text


def test_typed_prices_give_a_column_of_money(options, rig):
    first = options.options[0]
    priced = replace(first, outcome=replace(first.outcome, price_per_night=1.625))
    text = options_table(replace(options, options=(priced,)), rig)
    assert "a night" in text
    assert "1.63" in text


def test_without_a_panel_there_are_no_contours(options, rig):
    section = owner_section(replace(options, grid=None, path=None), rig, 0.0)
    assert not any(isinstance(b, Chart) for b in section.blocks)
