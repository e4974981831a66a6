"""Each plantable fault on two seeds; the asked counts are in tests/bench."""

from __future__ import annotations

import pytest
from planter import RIGHT, SENSOR, UNSCALED, plantable

from campledger.judge.finding import Verdict
from support.fitout_fixture import judge, plant

SEEDS = (201, 202)
IDS = plantable()


def whole(trip):
    return judge(
        trip.record,
        trip.rig,
        estimates=trip.estimates,
        plan=trip.plan,
        proofs=trip.proofs,
        earlier_fingerprint=trip.earlier,
    )


@pytest.mark.slow
@pytest.mark.parametrize("name", IDS)
def test_planted_fault(name):
    own = name.rstrip("b").rstrip("c")
    found = right = 0
    for seed in SEEDS:
        result = whole(plant(name, 1.5, seed))
        found += result.finding(own).is_alarm
        first = result.causes[0].id if result.causes else ""
        right += first in RIGHT.get(name, {own})
        if name not in UNSCALED:
            low = whole(plant(name, 0.7, seed)).finding(own)
            assert low.verdict != Verdict.FAULT
    assert found == len(SEEDS)
    # asked: right cause first in 90 %; one miss in two seeds is let through but for
    # sensors, which must come first always
    assert right >= (len(SEEDS) if name in SENSOR else 1)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(301, 311))
def test_clean_trips(seed):
    result = whole(plant("", 0.0, seed))
    assert [f.id for f in result.findings if f.is_alarm] == []
