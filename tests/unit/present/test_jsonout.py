import json
import math
from dataclasses import replace

import pytest
from tests.support.answers import invented_enough, invented_fitout, urgent_enough
from tests.support.report_trip import invented_trip

from campledger.model.estimates import Estimate
from campledger.present.jsonout import (
    enough_json,
    fitout_json,
    num,
    report_json,
    statement_json,
)

DAY_KEYS = {
    "dawn",
    "brought_forward_ah",
    "in",
    "out",
    "charging_loss_ah",
    "not_itemised_ah",
    "not_accounted_ah",
    "carried_forward_ah",
    "in_hand_ah",
    "planned_in_hand_ah",
    "nights_in_hand",
    "low_point",
    "coverage",
    "censored_h",
}
AMOUNT_KEYS = {"planned_ah", "measured_ah", "planned_wh", "measured_wh", "word"}


@pytest.fixture(scope="module")
def trip():
    return invented_trip(days=4, dt=300.0)


def _strict(value):
    """JSON that any reader takes: no NaN, no infinity."""
    return json.loads(json.dumps(value, allow_nan=False))


def test_statement_has_the_contracts_keys(trip):
    out = _strict(statement_json(trip[4]))
    assert {"days", "total"} <= out.keys()
    for day in (*out["days"], out["total"]):
        assert day.keys() >= DAY_KEYS
        assert day["low_point"].keys() == {"time", "soc", "spare_ah"}
        for side in ("in", "out"):
            for amount in day[side].values():
                assert amount.keys() == AMOUNT_KEYS
    assert out["days"][0]["dawn"].endswith("+09:30")


def test_days_add_up_in_json_as_in_print(trip):
    for day in statement_json(trip[4])["days"]:
        came = sum(a["measured_ah"] for a in day["in"].values())
        went = sum(a["measured_ah"] for a in day["out"].values())
        left = (
            day["brought_forward_ah"]
            + came
            - went
            - day["not_itemised_ah"]
            - day["charging_loss_ah"]
            - day["not_accounted_ah"]
        )
        assert left == pytest.approx(day["carried_forward_ah"], abs=1e-6)  # tenths


def test_report_has_the_contracts_keys(trip):
    _, _, plan, estimates, statement = trip
    out = _strict(report_json(statement, estimates, plan=plan))
    assert out.keys() >= {
        "days",
        "total",
        "trip",
        "plan",
        "house",
        "loads",
        "sources",
        "coverage",
        "verdict",
    }
    assert out["house"].keys() >= {
        "soc_min",
        "capacity_ah",
        "resistance_mohm",
        "hours_below_floor",
    }
    assert out["house"]["resistance_mohm"]["value"] == pytest.approx(12.1)  # given
    assert out["loads"]["fridge"].keys() >= {
        "planned_wh",
        "measured_wh",
        "lo_wh",
        "hi_wh",
        "duty",
        "rate_part",
        "hours_part",
        "part_unit",
        "cause",
        "word",
    }
    assert out["sources"]["solar"].keys() >= {
        "planned_wh",
        "measured_wh",
        "possible_wh",
    }


def test_rate_and_hours_parts_add_up_in_json(trip):
    _, _, plan, estimates, statement = trip
    out = report_json(statement, estimates, plan=plan)
    for miss in out["misses"]:
        if miss["rate_part"] is not None:
            parts = miss["rate_part"] + miss["hours_part"]
            assert parts == pytest.approx(miss["miss"], abs=2e-4)  # four digits


ENOUGH_KEYS = {
    "at",
    "as_of",
    "basis",
    "verdict",
    "reason",
    "if",
    "until",
    "soc",
    "used_since_full_ah",
    "in_hand_ah",
    "spare_ah",
    "low_point",
    "hours_to_floor",
    "horizon_h",
    "chance_lasts",
    "car",
    "fridge",
    "savings",
    "nights_in_hand",
}


@pytest.mark.parametrize("answer", [invented_enough(), urgent_enough()])
def test_enough_has_the_contracts_keys_and_null_for_missing(answer):
    out = _strict(enough_json(answer))
    assert out.keys() >= ENOUGH_KEYS
    assert out["car"].keys() >= {"verdict", "reason", "volts", "rested_h"}
    assert out["fridge"].keys() >= {
        "verdict",
        "temp_c",
        "limit_c",
        "hours_to_limit",
        "reason",
    }
    assert out["hours_to_floor"].keys() == {"p10", "p50", "p90"}


def test_beyond_the_horizon_is_null():
    assert enough_json(invented_enough())["hours_to_floor"]["p90"] is None
    assert enough_json(urgent_enough())["spare_ah"]["value"] is None


def test_fitout_has_the_contracts_keys():
    out = _strict(fitout_json(invented_fitout()))
    assert out.keys() >= {"sensors", "findings"}
    for finding in out["findings"]:
        assert finding.keys() >= {
            "id",
            "title",
            "verdict",
            "sure",
            "reads",
            "value",
            "unit",
            "limit",
            "limit_kind",
            "evidence_count",
            "cause_of",
            "next",
            "care",
        }
    assert out["findings"][0]["verdict"] == "fault"
    assert out["findings"][0]["value"] == pytest.approx(0.107)  # given


def test_numbers_are_finite_or_null():
    assert num(math.nan) is num(math.inf) is num(None) is None
    assert num(-0.00001) == 0.0
    assert math.copysign(1.0, num(-0.00001)) == 1.0


def test_a_trip_without_any_estimate_still_gives_json(trip):
    _, _, plan, estimates, statement = trip
    nothing = Estimate.missing("no current")
    battery = replace(
        estimates.battery,
        soc=estimates.battery.soc * math.nan,
        capacity=nothing,
        resistance=nothing,
    )
    out = _strict(report_json(statement, replace(estimates, battery=battery)))
    assert out["house"]["soc_min"] == {"value": None, "time": None}
    assert out["house"]["capacity_ah"]["reason"] == "no current"
    assert plan is not None
