"""A panel on a trip without sun: from typed sun hours, else can't tell. No source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from enough_story import THURSDAY
from test_options_stories import trip

from campledger.judge.options import Change, evaluate
from campledger.judge.options.engine import HOURS
from campledger.judge.options.replay import prepare_days
from campledger.judge.options.typed_sun import with_typed_sun
from campledger.model.plan import Plan, PlanDay


def plan_of(sun_hours):
    return Plan(
        name="typed",
        start_utc=THURSDAY,
        end_utc=THURSDAY + 3 * 86400.0,
        utc_offset=0.0,
        opening_soc=1.0,
        every_day=PlanDay(date=None, sun_hours=sun_hours),
        days=(),
        loads=(),
        fingerprint="x",
    )


def test_typed_hours_make_that_much_energy_a_watt():
    """5 h a day at 75 % is 3.75 W.h for each watt of panel."""
    record, rig, est = trip(days=3)
    days = with_typed_sun(prepare_days(record, rig, est), plan_of(5.0), record, rig)
    assert days.sun_typed
    whole = days.sun.reshape(3, -1).sum(axis=1) * HOURS
    assert whole[1] == pytest.approx(3.75, rel=0.01)  # steps of five minutes
    assert days.fresh_sun.sum() == 3


def test_recorded_sun_is_never_replaced():
    record, rig, est = trip(days=3, sun=6.0)
    days = prepare_days(record, rig, est)
    assert with_typed_sun(days, plan_of(5.0), record, rig) is days


@pytest.mark.parametrize("sun_hours", [None, 0.0])
def test_without_typed_hours_it_cannot_be_told(sun_hours):
    record, rig, est = trip(days=3)
    made = evaluate(
        record,
        rig,
        est,
        changes=(Change(power_panel=200.0),),
        plan=plan_of(sun_hours),
        rng=np.random.default_rng(1),
    )
    assert "no sun was recorded" in made.options[0].refused


def test_a_panel_from_typed_sun_lifts_the_low_point_and_says_so():
    record, rig, est = trip(days=3, load=1.2, start=0.95)
    made = evaluate(
        record,
        rig,
        est,
        changes=(Change(power_panel=100.0), Change(power_panel=0.0)),
        plan=plan_of(5.0),
        rng=np.random.default_rng(1),
    )
    panel, none = made.options
    assert panel.difference.value > 0.2
    assert "sun as typed in the plan, not measured" in panel.notes
    assert none.difference.value == pytest.approx(0.0, abs=0.01)
    assert panel.outcome.soc_min.give_or_take > none.outcome.soc_min.give_or_take
    assert made.validation.accepted


def test_no_current_at_all_is_said_of_every_change():
    record, rig, est = trip(days=3)
    dark = replace(
        est.battery,
        current_corrected=np.full(len(record.minute_utc), np.nan),
    )
    made = evaluate(
        record,
        rig,
        replace(est, battery=dark),
        changes=(Change(capacity=200.0),),
        rng=np.random.default_rng(1),
    )
    assert made.options[0].refused == "no battery current was recorded"
    assert made.validation.reason == "no battery current was recorded"
