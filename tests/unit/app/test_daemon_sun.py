"""A boot that nothing dated, with a whole day of sun, between two dated ones."""

from datetime import date

import numpy as np
import pytest

from campledger.acquire.condense import Interval
from campledger.app.sunclock import SunWatch, date_by_sun
from campledger.estimate.solar_position import sunrise_sunset
from campledger.estimate.sun_clock import BOUND
from campledger.model.rig import House, Rig, Source
from campledger.store import Rows, Window, open_store

RIG = Rig(
    name="Van",
    timezone="UTC",
    house=House(chemistry="agm", capacity_rated=100.0),
    latitude=-23.7,
    longitude=133.9,
    sources=(Source(name="solar", kind="solar"),),
)
RISE, SET = sunrise_sunset(date(2026, 5, 2), -23.7, 133.9)
START = RISE - 6 * 3600.0
LENGTH = 24 * 3600.0


def dated(store, name, at):
    boot = store.begin_boot("van", identity=name)
    add(store, boot, np.arange(60.0, 3600.0, 60.0))
    store.add_anchor(boot.id, uptime=60.0, time_utc=at, kind="system", bound=1.0)


def add(store, boot, uptime):
    values = {"voltage_house_v": np.full(len(uptime), 12.6)}
    store.append_window(
        Window(boot=boot.id, rows=(Rows(uptime=uptime, values=values),))
    )


@pytest.mark.parametrize(
    ("later", "fits"), [(START + LENGTH + 7200.0, True), (START + 9 * LENGTH, False)]
)
def test_a_noon_dates_a_boot_once_its_neighbours_leave_one_date(tmp_path, later, fits):
    with open_store(tmp_path / "s.db", "daemon", create=True) as store:
        dated(store, "a", START - 3 * 3600.0)
        boot = store.begin_boot("van", identity="b")
        watch = SunWatch(RIG)
        uptime = np.arange(60.0, LENGTH, 60.0)
        add(store, boot, uptime)
        for up in uptime:
            share = (START + up - RISE) / (SET - RISE)
            amps = 8.0 * np.sin(np.pi * share) if 0.0 < share < 1.0 else 0.0
            watch.take(Interval(end=up, values={"current_solar_a": amps}))
        watch.offer(store, boot.id)
        assert not next(b for b in store.boots() if b.id == boot.id).dated
        dated(store, "c", later)
        assert date_by_sun(store, RIG) == int(fits)
        found = next(b for b in store.boots() if b.id == boot.id)
        assert found.dated is fits
        if fits:
            assert (found.dated_by, found.bound) == ("sun", BOUND)
            assert abs(found.start_utc - START - 60.0) < BOUND
        assert date_by_sun(store, RIG) == 0
