"""Polls to intervals: which interval a poll belongs to, and what is never invented."""

import math

import pytest

from campledger.acquire.condense import (
    Condenser,
    Interval,
    Watcher,
    extreme_names,
    stored_names,
)


def test_mean_min_and_max_of_the_polls_of_an_interval():
    condenser = Condenser(["current_house_a"], 1.0, 2)
    assert condenser.add(10.25, {"current_house_a": -4.0}) == []
    (done,) = condenser.add(10.75, {"current_house_a": -6.0})
    assert done.end == 11.0
    assert done.values == {
        "current_house_a": -5.0,
        "current_house_min_a": -6.0,
        "current_house_max_a": -4.0,
    }


def test_a_late_poll_closes_the_interval_before_and_belongs_to_its_own():
    condenser = Condenser(["temp_air_c"], 1.0, 2)
    condenser.add(10.25, {"temp_air_c": 20.0})
    (done,) = condenser.add(12.1, {"temp_air_c": 30.0})
    assert (done.end, done.values["temp_air_c"]) == (11.0, 20.0)
    (last,) = condenser.finish()
    assert (last.end, last.values["temp_air_c"]) == (13.0, 30.0)


def test_a_missing_poll_is_in_no_mean_and_all_missing_is_missing():
    condenser = Condenser(["voltage_house_v"], 1.0, 2)
    condenser.add(0.2, {"voltage_house_v": 12.0})
    (one,) = condenser.add(0.7, {})
    assert one.values["voltage_house_v"] == 12.0
    condenser.add(1.2, {})
    (two,) = condenser.add(1.7, {"voltage_house_v": math.nan})
    assert math.isnan(two.values["voltage_house_v"])


def test_a_state_is_the_last_one_and_never_a_half():
    condenser = Condenser(["state_engine"], 1.0, 2)
    condenser.add(0.2, {"state_engine": 0.0})
    (done,) = condenser.add(0.7, {"state_engine": 1.0})
    assert done.values == {"state_engine": 1.0}


def test_no_interval_ends_twice():
    condenser = Condenser(["temp_air_c"], 1.0, 1)
    ends = [condenser.add(t, {"temp_air_c": 1.0})[0].end for t in (0.4, 0.9, 1.5)]
    assert ends == [1.0, 2.0, 3.0]


def test_pace_nought_passes_rows_on_as_they_are():
    condenser = Condenser(["temp_air_c"], 0.0, 1)
    assert condenser.add(7.3, {"temp_air_c": 1.0}) == [
        Interval(end=7.3, values={"temp_air_c": 1.0})
    ]


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("current_house_a", ("current_house_min_a", "current_house_max_a")),
        ("temp_air_c", None),
        ("voltage_solar_panel_v", None),
    ],
)
def test_extremes_are_kept_of_volts_and_amps_of_a_place(name, expected):
    assert extreme_names(name) == expected


def test_extremes_are_named_only_with_several_polls():
    assert stored_names(["current_house_a"], 1) == ("current_house_a",)
    assert len(stored_names(["current_house_a"], 2)) == 3


def look(watcher, channel, values):
    out = []
    for k, v in enumerate(values):
        out += watcher.look(Interval(end=float(k), values={channel: v}))
    return [(h.kind, h.uptime, h.before, h.after) for h in out]


def test_a_step_of_two_amps_is_told_once_even_if_it_falls_into_an_interval():
    # The interval that holds the step shows half of it.
    seen = look(Watcher(11.0), "current_fridge_a", [0.0, 0.0, 1.5, 3.0, 3.0, 3.0])
    assert seen == [("step", 3.0, 0.0, 3.0)]


def test_a_slow_change_is_no_step():
    assert look(Watcher(11.0), "current_solar_a", [0.9 * k for k in range(9)]) == []


def test_a_switch_that_moves_and_the_house_at_its_cut_out_are_events():
    assert [s[0] for s in look(Watcher(11.0), "state_isolator", [0, 0, 1, 1])] == [
        "state"
    ]
    volts = [11.3, 11.1, 10.9, 10.8, math.nan, 11.2]
    assert [s[1] for s in look(Watcher(11.0), "voltage_house_v", volts)] == [2.0]
