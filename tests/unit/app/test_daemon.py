"""The daemon's loop on a moved clock: windows, boots, rooms, resumed estimates."""

import math
import queue
import threading
from types import MappingProxyType

import numpy as np
import pytest

from campledger.acquire.condense import Interval
from campledger.acquire.poll import Taken
from campledger.app.daemon import Daemon, Surroundings
from campledger.app.keeping import Keeper, to_minutes
from campledger.app.livestate import MOST, live_of, take_up
from campledger.app.wiring import Source
from campledger.formats.rigfile import read_rig
from campledger.store import Rows, StoreFullError, open_store

RIG = """
[rig]
name = "Van"
timezone = "UTC"
[house]
chemistry = "agm"
capacity_rated_ah = 100
cutoff_v = 11.0
[source.solar]
kind = "solar"
[load.fridge]
kind = "fridge"
"""
NAMES = ("voltage_house_v", "current_house_a")
T0 = 1.79e9


@pytest.fixture
def rig(tmp_path):
    (tmp_path / "rig.toml").write_text(RIG)
    return read_rig(tmp_path / "rig.toml")


class Clock:
    def __init__(self, boot="kernel 1", wall=T0):
        self.boot, self.now, self.offset = boot, 0.0, wall

    def uptime(self):
        return self.now

    def wall(self):
        return self.offset + self.now

    def sleep_until(self, uptime, stop):
        self.now = uptime


class Poller:
    slots = ()
    counts = MappingProxyType({})
    ended = False

    def __init__(self, clock):
        self.clock = clock

    @property
    def alive_at(self):
        return self.clock.now

    def is_alive(self):
        return False


class FakeSource(Source):
    def paces(self):
        return {1.0: NAMES, **self.extra}


def make(rig, store, *, clock=None, **around):
    clock = clock or Clock()
    source = FakeSource(
        pollers=[Poller(clock)],
        out=queue.Queue(),
        clock=clock,
        kind="live",
        sampling="mean",
        stop=threading.Event(),
    )
    source.pollers[0].slots = [type("S", (), {"interval": 1.0})]
    around = {"free": lambda _: 1e12, "synchronised": lambda: False, **around}
    return Daemon(rig, store, source, Surroundings(**around)), clock


def go(daemon, clock, seconds, *, volts=12.6, amps=-3.0):
    for _ in range(seconds):
        clock.now += 1.0
        end = math.floor(clock.now)
        values = {"voltage_house_v": volts, "current_house_a": amps}
        taken = Taken(
            boot=clock.boot,
            pace=1.0,
            interval=Interval(end=end, values=values),
            wall=clock.wall(),
        )
        daemon.step([taken])


def test_at_most_the_window_is_not_on_the_disk_at_any_second(rig, tmp_path):
    with open_store(tmp_path / "s.db", "daemon", create=True) as store:
        daemon, clock = make(rig, store)
        for _ in range(100):
            go(daemon, clock, 1)
            with open_store(tmp_path / "s.db") as reader:
                boots = reader.boots()
            saved = boots[0].uptime_last if boots and boots[0].rows else 0.0
            assert clock.now - saved <= rig.logger.window


def test_hours_are_sealed_by_uptime_and_events_are_kept(rig, tmp_path):
    with open_store(tmp_path / "s.db", "daemon", create=True) as store:
        daemon, clock = make(rig, store)
        go(daemon, clock, 3500)
        go(daemon, clock, 200, amps=-8.0)
        windows = store.file.db.execute("select min(first) from window").fetchone()
        assert windows[0] == pytest.approx(3600.0, abs=10.0)
        daemon.close()
        assert store.boots()[0].rows == 3700
        kinds = [e.key for e in store.entries("event")]
        assert kinds == ["boot", "step"]


def test_the_same_boot_goes_on_and_another_says_what_was_before(rig, tmp_path):
    with open_store(tmp_path / "s.db", "daemon", create=True) as store:
        daemon, clock = make(rig, store)
        go(daemon, clock, 100, volts=11.6)
        go(daemon, clock, 700, volts=11.2)
        daemon.close()
        again, _ = make(rig, store, clock=clock)
        clock.now += 30.0
        go(again, clock, 60, volts=11.2)
        again.close()
        assert len(store.boots()) == 1
        other, fresh = make(rig, store, clock=Clock("kernel 2", T0 + 20000.0))
        go(other, fresh, 60, volts=12.9)
        other.close()
        assert len(store.boots()) == 2
        boots = [e.body for e in store.entries("event") if e.key == "boot"]
    assert boots[-1]["cause"] == "flat"
    assert boots[-1]["volts_before"] == pytest.approx(11.2)
    assert boots[-1]["volts_after"] == pytest.approx(12.9)
    assert boots[-1]["seconds"] == pytest.approx(20000 - 890, abs=5)


def test_the_live_state_is_small_and_wider_after_the_dark(rig, tmp_path):
    with open_store(tmp_path / "s.db", "daemon", create=True) as store:
        daemon, clock = make(rig, store)
        go(daemon, clock, 1300)
        daemon.close()
        blob = store.state("window")
        assert len(blob) <= MOST
        battery, seen = live_of(store, rig)
        before = battery.estimate()
        assert seen.uptime == 1300.0
        same, _, unseen = take_up(
            rig, blob, boot="kernel 1", uptime=1310.0, wall=T0 + 1310
        )
        assert unseen == 10.0
        assert same.battery.estimate().value == pytest.approx(before.value, abs=1e-6)
        other, _, unseen = take_up(
            rig, blob, boot="kernel 2", uptime=5.0, wall=T0 + 50000.0
        )
        after = other.battery.estimate()
        assert unseen == pytest.approx(48700.0)
        assert after.hi - after.lo > before.hi - before.lo
        _, _, unknown = take_up(rig, blob, boot="kernel 2", uptime=5.0, wall=0.0)
        assert math.isnan(unknown)


def test_a_state_that_cannot_be_read_starts_afresh(rig):
    live, seen, unseen = take_up(rig, b"rubbish", boot="x", uptime=0.0, wall=0.0)
    assert seen is None
    assert math.isnan(unseen)
    assert live.battery.estimate().value > 0


def test_a_synchronised_clock_dates_the_boot_and_a_step_is_told(rig, tmp_path):
    good = []
    with open_store(tmp_path / "s.db", "daemon", create=True) as store:
        daemon, clock = make(
            rig,
            store,
            clock=Clock(wall=100.0),
            synchronised=lambda: bool(good),
        )
        go(daemon, clock, 130)
        assert store.anchors() == {}
        clock.offset = T0
        good.append(1)
        go(daemon, clock, 70)
        (anchors,) = store.anchors().values()
        assert [a.kind for a in anchors] == ["system"]
        assert store.boots()[0].start_utc == pytest.approx(T0 + 1.0, abs=1e-3)
        steps = [e.body["step_s"] for e in store.entries("event") if e.key == "clock"]
        assert steps == [pytest.approx(T0 - 100.0)]


def test_little_room_keeps_minutes_and_events_with_detail(rig, tmp_path):
    free = [1e12]
    with open_store(tmp_path / "s.db", "daemon", create=True) as store:
        daemon, clock = make(rig, store, free=lambda _: free[0])
        go(daemon, clock, 120)
        free[0] = 150e6
        go(daemon, clock, 60)
        assert daemon.board.room.mode == "warn"
        free[0] = 20e6
        go(daemon, clock, 61)
        assert daemon.board.room.mode == "low"
        rows = store.boots()[0].rows
        go(daemon, clock, 300)
        go(daemon, clock, 300, amps=-9.0)
        assert store.boots()[0].rows - rows <= 12
        daemon.close()
        # Five amp-minutes... the charge is there although the seconds are not.
        record = store.record(T0 + 240.0, T0 + 840.0)
        minutes = record.minutes["current_house_a"]
        assert minutes.covered.sum() == pytest.approx(600.0, abs=61.0)
        (step,) = [e for e in store.entries("event") if e.key == "step"]
        assert len(step.body["readings"]) == 60
        assert "disk" in {e.key for e in store.entries("event")}


def test_no_room_runs_in_memory_says_so_and_saves_all_later(rig, tmp_path, monkeypatch):
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    with open_store(tmp_path / "s.db", "daemon", create=True) as store:
        daemon, clock = make(rig, store)
        go(daemon, clock, 60)
        append = store.append_window

        def full(_):
            msg = "s.db: got no space on the disk, expected room"
            raise StoreFullError(msg)

        monkeypatch.setattr(store, "append_window", full)
        go(daemon, clock, 600)
        text = (tmp_path / "status.json").read_text()
        assert "NOT SAVED since " in text
        monkeypatch.setattr(store, "append_window", append)
        go(daemon, clock, 30)
        daemon.close()
        assert store.boots()[0].rows == 690
        assert "NOT SAVED" not in (tmp_path / "status.json").read_text()


def test_no_room_even_for_a_boot_holds_the_readings(rig, tmp_path, monkeypatch):
    with open_store(tmp_path / "s.db", "daemon", create=True) as store:
        daemon, clock = make(rig, store)
        begin = store.begin_boot

        def full(*_, **__):
            msg = "s.db: got no space on the disk, expected room"
            raise StoreFullError(msg)

        monkeypatch.setattr(store, "begin_boot", full)
        go(daemon, clock, 100)
        assert daemon.boot is None
        monkeypatch.setattr(store, "begin_boot", begin)
        go(daemon, clock, 20)
        daemon.close()
        assert store.boots()[0].rows == 120


def test_what_waits_in_memory_is_bounded_and_keeps_its_charge(rig, monkeypatch):
    saved = []

    class Full:
        full = True

        def append_window(self, window):
            if self.full:
                raise StoreFullError
            saved.extend(window.rows)

    store = Full()
    keeper = Keeper(store, 1, {1.0: NAMES})
    for k in range(30000):
        values = {"voltage_house_v": 12.0, "current_house_a": -1.0}
        interval = Interval(end=float(k + 1), values=values)
        keeper.add(Taken(boot="b", pace=1.0, interval=interval, wall=T0 + k))
        if k % 10 == 9:
            keeper.flush(float(k + 2), b"")
    waiting = sum(len(r.uptime) for w in keeper.waiting for r in w)
    assert waiting <= 7200 + 500
    store.full = False
    keeper.flush(40000.0, b"", last=True)
    assert math.isnan(keeper.not_saved_since)
    assert saved[-1].uptime[-1] == 30000.0


def test_minutes_hold_mean_lowest_and_highest():
    rows = Rows(
        uptime=np.arange(1.0, 121.0),
        values={
            "current_house_a": np.repeat([-2.0, -4.0], 60),
            "current_house_min_a": np.arange(120.0) * -1.0,
            "current_house_max_a": np.arange(120.0),
        },
        wall=T0 + np.arange(1.0, 121.0),
    )
    out = to_minutes(rows)
    assert out.uptime.tolist() == [60.0, 120.0]
    assert out.values["current_house_a"].tolist() == [-2.0, -4.0]
    assert out.values["current_house_min_a"].tolist() == [-59.0, -119.0]
    assert out.values["current_house_max_a"].tolist() == [59.0, 119.0]
    assert out.wall.tolist() == [T0 + 60.0, T0 + 120.0]


def test_an_interval_twice_or_too_late_is_counted_not_stored(rig, tmp_path):
    with open_store(tmp_path / "s.db", "daemon", create=True) as store:
        daemon, clock = make(rig, store)
        go(daemon, clock, 30)
        clock.now -= 25.0
        go(daemon, clock, 5)
        assert daemon.summary.late == 5
