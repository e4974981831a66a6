"""Chores and steps of the clock, the board, anchors, reasons for the dark."""

import math
import time

import numpy as np
import pytest

from campledger.app.board import board_temp, heat_reason, judge_room, supply_low
from campledger.app.chores import Actor, Chore, Chores
from campledger.app.clockwork import ClockWatch, give_time
from campledger.errors import CannotTellError, InputError
from campledger.estimate.solar_position import sunrise_sunset
from campledger.estimate.sun_clock import BOUND, date_by_noon, panel_noons
from campledger.judge.darkness import why_dark
from campledger.store import Rows, Window, open_store

T0 = 1_790_000_000.0 - 1_790_000_000.0 % 86400.0
OWN = {"recorder": "van", "identity": "k1"}
DAILY = Chore(name="loads", words=("statement",), minute="20", hour="3")


def make(tmp_path, chores=(DAILY,), heat=lambda: ""):
    done = []

    def run(words):
        done.append(words[3])
        return 0

    made = Chores(chores, zone="UTC", store=tmp_path / "s.db", run=run, heat=heat)
    return made, done


def wait_for(done, count):
    end = time.monotonic() + 5.0
    while len(done) < count and time.monotonic() < end:
        time.sleep(0.01)
    return len(done)


def test_nothing_is_scheduled_until_the_clock_is_sane(tmp_path):
    chores, _ = make(tmp_path)
    chores.look(10.0, stepped=False)
    assert chores.scheduler is None
    chores.look(T0, stepped=False)
    first = chores.scheduler
    chores.look(T0 + 1.0, stepped=False)
    assert chores.scheduler is first
    chores.stop()


def test_a_step_builds_anew_and_a_missed_chore_runs_once(tmp_path):
    chores, done = make(tmp_path)
    chores.look(T0, stepped=False)
    first = chores.scheduler
    chores.look(T0 + 10 * 86400.0, stepped=True)
    assert chores.scheduler is not first
    assert wait_for(done, 1) == 1
    chores.look(T0 + 100.0, stepped=True)
    chores.look(T0 + 101.0, stepped=False)
    chores.stop()
    assert done == ["statement"]


def test_from_1970_nothing_counts_as_missed(tmp_path):
    chores, done = make(tmp_path)
    chores.look(5.0, stepped=False)
    chores.look(T0, stepped=True)
    chores.stop()
    assert done == []


def test_a_hot_board_puts_heavy_chores_off(tmp_path):
    chores, done = make(tmp_path, heat=lambda: "Logger hot (78 degC): move or vent")
    chores.do(DAILY)
    chores.do(Chore(name="push", words=("push",), minute="1", heavy=False))
    assert done == ["push"]


def test_the_owner_s_command_is_run_once_in_ten_minutes_for_each_thing():
    now, done = [0.0], []

    def run(words, *, environment):
        done.append((words, environment["CAMPLEDGER_URGENT"]))
        return 0

    actor = Actor("beep --loud", run, now=lambda: now[0])
    assert actor.act("disk", "20 MB free")
    assert not actor.act("disk", "19 MB free")
    assert actor.act("hot", "78")
    now[0] = 601.0
    assert actor.act("disk", "18 MB free")
    wait_for(done, 3)
    assert (["beep", "--loud"], "disk") in done
    assert not Actor("", run).act("disk", "x")


def test_the_board_is_read_where_it_has_files(tmp_path):
    assert board_temp(tmp_path) is None
    assert supply_low(tmp_path) is None
    zone = tmp_path / "class/thermal/thermal_zone0"
    zone.mkdir(parents=True)
    (zone / "temp").write_text("78250\n")
    monitor = tmp_path / "class/hwmon/hwmon1"
    monitor.mkdir(parents=True)
    (monitor / "in0_lcrit_alarm").write_text("1\n")
    assert board_temp(tmp_path) == 78.25
    assert supply_low(tmp_path) is True
    assert heat_reason(tmp_path) == "Logger hot (78 degC): move or vent"


def test_room_is_told_in_days():
    room = judge_room(150e6, warn=200e6, low=50e6, grown=1e6, seconds=86400.0)
    assert (room.mode, room.days) == ("warn", pytest.approx(150.0))
    assert "about 150 days" in room.sentence()
    low = judge_room(40e6, warn=200e6, low=50e6, grown=0.0, seconds=10.0)
    assert (low.mode, low.days) == ("low", None)


def test_a_step_of_the_clock_is_seen_and_drift_is_not():
    watch = ClockWatch(synchronised=lambda: True)
    assert watch.look(0.0, T0) == 0.0
    assert watch.look(3600.0, T0 + 3600.2) == 0.0
    assert watch.look(3601.0, T0 + 3601.2 - 3600.0) == pytest.approx(-3600.0)


@pytest.fixture
def store(tmp_path):
    with open_store(tmp_path / "s.db", "daemon", create=True) as opened:
        boot = opened.begin_boot("van", identity="k1")
        up = np.arange(1.0, 2401.0)
        volts = {"voltage_house_v": np.full(len(up), 12.5)}
        # A board that woke in 2000: it says nothing about the time.
        rows = Rows(uptime=up, values=volts, wall=946684800.0 + up)
        opened.append_window(Window(boot=boot.id, rows=(rows,)))
        yield opened


def test_a_phone_dates_a_boot_that_woke_in_2000(store):
    # Job text X1: 40 min of samples, then a phone says 17:02: the boot began 16:22.
    before = store.boot_totals(1)
    boot = give_time(store, time_utc=T0 + 61320.0, uptime=2400.0, kind="phone", **OWN)
    assert boot.start_utc == pytest.approx(T0 + 58920.0 + 1.0)
    assert store.boot_totals(1) == before


def test_a_wrong_phone_is_asked_not_taken(store):
    give_time(store, time_utc=T0 + 2400.0, uptime=2400.0, kind="phone", **OWN)
    with pytest.raises(InputError, match="dated"):
        give_time(store, time_utc=T0 + 90000.0, uptime=2400.0, kind="phone", **OWN)
    boot = give_time(
        store, time_utc=T0 + 90000.0, uptime=2400.0, kind="typed", sure=True, **OWN
    )
    assert boot.start_utc == pytest.approx(T0 + 90000.0 - 2399.0)


def test_an_empty_store_has_nothing_to_date(tmp_path):
    with (
        open_store(tmp_path / "e.db", "daemon", create=True) as empty,
        pytest.raises(CannotTellError, match="no boot"),
    ):
        give_time(empty, time_utc=T0, uptime=1.0, kind="typed", **OWN)


def panel_day(rise, fall, start, end):
    minute = np.arange(start, end, 60.0)
    height = np.sin(np.pi * (minute - rise) / (fall - rise))
    amps = np.where((minute > rise) & (minute < fall), 8.0 * height, 0.0)
    return minute, np.maximum(amps, 0.0)


def test_the_sun_dates_a_boot_to_its_wide_bound():
    # Oracle: rise and set of the almanac formulas for the place, put on uptime.
    from datetime import date

    rise, fall = sunrise_sunset(date(2026, 5, 2), -23.7, 133.9)
    boot_start = rise - 7 * 3600.0
    minute, amps = panel_day(
        rise - boot_start, fall - boot_start, 60.0, fall - boot_start + 6 * 3600.0
    )
    (noon,) = panel_noons(minute, amps)
    found = date_by_noon(
        noon,
        after_utc=boot_start - 3600.0,
        before_utc=boot_start + minute[-1] + 7200.0,
        first=60.0,
        last=float(minute[-1]),
        latitude=-23.7,
        longitude=133.9,
    )
    assert found is not None
    assert abs(found[0] - noon - boot_start) < 300.0
    assert found[1] == BOUND


def test_no_date_if_several_fit_or_no_whole_day_was_seen():
    minute, amps = panel_day(-3600.0, 5 * 3600.0, 60.0, 12 * 3600.0)
    assert len(panel_noons(minute, amps)) == 0
    assert len(panel_noons(minute, np.zeros(len(minute)))) == 0
    several = date_by_noon(
        40000.0,
        after_utc=T0,
        before_utc=T0 + 10 * 86400.0,
        first=0.0,
        last=86400.0,
        latitude=-23.7,
        longitude=133.9,
    )
    assert several is None


@pytest.mark.parametrize(
    ("before", "after", "falling", "duration", "cause"),
    [
        (10.9, 12.8, True, 19800.0, "flat"),
        (10.9, 12.8, False, 19800.0, "unknown"),
        (12.8, 12.8, False, 30.0, "restart"),
        (12.8, 12.7, False, 7200.0, "switched"),
        (12.1, 12.7, True, 7200.0, "unknown"),
        (math.nan, 12.7, False, math.nan, "unknown"),
    ],
)
def test_a_cause_is_said_only_if_the_volts_support_it(
    before, after, falling, duration, cause
):
    dark = why_dark(before, after, falling=falling, duration=duration, cutoff=11.0)
    assert dark.cause == cause
