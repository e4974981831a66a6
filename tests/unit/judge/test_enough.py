"""The stories T1-T4, T9, T11, T12 of the job map, to the printed figure."""

from dataclasses import replace

import numpy as np
import pytest
from enough_story import (
    HOUR,
    INVERTER,
    THURSDAY,
    estimates_of,
    record_of,
    rig_of,
)

from campledger.judge.enough import answer_enough
from campledger.judge.enough_judged import verdict_of
from campledger.judge.enough_state import default_deadline
from campledger.judge.enough_types import Drive, Question
from campledger.judge.enough_words import verdict_words
from campledger.judge.forecast_history import STEP, clear_of_rig
from campledger.model.plan import Plan
from campledger.model.rig import Source

MONDAY = THURSDAY + 4 * 86400.0


def ask(record, rig, estimates, *, at, until, plan=None, **question):
    return answer_enough(
        record,
        rig,
        estimates,
        at=at,
        until=until,
        question=Question(**question),
        plan=plan,
        rng=np.random.default_rng(7),
    )


def steady(draw=2.0, charge=92.0, give=3.0, at=MONDAY + 16 * HOUR, **more):
    record = record_of(at, 5, {"current_house_a": -draw})
    rig = rig_of([INVERTER], **more)
    made = estimates_of(
        record, charge=charge, give=give, draw=draw, loads=[("inverter", 0.6)]
    )
    return record, rig, made, at


def test_t1_yes_with_eight_to_spare():
    record, rig, made, at = steady()
    said = ask(record, rig, made, at=at, until=at + 17 * HOUR)
    assert said.verdict == "yes"
    assert said.spare.value == pytest.approx(8.0, abs=0.05)  # story: 8 Ah
    assert said.spare.give_or_take == pytest.approx(3.0, abs=0.05)  # story: 3
    assert said.low_point.time_utc == at + 17 * HOUR
    assert said.nights_in_hand == 1
    assert said.basis == "this trip"
    assert verdict_words(said) == "Yes - 8 Ah to spare, give or take 3."


def test_t2_no_and_what_would_help():
    record, rig, made, at = steady()
    said = ask(record, rig, made, at=at, until=at + 66 * HOUR)
    assert said.verdict == "no"
    assert said.spare.value == pytest.approx(-90.0, abs=0.5)  # story: 90 short
    assert said.hours_to_floor.p50 == pytest.approx(21.0, abs=0.1)  # 1 pm tomorrow
    assert said.savings[0].text == "Inverter: 40 Ah"
    assert "about 50 Ah to find" in said.drive_text
    assert "two drives of about 1 1/4 h on different days" in said.drive_text
    assert "one long drive would not" in said.drive_text


def test_t3_too_close_and_the_action_that_turns_it():
    record, rig, made, at = steady(draw=2.3, give=5.0)
    said = ask(record, rig, made, at=at, until=at + 17 * HOUR)
    assert said.verdict == "too_close"
    assert said.spare.value == pytest.approx(2.9, abs=0.05)
    assert said.spare.give_or_take == pytest.approx(5.0, abs=0.05)
    assert any(c.verdict == "yes" and c.kind == "without" for c in said.conditions)


def test_t4_yes_if_the_sun_is_like_yesterday():
    # A Thursday in December far north: sun only from 9 am to 3 pm.
    midnight = THURSDAY + 231 * 86400.0
    at = midnight + 15.5 * HOUR
    tuesday = midnight - 2 * 86400.0
    record = record_of(at, (at - tuesday) / 86400.0, {"current_house_a": -1.6})
    place = {"latitude": 58.0, "longitude": 0.0}
    rig = rig_of([], sun=True, charger=0.0, **place)
    ends = record.minute_utc + STEP / 2
    clear = clear_of_rig(ends, rig, 0.0)
    day = np.floor((record.minute_utc - 30.0 - tuesday) / 86400.0).astype(int)
    usual = clear[day == 1].sum() / 60.0
    panel = Source(name="solar", kind="solar", power_panel=200.0 * 38.0 / usual)
    rig = replace(rig, sources=(panel,))
    harvest = np.array([12.0, 31.0, 38.0])  # Tuesday, yesterday, today
    sun = clear / usual * harvest[np.minimum(day, 2)]
    made = estimates_of(record, charge=92, give=5.0, draw=1.6, sun=sun)
    said = ask(record, rig, made, at=at, until=at + 41 * HOUR)
    assert said.verdict == "too_close"
    assert [c.text for c in said.conditions if c.kind == "sun"] == [
        "yes if the sun is like yesterday (7 Ah spare at 31 Ah)",
        "no if the sun is like Tuesday (12 Ah short at 12 Ah)",
    ]


def test_t9_below_the_floor_says_so():
    record, rig, made, at = steady(charge=46.0)
    said = ask(record, rig, made, at=at, until=at + 17 * HOUR)
    assert said.below_floor == pytest.approx(4.0, abs=0.05)
    assert "can't tell when" in said.below_floor_text
    assert verdict_words(said) == "No - 4 Ah below your floor."
    lithium = steady(charge=16.0, chemistry="lfp", floor=0.2)
    said = ask(*lithium[:3], at=at, until=at + 17 * HOUR)
    assert "this logger too, without warning" in said.below_floor_text


@pytest.mark.parametrize(
    ("chemistry", "words"),
    [
        ("agm", "Rest 2 h with everything off for a rough state"),
        ("lfp", "volts can't tell between nearly full and nearly flat"),
    ],
)
def test_t11_without_a_shunt_it_cannot_tell(chemistry, words):
    at = MONDAY
    record = record_of(at, 2, {})
    rig = rig_of([], chemistry=chemistry)
    made = estimates_of(record, charge=60, give=20.0, draw=0.0)
    said = ask(record, rig, made, at=at, until=None)
    assert said.verdict == "cannot_tell"
    assert said.reason.startswith("no shunt: charge cannot be counted")
    assert words in said.reason


def test_t12_driving_is_seen():
    record, rig, made, at = steady()
    assert not ask(record, rig, made, at=at, until=at + HOUR).driving
    record = record_of(at, 5, {"current_house_a": -2.0, "state_engine": 1.0})
    assert ask(record, rig, made, at=at, until=at + HOUR).driving


def test_a_typed_drive_is_counted():
    record, rig, made, at = steady()
    until = at + 40 * HOUR
    without = ask(record, rig, made, at=at, until=until)
    drive = Drive(start_utc=at + 17 * HOUR, duration=1.0 * HOUR)
    with_drive = ask(record, rig, made, at=at, until=until, drives=(drive,))
    gain = with_drive.spare.value - without.spare.value
    assert 20.0 < gain < 25.0  # one hour at 25 A, tapered above 60 %


def test_switching_off_is_counted():
    record, rig, made, at = steady()
    until = at + 40 * HOUR
    plain = ask(record, rig, made, at=at, until=until)
    off = ask(record, rig, made, at=at, until=until, without=("inverter",))
    gain = off.spare.value - plain.spare.value
    assert gain == pytest.approx(24.0, abs=0.1)  # 0.6 A for 40 h
    assert all(s.load != "inverter" for s in off.savings)


def test_used_since_full_is_measured():
    at = MONDAY + 16 * HOUR
    record = record_of(at, 5, {"current_house_a": -2.0})
    rig = rig_of([INVERTER])
    full = at - 4 * HOUR
    made = estimates_of(record, charge=92, give=3.0, draw=2.0, full=full)
    said = ask(record, rig, made, at=at, until=at + 17 * HOUR)
    assert said.used_since_full == pytest.approx(8.0, abs=0.05)
    assert said.used_since == full


def test_under_a_day_without_a_plan_says_so():
    at = MONDAY + 16 * HOUR
    record = record_of(at, 0.25, {"current_house_a": -2.0})
    rig = rig_of([INVERTER])
    made = estimates_of(record, charge=92, give=3.0, draw=2.0)
    said = ask(record, rig, made, at=at, until=at + 17 * HOUR)
    assert said.basis == "plan only"
    assert said.reason == "less than a day is recorded yet, and there is no plan"


def test_the_deadline_must_lie_ahead():
    record, rig, made, at = steady()
    with pytest.raises(ValueError, match="until is -3600 s after now"):
        ask(record, rig, made, at=at, until=at - HOUR)


def test_default_deadline():
    rig = rig_of([])
    plan = Plan(
        name="p",
        start_utc=MONDAY - 86400.0,
        end_utc=MONDAY + 70 * HOUR,
        utc_offset=0.0,
        opening_soc=None,
        every_day=None,
        days=(),
        loads=(),
        fingerprint="",
    )
    at = MONDAY + 16 * HOUR
    assert default_deadline(at, rig, plan, 0.0) == (
        plan.end_utc,
        "the end of your plan",
    )
    assert default_deadline(MONDAY - 10 * HOUR, rig, plan, 0.0)[1] == "the second dawn"
    until, word = default_deadline(at, rig, None, 0.0)
    assert until == MONDAY + 54 * HOUR  # 06:00 rig time without a position
    assert word == "the second dawn"


@pytest.mark.parametrize(
    ("chance", "verdict"),
    [
        (1.0, "yes"),
        (0.95, "yes"),
        (0.949, "too_close"),
        (0.051, "too_close"),
        (0.05, "no"),
        (0.0, "no"),
    ],
)
def test_verdicts_of_the_contract(chance, verdict):
    assert verdict_of(chance) == verdict


def test_the_same_question_gives_the_same_answer():
    record, rig, made, at = steady(give=6.0)
    one = ask(record, rig, made, at=at, until=at + 20 * HOUR)
    two = ask(record, rig, made, at=at, until=at + 20 * HOUR)
    assert one == two


def test_old_readings_make_the_answer_one_as_of():
    record, rig, made, at = steady()
    said = ask(record, rig, made, at=at + 3 * HOUR, until=at + 17 * HOUR)
    assert said.as_of == at
    assert said.at == at + 3 * HOUR
    assert said.spare.value == pytest.approx(8.0, abs=0.05)  # as asked at 4 pm
