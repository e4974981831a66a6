"""Days to the floor and ready to leave, against the job's worked figures."""

import math

import numpy as np
import pytest

from campledger.judge.parked import (
    Leaving,
    judge_parked,
    judge_ready,
    standing_draw,
)
from campledger.model.estimates import Estimate
from campledger.model.rig import House

AGM = House(chemistry="agm", capacity_rated=100.0)
NOW = 1.79e9


def exactly(value):
    return Estimate(value=value, lo=value, hi=value)


def parked(draw, logger=None, in_hand=50.0, house=AGM):
    return judge_parked(
        house,
        in_hand=exactly(in_hand),
        capacity=100.0,
        draw=exactly(draw),
        logger=logger,
    )


@pytest.mark.parametrize(
    ("draw", "days", "half"),
    [
        # Job text B21: 100 Ah AGM to half: 0.30 A 7 days, 0.05 A 38 days.
        (0.30, 7.0, 0.5),
        (0.05, 38.0, 1.0),
    ],
)
def test_days_to_half_of_the_worked_example(draw, days, half):
    assert parked(draw).days.value == pytest.approx(days, abs=half)


def test_pulling_the_logger_s_fuse_is_advised_where_it_matters():
    found = parked(0.31, logger=0.30)
    assert found.days_without_logger.value > 100
    assert "0.31 A, 0.30 of it this logger" in found.text
    assert "Pull the logger's fuse" in found.text
    assert "fuse" not in parked(2.0, logger=0.05).text


def test_below_the_floor_and_without_a_night():
    assert parked(0.3, in_hand=-4.0).days.value == 0.0
    assert "charge before" in parked(0.3, in_hand=-4.0).text
    nothing = parked(math.nan)
    assert math.isnan(nothing.days.value)
    assert "can't tell" in nothing.text


def test_no_draw_at_all_lasts_beyond_what_is_told():
    found = parked(0.0, in_hand=500.0)
    assert math.isinf(found.days.value)
    assert "not within ten years" in found.text


def test_lead_is_stored_full_and_lithium_is_not():
    lfp = House(chemistry="lfp", capacity_rated=100.0)
    assert "Store it full" in parked(0.3).text
    assert "half full" in parked(0.3, house=lfp).text


def test_more_draw_or_less_charge_is_never_longer():
    days = [parked(x).days.value for x in (0.0, 0.1, 0.3, 1.0)]
    assert days == sorted(days, reverse=True)
    wide = judge_parked(
        AGM,
        in_hand=Estimate(value=40.0, lo=30.0, hi=50.0),
        capacity=100.0,
        draw=Estimate(value=0.3, lo=0.2, hi=0.4),
        logger=None,
    ).days
    assert wide.lo < wide.value < wide.hi


def test_the_standing_draw_is_the_low_end_of_the_nights():
    minute = np.arange(1, 2881) * 60.0 + 86400.0 * 20000
    hour = (minute / 3600.0) % 24
    cycling = np.where(np.arange(2880) % 30 < 12, 4.0, 0.0)
    current = -(0.31 + cycling) + np.where((hour > 8) & (hour < 16), 9.0, 0.0)
    assert standing_draw(minute, current, utc_offset=0.0) == pytest.approx(0.31)
    assert math.isnan(standing_draw(minute[:30], current[:30], utc_offset=0.0))


GOOD = Leaving(
    now=NOW,
    full_utc=NOW - 3600.0,
    tail=1.8,
    used=0.2,
    capacity=100.0,
    fridge=2.0,
    fridge_set=3.0,
    frozen_utc=NOW - 60.0,
)


def changed(**values):
    return Leaving(**{**GOOD.__dict__, **values})


def test_full_cold_and_planned_is_ready():
    found = judge_ready(GOOD, clock={NOW - 3600.0: "07:10", NOW - 60.0: "07:22"})
    assert found.verdict == "ready"
    assert " ".join(found.text) == (
        "Full 07:10 (1.8 A tail). Fridge 2 degC. Plan frozen 07:22."
    )


@pytest.mark.parametrize(
    ("known", "verdict", "word"),
    [
        (changed(full_utc=math.nan), "cannot_tell", "not seen"),
        (changed(full_utc=NOW - 20 * 3600.0), "not_yet", "too long ago"),
        (changed(used=9.0), "not_yet", "9.0 Ah used since"),
        (changed(fridge=12.0), "not_yet", "pull down"),
        (changed(fridge=math.nan), "cannot_tell", "not measured"),
        (changed(fridge_set=math.nan), "cannot_tell", "set point"),
        (changed(frozen_utc=math.nan), "not_yet", "not frozen"),
        (changed(fridge=math.nan, has_fridge=False), "ready", "Full"),
    ],
)
def test_what_is_missing_is_said(known, verdict, word):
    found = judge_ready(known)
    assert found.verdict == verdict
    assert word in " ".join(found.text)
