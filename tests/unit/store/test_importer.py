from dataclasses import replace

import numpy as np
import pytest
from store_cases import T0, boot_chunk, chunk, readings

from campledger.errors import StoreBusyError
from campledger.store import Columns, open_store


def counts(count):
    return count.added, count.present, count.set_aside


def values(store, name="voltage_house_v"):
    return store.record(T0 - 1e6, T0 + 1e6).channels[name].value


def test_importing_twice_changes_nothing(store):
    """job.md X15."""
    assert counts(store.import_rows("van", chunk())) == (7200, 0, 0)
    before = values(store)
    assert counts(store.import_rows("van", chunk())) == (0, 7200, 0)
    assert np.array_equal(values(store), before)


@pytest.mark.parametrize("make", [chunk, boot_chunk])
def test_overlapping_exports_add_up(store, make):
    assert counts(store.import_rows("van", make(1000, 5000))) == (4000, 0, 0)
    assert counts(store.import_rows("van", make(0, 3000))) == (1000, 2000, 0)
    assert counts(store.import_rows("van", make(4000, 7200))) == (2200, 1000, 0)
    assert np.array_equal(values(store), readings()["voltage_house_v"])
    assert len(store.boots()) == 1


def test_another_value_for_the_same_place_is_set_aside(store):
    store.import_rows("van", chunk(0, 100))
    other = chunk(0, 100)
    changed = other.values["voltage_house_v"].copy()
    changed[[7, 9]] += 1
    other = replace(other, values={**other.values, "voltage_house_v": changed})
    count = store.import_rows("van", other)
    assert counts(count) == (0, 98, 2)
    assert count.aside.tolist() == [7, 9]
    assert np.array_equal(values(store), readings()["voltage_house_v"][:100])


def test_the_same_time_twice_in_a_file_keeps_the_first(store):
    one = chunk(0, 5)
    time = one.time_utc[[0, 1, 1, 2, 2]]
    volts = np.array([12.0, 12.1, 12.1, 12.2, 13.3])
    count = store.import_rows(
        "van", Columns(time_utc=time, values={"voltage_house_v": volts})
    )
    assert counts(count) == (3, 1, 1)
    assert count.aside.tolist() == [4]
    assert values(store).tolist() == [12.0, 12.1, 12.2]


def test_a_second_file_may_bring_other_channels(store):
    both = chunk(0, 100)
    volts = {"voltage_house_v": both.values["voltage_house_v"]}
    amps = {"current_house_a": both.values["current_house_a"]}
    store.import_rows("van", replace(both, values=volts))
    assert counts(store.import_rows("van", replace(both, values=amps))) == (100, 0, 0)
    assert counts(store.import_rows("van", both)) == (0, 100, 0)
    record = store.record(T0 - 1, T0 + 100)
    assert sorted(record.channels) == ["current_house_a", "voltage_house_v"]


def test_rows_out_of_order_are_put_in_order(store):
    one = chunk(0, 100)
    order = np.random.default_rng(1).permutation(100)
    mixed = Columns(
        time_utc=one.time_utc[order],
        values={n: v[order] for n, v in one.values.items()},
    )
    assert counts(store.import_rows("van", mixed)) == (100, 0, 0)
    assert np.array_equal(values(store), readings()["voltage_house_v"][:100])


def test_an_equal_number_with_another_first_row_is_another_boot(store):
    store.import_rows("van", boot_chunk(0, 600, seed=1))
    store.import_rows("van", boot_chunk(0, 600, seed=2, lag=T0 + 50000))
    assert [b.rows for b in store.boots()] == [600, 600]
    assert counts(store.import_rows("van", boot_chunk(0, 600, seed=1)))[1] == 600
    again = store.import_rows("van", boot_chunk(0, 600, seed=2, lag=T0 + 50000))
    assert counts(again)[1] == 600
    assert len(store.boots()) == 2


def test_a_boot_counter_that_stands_still_is_seen_in_one_file(store):
    one, two = boot_chunk(0, 600, seed=1), boot_chunk(0, 300, seed=2, lag=T0 + 9000)
    both = Columns(
        boot=np.concatenate((one.boot, two.boot)),
        uptime=np.concatenate((one.uptime, two.uptime)),
        time_utc=np.concatenate((one.time_utc, two.time_utc)),
        values={n: np.concatenate((one.values[n], two.values[n])) for n in one.values},
    )
    for expected in ((900, 0, 0), (0, 900, 0)):
        assert counts(store.import_rows("van", both)) == expected
    assert [b.rows for b in store.boots()] == [600, 300]


def test_chunks_of_one_boot_stay_one_boot(store):
    for a in range(0, 7200, 1000):
        store.import_rows("van", boot_chunk(a, min(a + 1000, 7200), lag=None))
    (boot,) = store.boots()
    assert boot.rows == 7200
    assert not boot.dated


def test_files_of_one_boot_in_the_wrong_order_stay_one_boot(store):
    store.import_rows("van", boot_chunk(3600, 7200))
    store.import_rows("van", boot_chunk(0, 3600))
    assert len(store.boots()) == 1
    whole = store.boot_totals(store.boots()[0].id)["voltage_house_v"]
    assert whole.covered == 7199.0


def test_a_minus_sign_before_zero_is_the_same_zero(store):
    row = Columns(time_utc=np.array([T0]), values={"current_house_a": np.array([-0.0])})
    store.import_rows("van", row)
    assert counts(store.import_rows("van", row)) == (0, 1, 0)


def test_one_import_at_a_time(path, monkeypatch):
    monkeypatch.setattr("campledger.store.store.BUSY", 0.0)
    with (
        open_store(path, "write", create=True) as one,
        open_store(path, "write") as two,
    ):
        one.import_rows("van", chunk(0, 10))
        with pytest.raises(StoreBusyError, match="another import"):
            two.import_rows("van", chunk(0, 10))


@pytest.mark.parametrize("make", [chunk, boot_chunk])
def test_comparing_writes_nothing(path, make):
    with open_store(path, "write", create=True) as store:
        assert counts(store.compare_rows("van", make(0, 100))) == (100, 0, 0)
        assert store.boots() == ()
        store.import_rows("van", make(0, 60))
    with open_store(path) as store:
        assert counts(store.compare_rows("van", make(0, 100))) == (40, 60, 0)
