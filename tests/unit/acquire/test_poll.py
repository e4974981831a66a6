"""The poller on a clock that a test moves: pace, retries, silence, the others."""

import math
import queue
import threading

import pytest

from campledger.acquire.buses.fake import FakeDriver
from campledger.acquire.poll import (
    LONGEST_WAIT,
    BusPoller,
    Notice,
    Slot,
    Taken,
    polls_of,
)
from campledger.errors import BusError

NO_ANSWER = "reading: no answer at address 0x40, expected one"


class FakeClock:
    boot = "boot"

    def __init__(self):
        self.now = 100.0

    def uptime(self):
        return self.now

    def wall(self):
        return 1.79e9 + self.now

    def sleep_until(self, uptime, stop):
        self.now = max(self.now, uptime)


def make(*drivers, interval=1.0):
    clock = FakeClock()
    slots = []
    for k, make_values in enumerate(drivers):
        driver = FakeDriver(uptime=clock.uptime, values=make_values)
        channels = tuple(make_values)
        slots.append(
            Slot(
                label=f"chip {k}",
                driver=driver,
                channels=channels,
                interval=interval,
                polls=polls_of(channels, interval),
            )
        )
    out = queue.Queue()
    poller = BusPoller("fake", slots, clock, out, threading.Event())
    for slot in slots:
        slot.due = clock.uptime()
    return poller, clock, out


def turn_until(poller, clock, uptime):
    while clock.now < uptime:
        poller.turn()


def drain(out):
    found = []
    while not out.empty():
        found.append(out.get())
    return found


def rows(found, channel):
    return {
        t.interval.end: t.interval.values[channel]
        for t in found
        if isinstance(t, Taken) and channel in t.interval.values
    }


def test_every_interval_of_every_sensor_comes_on_a_shared_grid():
    poller, clock, out = make(
        {"voltage_house_v": lambda t: t}, {"temp_air_c": lambda _: 20.0}
    )
    turn_until(poller, clock, 110.0)
    found = drain(out)
    assert list(rows(found, "voltage_house_v"))[:9] == [100.0 + k for k in range(9)]
    assert list(rows(found, "temp_air_c"))[:9] == [100.0 + k for k in range(9)]
    # The mean of two polls, in the middles of the halves, is the middle of the second.
    assert rows(found, "voltage_house_v")[105.0] == pytest.approx(104.5, abs=0.26)


def test_a_pulled_sensor_is_missing_at_once_and_the_others_do_not_stutter():
    poller, clock, out = make(
        {"temp_fridge_c": lambda _: 4.0}, {"temp_air_c": lambda _: 20.0}
    )
    turn_until(poller, clock, 105.0)
    poller.slots[0].driver.pulled = True
    drain(out)
    turn_until(poller, clock, 115.0)
    found = drain(out)
    assert all(math.isnan(v) for v in rows(found, "temp_fridge_c").values())
    air = rows(found, "temp_air_c")
    assert list(air) == [106.0 + k for k in range(len(air))]
    notices = [n for n in found if isinstance(n, Notice)]
    assert [n.kind for n in notices] == ["silent"]
    assert notices[0].uptime <= 108.6


def test_a_silent_sensor_is_asked_ever_more_rarely_and_comes_back():
    poller, clock, out = make({"temp_fridge_c": lambda _: 4.0})
    driver = poller.slots[0].driver
    driver.pulled = True
    turn_until(poller, clock, 400.0)
    before = poller.counts["chip 0"]["polls"]
    turn_until(poller, clock, 700.0)
    asked = poller.counts["chip 0"]["polls"] - before
    assert 300.0 / (LONGEST_WAIT + 1.0) <= asked <= 300.0 / (LONGEST_WAIT - 2.0) + 1
    driver.pulled = False
    drain(out)
    turn_until(poller, clock, 760.0)
    found = drain(out)
    assert [n.kind for n in found if isinstance(n, Notice)] == ["back"]
    assert 4.0 in rows(found, "temp_fridge_c").values()
    assert driver.starts == 1


def test_one_failure_costs_one_reading_and_no_second_time_out():
    poller, clock, out = make({"temp_air_c": lambda _: 20.0})
    driver, fail = poller.slots[0].driver, iter([False, True] * 50)
    read, calls = driver.read, []

    def sometimes():
        calls.append(clock.uptime())
        if next(fail):
            raise BusError(NO_ANSWER, temporary=True)
        return read()

    driver.read = sometimes
    turn_until(poller, clock, 110.0)
    got = set(rows(drain(out), "temp_air_c").values())
    assert 20.0 in got
    assert len(calls) == len(set(calls))
    assert poller.counts["chip 0"]["errors"] >= 4


def test_a_fault_in_a_driver_is_counted_and_stops_nobody():
    poller, clock, out = make(
        {"temp_fridge_c": lambda _: 1.0 / 0.0}, {"temp_air_c": lambda _: 20.0}
    )
    turn_until(poller, clock, 105.0)
    assert poller.counts["chip 0"]["faults"] >= 3
    assert len(rows(drain(out), "temp_air_c")) >= 4


@pytest.mark.parametrize(
    ("channels", "interval", "polls"),
    [
        (("current_house_a",), 1.0, 2),
        (("current_house_a",), 0.2, 1),
        (("voltage_house_v",), 10.0, 4),
        (("temp_air_c",), 10.0, 1),
    ],
)
def test_amps_and_volts_are_polled_several_times_an_interval(channels, interval, polls):
    assert polls_of(channels, interval) == polls
