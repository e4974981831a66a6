"""Stories T5 and T7 of the job map: what the cold costs and how long it lasts."""

from dataclasses import replace

import numpy as np
import pytest
from enough_story import HOUR, THURSDAY, estimates_of, load_use, record_of, rig_of

from campledger.estimate.fridge_warming import saving_share, time_to_limit, warming
from campledger.judge.cooling import answer_fridge
from campledger.judge.enough_words import fridge_line
from campledger.judge.forecast_history import build_history
from campledger.judge.savings import charge_until, fridge_night, list_savings
from campledger.model.rig import Load
from campledger.model.words import Word

FRIDGE = Load(name="fridge", kind="fridge", temp_set=3.0)
TWELVE = 12 * HOUR


def test_t5_fridge_off_for_a_night():
    charge, inside = fridge_night(1.6, TWELVE, 3.0, 20.0)
    assert charge == pytest.approx(3.5, abs=0.05)  # story: 3.5 Ah
    assert saving_share(8.0 * HOUR, TWELVE) == pytest.approx(0.27, abs=0.005)  # 27 %
    assert pytest.approx(12.8) == 1.6 * 8.0
    assert inside == pytest.approx(11.0, abs=0.5)  # story: 11 degC


def test_t7_half_an_hour_to_five():
    hours = time_to_limit(3.8, 31.0, 5.0, TWELVE) / HOUR
    assert hours == pytest.approx(0.54, abs=0.005)  # story: 0.54 h


def test_limits_of_the_formulas():
    assert time_to_limit(6.0, 31.0, 5.0, TWELVE) == 0.0
    assert time_to_limit(3.0, 4.0, 5.0, TWELVE) == np.inf
    assert warming(np.zeros(1), 3.0, 20.0, TWELVE) == pytest.approx(3.0)
    assert saving_share(0.0, TWELVE) == 0.0


def fridge_case(inside, air=31.0, on=1.0, load=FRIDGE, at=THURSDAY):
    record = record_of(
        at, 1, {"current_house_a": -4.2, "temp_fridge_c": inside, "temp_air_c": air}
    )
    rig = rig_of([load])
    made = estimates_of(record, charge=80, give=3, draw=4.2)
    size = len(record.minute_utc)
    use = load_use("fridge", 4.2, size, on_share=np.full(size, on))
    return record, rig, replace(made, loads=(use,)), at


def test_t7_flat_out_and_losing():
    inside = 8.0 - 1.2 * (1440 - 1 - np.arange(1440)) / 60.0
    answer = answer_fridge(*fridge_case(inside, air=38.0))
    assert answer.verdict == "warms"
    assert "flat out and losing: shade and vent it" in answer.reason
    assert "eat the fragile food first" in answer.reason


def test_t7_line_says_half_an_hour():
    answer = answer_fridge(*fridge_case(3.8, on=0.4))
    assert answer.verdict == "holds"
    assert fridge_line(answer) == (
        "3.8 degC. If it stopped now: 5 degC in about half an hour."
    )


def test_above_the_line_but_cooling_down_holds():
    inside = 9.0 + 1.0 * (1440 - 1 - np.arange(1440)) / 60.0
    answer = answer_fridge(*fridge_case(inside, on=1.0))
    assert answer.verdict == "holds"
    assert "cooling down" in answer.reason


def test_no_power_warms():
    record, rig, made, at = fridge_case(4.0)
    dark = replace(made, censored=np.ones(len(record.minute_utc), dtype=bool))
    assert answer_fridge(record, rig, dark, at).reason.startswith("it has no power")


def test_medicine_warns_earlier():
    answer = answer_fridge(*fridge_case(4.5, load=replace(FRIDGE, contents="medicine")))
    assert answer.limit == 4.0
    assert answer.verdict == "warms"


def test_without_a_sensor_it_cannot_tell():
    at = THURSDAY
    record = record_of(at, 1, {"current_house_a": -2.0})
    made = estimates_of(record, charge=80, give=3, draw=2.0)
    answer = answer_fridge(record, rig_of([FRIDGE]), made, at)
    assert answer.verdict == "cannot_tell"
    assert answer_fridge(record, rig_of([]), made, at).reason == "no fridge described"


def savings_of(loads, uses, hours=17.0, at=THURSDAY + 17 * HOUR, **channels):
    record = record_of(at, 3, {"current_house_a": -3.0, **channels})
    rig = rig_of(loads)
    made = estimates_of(record, charge=80, give=3, draw=3.0)
    size = len(record.minute_utc)
    kept = tuple(load_use(n, i, size, word=w) for n, i, w in uses)
    made = replace(made, loads=kept)
    history = build_history(record, rig, made, at)
    return list_savings(history, rig, made, hours)


def test_t5_fridge_is_not_on_top_and_food_is_named():
    saved = savings_of(
        [FRIDGE, Load(name="inverter", kind="inverter", current_idle=0.6)],
        [("fridge", 1.6, Word.MEASURED), ("inverter", 0.6, Word.MEASURED)],
        temp_fridge_c=3.0,
        temp_air_c=20.0,
    )
    assert [s.load for s in saved] == ["inverter", "fridge"]
    assert saved[1].charge == pytest.approx(3.5, abs=0.05)
    assert saved[1].note == "inside reaches 11 degC, your limit is 5"


def test_never_list_and_unknown_draws_stay_off_the_list():
    saved = savings_of(
        [
            Load(name="alarm", kind="other", never_list=True),
            Load(name="lights", kind="lights"),
            Load(name="fan", kind="fan"),
        ],
        [
            ("alarm", 2.0, Word.MEASURED),
            ("lights", 0.5, Word.WORKED_OUT),
            ("fan", 0.5, Word.MISSING),
        ],
    )
    assert [s.load for s in saved] == ["lights"]
    assert saved[0].charge == pytest.approx(8.5, abs=0.05)  # 0.5 A for 17 h


def test_t8_the_logger_itself_is_never_offered():
    # Its draw is a line of the statement; what its Wi-Fi alone saves is not measured.
    logger = Load(name="logger", kind="logger", current_on=0.3)
    for word in (Word.MEASURED, Word.WORKED_OUT):
        assert savings_of([logger], [("logger", 0.3, word)], hours=24.0) == ()


def test_an_inverter_is_counted_idle():
    saved = savings_of(
        [Load(name="inverter", kind="inverter", current_idle=0.6)],
        [("inverter", 3.0, Word.MEASURED)],
        hours=10.0,
    )
    assert saved[0].charge == pytest.approx(6.0, abs=0.05)


def test_charge_until_counts_part_steps():
    profile = np.ones(48)
    assert charge_until(profile, 17.25) == pytest.approx(17.25)
