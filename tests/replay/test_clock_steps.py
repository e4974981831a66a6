"""
Random clock steps of up to ten years during a replay change no charge and no day.

The property is arithmetic, no outside source: the readings and their uptimes are the
same, so every integral over uptime must be the same to the bit, and after one anchor
every camp day too.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from campledger.app.daemon import Daemon
from campledger.app.wiring import replay_source
from campledger.formats.rigfile import read_rig
from campledger.store import open_store

RIG = """
[rig]
name = "Van"
timezone = "UTC"
[house]
chemistry = "agm"
capacity_rated_ah = 100
"""
T0 = 1_790_000_000.0
TEN_YEARS = 10 * 365.25 * 86400.0
BOOTS, HOURS, EVERY = 2, 9, 60.0


class Steps:
    """A recording of two boots whose wall clock is stepped at random moments."""

    channels = ("voltage_house_v", "current_house_a")

    def __init__(self, steps: int, seed: int) -> None:
        self.steps, self.seed = steps, seed

    def __iter__(self):
        rng = np.random.default_rng(self.seed)
        for boot in range(1, BOOTS + 1):
            uptime = np.arange(EVERY, HOURS * 3600.0 + 1, EVERY)
            k = np.arange(len(uptime)) + 7919 * boot
            amps = np.round(5.0 * np.sin(k / 50.0) + 0.3 * np.cos(k * 1.7), 3)
            wall = T0 + boot * 86400.0 + uptime
            where = rng.integers(1, len(uptime), self.steps // BOOTS)
            jumps = rng.uniform(-TEN_YEARS, TEN_YEARS, len(where))
            for at, by in zip(where, jumps, strict=True):
                wall[at:] += by
            yield SimpleNamespace(
                values={"voltage_house_v": 12.5 + 0.01 * amps, "current_house_a": amps},
                time_utc=wall,
                boot=np.full(len(uptime), boot),
                uptime=uptime,
            )


def replay(tmp_path, name, steps, seed=1):
    (tmp_path / "rig.toml").write_text(RIG)
    rig = read_rig(tmp_path / "rig.toml")
    path = tmp_path / name
    with open_store(path, "daemon", create=True) as store:
        source = replay_source(
            Steps(steps, seed), name="steps", pace=0.0, sampling="mean"
        )
        Daemon(rig, store, source).run()
    with open_store(path, "write") as store:
        for boot in store.boots():
            store.add_anchor(
                boot.id,
                uptime=boot.uptime_last,
                time_utc=T0 + boot.number * 86400.0 + boot.uptime_last,
                kind="phone",
                bound=2.0,
            )
        while store.refresh_minutes():
            pass
    return path


def totals(path):
    with open_store(path) as store:
        return [
            (t.charge, t.covered)
            for b in store.boots()
            for t in (store.boot_totals(b.id)["current_house_a"],)
        ]


def days(path):
    with open_store(path) as store:
        minutes = store.record(T0 + 86400.0, T0 + 4 * 86400.0).minutes
        found = minutes["current_house_a"]
        return found.charge, found.covered


@pytest.mark.parametrize("steps", [100])
def test_steps_change_no_charge_and_after_an_anchor_no_day(tmp_path, steps):
    straight = replay(tmp_path, "straight.db", 0)
    stepped = replay(tmp_path, "stepped.db", steps, seed=steps)
    assert totals(stepped) == totals(straight)
    for a, b in zip(days(stepped), days(straight), strict=True):
        assert np.array_equal(a, b)


@pytest.mark.slow
def test_a_thousand_steps(tmp_path):
    test_steps_change_no_charge_and_after_an_anchor_no_day(tmp_path, 1000)
