import math

import numpy as np
import pytest
from store_cases import T0, boot_chunk, log_windows

from campledger.store import boots as bt


def stretch(uptime, wall, known=None):
    return bt.extend_stretch(known, np.asarray(uptime), np.asarray(wall))


def test_the_stretch_after_the_last_step_dates_the_boot():
    uptime = np.arange(100.0)
    wall = np.where(uptime < 40, 946_684_800.0, T0) + uptime
    found = stretch(uptime, wall)
    assert (found.first_uptime, found.first_wall) == (40.0, T0 + 40)
    anchor = found.anchor(1)
    assert anchor.time_utc - anchor.uptime == pytest.approx(T0, abs=1e-6)


@pytest.mark.parametrize("cut", [1, 39, 40, 41, 99])
def test_the_stretch_is_the_same_in_pieces(cut):
    uptime = np.arange(100.0)
    wall = np.where(uptime < 40, 946_684_800.0, T0) + uptime
    whole = stretch(uptime, wall)
    first = stretch(uptime[:cut], wall[:cut])
    assert stretch(uptime[cut:], wall[cut:], first) == whole


def test_silent_and_never_set_clocks_date_nothing():
    assert stretch([1.0, 2.0], [math.nan, math.nan]) is None
    assert stretch([1.0, 2.0], [946_684_801.0, 946_684_802.0]).anchor(1) is None


def test_a_slow_drift_is_not_a_step():
    found = stretch([0.0, 36000.0], [T0, T0 + 36000.0 + 9.0])
    assert found.first_uptime == 0.0


def test_the_same_kernel_boot_goes_on_and_another_gets_the_next_number(store):
    one = store.begin_boot("van", identity="a")
    again = store.begin_boot("van", identity="a")
    two = store.begin_boot("van", identity="b")
    other = store.begin_boot("other", identity="c")
    assert (one.id, one.number) == (again.id, 1)
    assert (two.number, other.number) == (2, 1)


def test_an_undated_boot_lies_between_its_neighbours(store):
    for number, lag in ((1, T0), (2, 946_684_800.0), (3, T0 + 90000)):
        store.import_rows("van", boot_chunk(0, 600, boot=number, lag=lag, seed=number))
    one, two, three = store.boots()
    assert not two.dated
    assert (two.after_utc, two.before_utc) == (one.end_utc, three.start_utc)
    assert two.rows == 600


def test_a_phone_dates_a_boot_that_woke_in_2000(store):
    """job.md X1: forty minutes from "1 Jan 2000", then the phone says 17:02."""
    boot = store.begin_boot("van", identity="a")
    log_windows(store, boot.id, 0, 2400, lag=946_684_800.0)
    store.seal(boot.id)
    before = store.boot_totals(boot.id)
    assert store.span() is None
    store.add_anchor(boot.id, uptime=2400.0, time_utc=T0, kind="phone", bound=2.0)
    info = store.boots()[0]
    assert info.dated_by == "phone"
    assert info.start_utc == T0 - 2399
    assert store.boot_totals(boot.id) == before
    record = store.record(T0 - 3000, T0)
    total = before["current_fridge_a"].charge
    minutes = record.minutes["current_fridge_a"].charge.sum()
    assert minutes == pytest.approx(total, abs=1e-3)  # minutes are kept to 1e-6
    assert store.refresh_minutes() == 1
    again = store.record(T0 - 3000, T0).minutes["current_fridge_a"].charge.sum()
    assert again == minutes


@pytest.mark.parametrize("seed", range(3))
def test_steps_of_the_clock_change_no_charge(tmp_path, seed):
    """Steps of up to ten years either way; the last anchor rules."""
    from campledger.store import open_store

    rng = np.random.default_rng(seed)
    totals, minutes = [], []
    for name in ("calm", "stepped"):
        with open_store(tmp_path / name, "daemon", create=True) as store:
            boot = store.begin_boot("van", identity="a")
            lag = T0
            for a in range(0, 600, 60):
                if name == "stepped":
                    lag += float(rng.uniform(-3.15e8, 3.15e8))
                log_windows(store, boot.id, a, a + 60, lag=lag)
                if rng.random() < 0.3:
                    store.seal(boot.id, up_to=float(a))
            store.add_anchor(
                boot.id, uptime=600.0, time_utc=T0, kind="phone", bound=1.0
            )
            store.seal(boot.id)
            totals.append(store.boot_totals(boot.id)["current_fridge_a"])
            record = store.record(T0 - 660, T0)
            minutes.append(record.minutes["current_fridge_a"].charge)
    assert totals[0].covered == totals[1].covered
    assert totals[0].charge == pytest.approx(totals[1].charge, rel=1e-12)
    assert np.allclose(minutes[0], minutes[1], rtol=0, atol=2e-6)  # quantum 1e-6
