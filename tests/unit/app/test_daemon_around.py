"""What is around the daemon: board, urgent things, status, chores, sources, parked."""

import argparse
import json
import queue
import sys
import threading
import time
from types import SimpleNamespace

import numpy as np
import pytest

from campledger.acquire.buses.fake import FakeDriver
from campledger.acquire.buses.replay import EndOfReadingsError, ReplayBus
from campledger.acquire.condense import Interval, Watcher
from campledger.acquire.poll import BoardClock, Notice, Taken
from campledger.app import status
from campledger.app.chores import Chores, chores_of, run_quietly
from campledger.app.clockwork import is_synchronised, kernel_boot
from campledger.app.context import Session
from campledger.app.daemon import Daemon, Surroundings
from campledger.app.parked import stand
from campledger.app.wiring import live_source, replay_source
from campledger.errors import BusError, InputError
from campledger.estimate.sun_clock import panel_noons
from campledger.formats.rigfile import read_rig
from campledger.store import Columns, open_store

T0 = 1_789_948_800.0
RIG = """
[rig]
name = "Van"
timezone = "UTC"
[house]
chemistry = "lfp"
capacity_rated_ah = 100
charge_high_v = 14.8
cutoff_v = 11.0
[load.logger]
kind = "logger"
on_a = 0.3
[load.fridge]
kind = "fridge"
set_c = 3
[push]
url = "http://127.0.0.1:9"
bucket = "b"
"""
SENSOR = """
[[sensor]]
driver = "{driver}"
bus = "i2c:99"
address = 0x40
shunt_mohm = 0.5
max_a = 100
channels = {{ current = "current_house_a", voltage = "voltage_house_v" }}
interval_s = 0.1
"""


def rig_of(tmp_path, more=""):
    (tmp_path / "rig.toml").write_text(RIG + more)
    return read_rig(tmp_path / "rig.toml")


def take(end, **values):
    interval = Interval(end=end, values=values)
    return Taken(boot="k", pace=0.1, interval=interval, wall=T0 + end)


class Acts:
    def __init__(self):
        self.seen = []

    def act(self, kind, text):
        self.seen.append((kind, text))
        return True


@pytest.fixture
def running(tmp_path):
    """Give a daemon on a board with sensors of its own, and the things around it."""
    rig = rig_of(tmp_path, SENSOR.format(driver="ina226"))
    zone = tmp_path / "sys/class/thermal/thermal_zone0"
    zone.mkdir(parents=True)
    (zone / "temp").write_text("41000\n")
    alarm = tmp_path / "sys/class/hwmon/hwmon0"
    alarm.mkdir(parents=True)
    (alarm / "in0_lcrit_alarm").write_text("0\n")
    drivers = [
        FakeDriver(uptime=lambda: 0.0, values={"voltage_house_v": lambda _: 13.0})
    ]
    source = live_source(rig, "k", lambda _: drivers[0])
    clock = SimpleNamespace(
        boot="k", now=100.0, uptime=lambda: clock.now, wall=lambda: T0 + clock.now
    )
    source.clock = clock
    for poller in source.pollers:
        poller.alive_at = 1e9
    acts = Acts()
    around = Surroundings(
        sys_root=tmp_path / "sys",
        free=lambda _: 1e12,
        synchronised=lambda: False,
        actor=acts,
    )
    with open_store(tmp_path / "s.db", "daemon", create=True) as store:
        yield SimpleNamespace(
            daemon=Daemon(rig, store, source, around),
            store=store,
            clock=clock,
            acts=acts,
            zone=zone,
            alarm=alarm,
        )


def keys(store):
    return [e.key for e in store.entries("event")]


def test_the_board_s_warmth_is_a_channel_and_heat_and_supply_are_events(running):
    daemon, clock = running.daemon, running.clock
    daemon.step([take(100.0, voltage_house_v=13.0)])
    (running.zone / "temp").write_text("78000\n")
    (running.alarm / "in0_lcrit_alarm").write_text("1\n")
    clock.now = 161.0
    daemon.step([take(161.0, voltage_house_v=13.0)])
    clock.now = 170.0
    daemon.close()
    assert {"hot", "supply low"} <= set(keys(running.store))
    assert running.acts.seen[0] == ("hot", "Logger hot (78 degC): move or vent")
    record = running.store.record(T0, T0 + 1000.0)
    assert 78.0 in record.channels["temp_logger_c"].value


@pytest.mark.parametrize(
    ("values", "kind"),
    [
        ({"voltage_house_v": 15.2}, "over-voltage"),
        (
            {"voltage_house_v": 13.0, "temp_house_c": -4.0, "current_house_a": 9.0},
            "cold-charging",
        ),
    ],
)
def test_what_harms_the_battery_is_urgent(running, values, kind):
    running.daemon.step([take(100.0, **values)])
    assert [k for k, _ in running.acts.seen] == [kind]
    assert "urgent" in keys(running.store)


def test_a_cut_out_is_urgent_and_a_silent_sensor_is_told(running):
    daemon = running.daemon
    daemon.step([take(100.0, voltage_house_v=11.4)])
    daemon.step([take(101.0, voltage_house_v=10.9)])
    assert running.acts.seen[-1][0] == "cut-out"
    notice = Notice(boot="k", uptime=102.0, kind="silent", sensor="chip", text="no")
    daemon.step([notice])
    assert daemon.silent == {"chip": "no"}
    back = Notice(boot="k", uptime=103.0, kind="back", sensor="chip", text="again")
    daemon.step([back])
    assert daemon.silent == {}
    assert {"sensor silent", "sensor back"} <= set(keys(running.store))


def test_live_threads_poll_and_stop(tmp_path):
    rig = rig_of(tmp_path, SENSOR.format(driver="ina226"))
    values = {"current_house_a": lambda _: -2.0, "voltage_house_v": lambda _: 13.0}
    source = live_source(
        rig, "k", lambda _: FakeDriver(uptime=lambda: 0.0, values=values)
    )
    around = Surroundings(free=lambda _: 1e12, synchronised=lambda: False)
    with open_store(tmp_path / "s.db", "daemon", create=True) as store:
        daemon = Daemon(rig, store, source, around)
        timer = threading.Timer(1.0, source.stop.set)
        timer.start()
        done = daemon.run()
        timer.join()
        assert done.rows >= 5
        counted = store.counters()
    assert counted["ina226 i2c:99 0x40"]["polls"] >= 5


def test_a_bus_that_is_not_there_is_asked_again(tmp_path):
    rig = rig_of(tmp_path, SENSOR.format(driver="ina226"))
    (poller,) = live_source(rig, "k").pollers
    driver = poller.slots[0].driver
    with pytest.raises(BusError):
        driver.start()
    with pytest.raises(BusError, match="not started"):
        driver.read()


def test_a_driver_that_is_not_known_is_refused_before_anything(tmp_path):
    rig = rig_of(tmp_path, SENSOR.format(driver="nosuch"))
    with pytest.raises(InputError, match="nosuch"):
        live_source(rig, "k")


def test_the_status_of_a_daemon_is_read_back_while_it_is_fresh(tmp_path, monkeypatch):
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    assert status.read_status() is None
    status.write_status({"uptime_s": 500.0, "text": "logging"})
    assert status.read_status(now=510.0)["text"] == "logging"
    assert status.read_status(now=5000.0) is None
    (tmp_path / "status.json").write_text("[]")
    assert status.read_status(now=510.0) is None


def test_the_manager_hears_lines(tmp_path, monkeypatch):
    import socket

    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(tmp_path / "n"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "n"))
        status.Manager().tell("READY=1", "STATUS=x")
        assert ear.recv(100) == b"READY=1\nSTATUS=x"


def test_this_computer_s_clocks_are_asked():
    clock = BoardClock("k")
    assert abs(clock.uptime() - time.clock_gettime(time.CLOCK_BOOTTIME)) < 1.0
    assert abs(clock.wall() - time.time()) < 1.0
    clock.sleep_until(0.0, threading.Event())
    assert is_synchronised() in {True, False}
    assert len(kernel_boot()) in {0, 36}


def test_chores_are_listed_and_run_at_low_priority(tmp_path):
    rig = rig_of(tmp_path)
    chores = chores_of(rig, tmp_path / "rig.toml", tmp_path / "s.db")
    assert [c.name for c in chores] == ["answers", "loads", "copy", "push"]
    script = "import os,sys; sys.exit(0 if os.getpriority(0, 0) >= 0 else 9)"
    assert run_quietly([sys.executable, "-c", script]) == 0
    assert run_quietly([sys.executable, "-c", "raise SystemExit('no')"]) == 1
    copy = next(c for c in chores if c.name == "copy")
    done = []
    made = Chores(
        chores,
        zone="UTC",
        store=tmp_path / "s.db",
        run=lambda w: done.append(w[3]) or 0,
    )
    made.do(copy)
    assert done == []
    (tmp_path / "s.db").write_bytes(b"x")
    made.do(copy)
    assert done == ["backup"]


def rows(**columns):
    count = len(next(iter(columns.values())))
    given = {"boot": None, "uptime": None, "time_utc": None, **columns}
    values = {"voltage_house_v": np.full(count, 12.5)}
    return SimpleNamespace(values=values, **given)


class Recording(list):
    channels = ("voltage_house_v",)


def test_a_paced_replay_takes_its_time_and_a_time_that_falls_is_another_boot():
    at = T0 + np.array([0.0, 2.0, 1.0, 3.0])
    bus = ReplayBus(Recording([rows(time_utc=at)]), pace=50.0)
    begun = time.monotonic()
    seen = []
    for _ in range(4):
        bus.sleep_until(bus.follow(), threading.Event())
        bus.read()
        seen.append((bus.boot, bus.uptime(), bus.wall() - T0))
    assert seen == [("1", 0.0, 0.0), ("1", 2.0, 2.0), ("2", 0.0, 1.0), ("2", 2.0, 3.0)]
    assert 0.06 <= time.monotonic() - begun < 2.0
    with pytest.raises(EndOfReadingsError):
        bus.follow()


def test_a_replay_with_boots_keeps_them_and_needs_no_time(tmp_path):
    given = rows(boot=np.array([7, 7, 8]), uptime=np.array([1.0, 2.0, 1.0]))
    rig = rig_of(tmp_path)
    source = replay_source(Recording([given]), name="x", pace=0.0, sampling="point")
    with open_store(tmp_path / "s.db", "daemon", create=True) as store:
        done = Daemon(rig, store, source).run()
        assert [(b.number, b.rows, b.dated) for b in store.boots()] == [
            (7, 2, False),
            (8, 1, False),
        ]
    assert (done.rows, done.boots) == (3, 2)


def test_parked_and_ready_are_answered_from_a_store(tmp_path):
    rig = rig_of(tmp_path)
    at = T0 + np.arange(60.0, 2 * 86400.0, 60.0)
    amps = np.where(np.arange(len(at)) % 40 < 12, -4.3, -0.3)
    volts = 13.2 + 0.005 * amps
    values = {
        "voltage_house_v": volts,
        "current_house_a": amps,
        "temp_fridge_c": np.full(len(at), 3.5),
    }
    with open_store(tmp_path / "s.db", "write", create=True) as store:
        store.import_rows("van", Columns(time_utc=at, values=values), sampling="mean")
        store.seal()
        asked = argparse.Namespace(plan=None, start=None, end=None)
        found = stand(Session(rig=rig, store=store), asked)
    assert found.parked.draw == pytest.approx(0.3, abs=0.05)
    assert found.ready.verdict == "not_yet"
    assert "Fridge" in found.lines()[1]
    assert json.dumps(found.as_object())


def test_other_channels_make_no_events():
    watcher = Watcher(11.0)
    for end, value in ((1.0, 5.0), (2.0, 50.0)):
        seen = watcher.look(Interval(end=end, values={"temp_air_c": value}))
    assert seen == []


def test_one_minute_of_sun_is_no_day():
    assert len(panel_noons(np.array([60.0]), np.array([5.0]))) == 0


def test_a_full_queue_is_waited_for(tmp_path):
    rig = rig_of(tmp_path, SENSOR.format(driver="ina226"))
    values = {"current_house_a": lambda _: -2.0}
    source = live_source(
        rig, "k", lambda _: FakeDriver(uptime=lambda: 0.0, values=values)
    )
    (poller,) = source.pollers
    poller.out = queue.Queue(1)
    poller.out.put("full")
    source.stop.set()
    poller._give(poller.slots[0], Interval(end=1.0, values={}))
    assert poller.out.qsize() == 1
