"""Story T6 of the job map: should start, not safe, can't tell."""

import numpy as np
import pytest
from enough_story import HOUR, THURSDAY, estimates_of, record_of, rig_of

from campledger.judge.car import answer_car
from campledger.judge.enough_types import CarAnswer
from campledger.judge.enough_urgent import find_urgent
from campledger.judge.enough_words import car_line


def minutes(hours):
    return int(hours * 60)


def start_volts(at_hours, rested, tail):
    """Charged at 14.2 V until ``rested`` hours ago, then the given tail."""
    size = minutes(at_hours)
    volts = np.full(size, 14.2)
    volts[-minutes(rested) :] = tail
    return volts


def car_of(volts, house=12.6, **channels):
    hours = len(volts) / 60
    at = THURSDAY + 7 * HOUR
    record = record_of(
        at,
        hours / 24,
        {"voltage_start_v": volts, "voltage_house_v": house, **channels},
    )
    rig = rig_of([])
    return answer_car(record, rig, at), record, rig, at


def test_t6a_should_start_and_never_will():
    car, *_ = car_of(start_volts(24, 9, 12.62), house=12.35)
    assert car.verdict == "should_start"
    assert car.volts == pytest.approx(12.62, abs=0.005)
    assert car.rested == pytest.approx(9.0, abs=0.05)
    assert car.joined is False
    assert "volts only" in car.reason
    assert "will" not in car_line(car).lower().split()


def test_t6b_joined_and_falling_comes_first():
    fall = 12.5 - 0.05 * np.arange(minutes(7)) / 60
    volts = start_volts(24, 7, fall)
    car, record, rig, at = car_of(volts, house=volts - 0.02)
    assert car.verdict == "not_safe"
    assert car.falling == pytest.approx(-0.05, abs=0.005)
    assert car.joined is True
    assert car.reason == (
        "the two batteries are joined and falling together - open the isolator "
        "or drop the load"
    )
    urgent = find_urgent(record, rig, car, at)
    assert [u.code for u in urgent] == ["start_drain"]
    assert urgent[0].text.startswith("Act: ")


def test_t6c_not_measured():
    at = THURSDAY
    car = answer_car(record_of(at, 1, {}), rig_of([]), at)
    assert car == CarAnswer(verdict="cannot_tell", reason="start battery not measured")


def test_not_rested_yet():
    car, *_ = car_of(start_volts(10, 0.5, 12.7), house=12.3)
    assert car.verdict == "cannot_tell"
    assert "rested only" in car.reason


def test_joined_says_nothing_of_the_start_battery():
    car, *_ = car_of(start_volts(24, 9, 12.9), house=12.9, state_isolator=1.0)
    assert car.verdict == "cannot_tell"
    assert car.joined is True


def test_low_volts_are_not_safe():
    car, *_ = car_of(start_volts(24, 9, 12.05), house=12.5)
    assert car.verdict == "not_safe"


def test_between_low_and_sound_it_does_not_pretend():
    car, *_ = car_of(start_volts(24, 9, 12.35), house=12.7)
    assert car.verdict == "cannot_tell"
    assert "do not rely on it alone" in car.reason


def test_cold_is_mentioned():
    car, *_ = car_of(start_volts(24, 9, 12.62), house=12.3, temp_air_c=-4.0)
    assert car.verdict == "should_start"
    assert "below freezing" in car.reason


def test_old_readings_do_not_count():
    volts = start_volts(24, 9, 12.62)
    volts[-120:] = np.nan
    car, *_ = car_of(volts, house=12.3)
    assert car.verdict == "cannot_tell"


def test_lithium_charged_below_freezing_is_urgent():
    at = THURSDAY
    channels = {"current_house_a": 8.0, "temp_house_c": -3.0}
    record = record_of(at, 1, channels)
    car = answer_car(record, rig_of([]), at)
    lithium = find_urgent(record, rig_of([], chemistry="lfp"), car, at)
    assert [u.code for u in lithium] == ["lithium_cold"]
    assert lithium[0].text.startswith("Act: ")
    assert find_urgent(record, rig_of([]), car, at) == ()


def test_over_voltage_is_urgent():
    at = THURSDAY
    record = record_of(at, 1, {"voltage_house_v": 15.4})
    car = answer_car(record, rig_of([]), at)
    urgent = find_urgent(record, rig_of([]), car, at)
    assert [u.code for u in urgent] == ["over_voltage"]
    assert "15.4 V" in urgent[0].text


def test_nothing_urgent_on_a_quiet_rig():
    at = THURSDAY
    record = record_of(at, 1, {"current_house_a": -2.0, "temp_house_c": 20.0})
    made = estimates_of(record, charge=80, give=3, draw=2.0)
    assert made.battery.anchors == ()
    car = answer_car(record, rig_of([]), at)
    assert find_urgent(record, rig_of([]), car, at) == ()
