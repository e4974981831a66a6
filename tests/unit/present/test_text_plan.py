"""The planned statement ends with the same forecast as the answer at camp."""

from pathlib import Path

import numpy as np
import pytest

from campledger.formats.planfile import read_plan
from campledger.formats.rigfile import read_rig
from campledger.judge.campday import camp_days
from campledger.judge.forecast_before import PlanForecast, forecast_plan
from campledger.judge.plan_walk import walk_plan
from campledger.present.text_plan import forecast_words, plan_json, plan_text

CONFIG = Path(__file__).parents[3] / "config"


@pytest.fixture(scope="module")
def facts():
    rig = read_rig(CONFIG / "demo_rig.toml")
    plan = read_plan(CONFIG / "demo_plan.toml")
    days = camp_days(plan.start_utc, plan.end_utc, rig, plan, plan.utc_offset)
    planned = walk_plan(plan, rig, days, capacity=100.0)
    ahead = forecast_plan(plan, rig, np.random.default_rng(3))
    return plan, rig, days, planned, 100.0, ahead


def ahead_of(chance, spare):
    return PlanForecast(
        chance_lasts=chance,
        time_utc=(0.0,),
        soc=(0.5,),
        soc_lo=(0.4,),
        soc_hi=(0.6,),
        low_utc=0.0,
        spare=spare,
        spare_lo=spare - 6.0,
        spare_hi=spare + 6.0,
    )


@pytest.mark.parametrize(
    ("chance", "spare", "words"),
    [
        (0.99, 20.0, "Yes - lowest"),
        (0.5, 1.0, "Too close to call - lowest"),
        (0.01, -9.0, "No - lowest"),
    ],
)
def test_the_verdict_is_that_of_the_answer_at_camp(chance, spare, words):
    said = forecast_words(ahead_of(chance, spare), 0.0)
    assert words in said
    assert said.endswith("give or take 6.")
    assert ("below your floor" in said) == (spare < 0)
    assert "%" not in said


def test_the_statement_ends_with_it(facts):
    text = plan_text(*facts)
    assert "Enough? Asked before the trip" in text
    assert max(map(len, text.splitlines()[-3:])) <= 79


def test_json_has_chance_and_interval(facts):
    said = plan_json(*facts)["forecast"]
    assert 0.0 <= said["chance_lasts"] <= 1.0
    assert said["spare_ah"]["lo"] < said["spare_ah"]["value"] < said["spare_ah"]["hi"]
    assert said["verdict"] in {"yes", "no", "too_close"}
