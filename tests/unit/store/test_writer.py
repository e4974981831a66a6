import numpy as np
import pytest
from store_cases import T0, log_windows

from campledger.store import Rows, Window, open_store
from campledger.store.writer import split_rows


def series(store, name="current_fridge_a"):
    return store.record(T0 - 10, T0 + 1e6).channels[name]


def test_windows_read_the_same_before_and_after_sealing(store):
    boot = store.begin_boot("van", identity="a")
    log_windows(store, boot.id, 0, 1800)
    before = series(store)
    minutes = store.record(T0, T0 + 1800).minutes["current_fridge_a"]
    assert store.seal(boot.id, up_to=900.0) == 900
    half = series(store)
    assert store.seal() == 900
    after = series(store)
    for other in (half, after):
        assert np.array_equal(before.time_utc, other.time_utc)
        assert np.array_equal(before.value, other.value)
    sealed = store.record(T0, T0 + 1800).minutes["current_fridge_a"]
    for field in ("mean", "low", "high", "charge", "covered"):
        a, b = getattr(minutes, field), getattr(sealed, field)
        assert np.allclose(a, b, rtol=0, atol=2e-6, equal_nan=True)  # quantum 1e-6


def test_the_state_of_the_newest_window_survives_sealing(store):
    boot = store.begin_boot("van", identity="a")
    log_windows(store, boot.id, 0, 20, state=b"one")
    log_windows(store, boot.id, 20, 40, state=b"two")
    assert store.state("window") == b"two"
    store.seal()
    assert store.state("window") == b"two"
    log_windows(store, boot.id, 40, 50, state=b"three")
    assert store.state("window") == b"three"


def test_channels_of_other_pace_have_their_own_axis(store):
    boot = store.begin_boot("van", identity="a")
    fast, slow = 1.0 + np.arange(10), np.array([7.25])
    rows = (
        Rows(uptime=fast, wall=T0 + fast, values={"current_house_a": fast}),
        Rows(uptime=slow, wall=T0 + slow, values={"temp_air_c": np.array([21.5])}),
    )
    store.append_window(Window(boot=boot.id, rows=rows))
    store.seal()
    assert series(store, "temp_air_c").value.tolist() == [21.5]
    assert len(series(store, "current_house_a").value) == 10


def test_lowest_and_highest_polls_show_in_the_minutes(store):
    boot = store.begin_boot("van", identity="a")
    uptime = 1.0 + np.arange(60)
    mean = np.full(60, 5.0)
    values = {
        "current_house_a": mean,
        "current_house_min_a": mean - 1,
        "current_house_max_a": np.where(uptime == 30, 42.0, mean),
    }
    store.append_window(
        Window(
            boot=boot.id,
            rows=(Rows(uptime=uptime, wall=T0 + uptime, values=values),),
        )
    )
    for _ in range(2):
        minutes = store.record(T0, T0 + 120).minutes["current_house_a"]
        assert np.nanmin(minutes.low) == 4.0
        assert np.nanmax(minutes.high) == 42.0
        store.seal()


def test_rows_are_cut_at_long_holes_and_at_a_day():
    uptime = np.concatenate((np.arange(100000.0), 200000.0 + np.arange(10)))
    parts = split_rows(Rows(uptime=uptime, values={"x": uptime}))
    assert [len(p.uptime) for p in parts] == [86400, 13600, 10]
    assert np.array_equal(np.concatenate([p.values["x"] for p in parts]), uptime)


def test_a_failed_seal_changes_nothing(store, monkeypatch):
    boot = store.begin_boot("van", identity="a")
    log_windows(store, boot.id, 0, 100)
    before = series(store)
    monkeypatch.setattr(
        "campledger.store.writer.bt.widen_boot", lambda *_: 1 / 0, raising=True
    )
    with pytest.raises(ZeroDivisionError):
        store.seal()
    assert np.array_equal(series(store).value, before.value)


def test_everything_is_there_after_reopening(path):
    with open_store(path, "daemon", create=True) as store:
        boot = store.begin_boot("van", identity="a")
        log_windows(store, boot.id, 0, 100)
        store.seal(up_to=None)
        log_windows(store, boot.id, 100, 200)
    with open_store(path) as store:
        assert len(series(store).value) == 200


def test_an_empty_window_is_refused(store):
    boot = store.begin_boot("van", identity="a")
    empty = Rows(uptime=np.zeros(0), values={})
    with pytest.raises(ValueError, match="no rows"):
        store.append_window(Window(boot=boot.id, rows=(empty,)))
